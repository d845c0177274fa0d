"""Open flags, certificates, and the numbers that the report itself derives."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from scipy.stats import binomtest

from benchkit.analysis.coverage import clopper_pearson
from benchkit.analysis.thermal import first_order
from benchkit.model.calibration import Certificate
from benchkit.model.events import Event, EventKind
from benchkit.model.results import Estimate, Finding, HeatingFit, NotRun, OperatingPoint
from benchkit.report.flags import certificate_state, open_flags, started_text
from benchkit.report.model import RunReport, SourceDigest, Tone
from benchkit.report.sections import build_report
from benchkit.report.sections_thermal import time_to_steady

CERTIFICATE = Certificate("WR-1", date(2026, 3, 2), date(2027, 3, 2))


@pytest.mark.parametrize(
    ("day", "word", "tone"),
    [
        (date(2026, 3, 1), "dated after the run", Tone.CAUTION),
        (date(2026, 3, 2), "valid", Tone.PLAIN),
        (date(2027, 2, 1), "valid, due within 30 days", Tone.NOTE),
        (date(2027, 3, 2), "valid, due within 30 days", Tone.NOTE),  # on the due day it still holds
        (date(2027, 3, 3), "EXPIRED on the day of the run", Tone.CAUTION),
    ],
)
def test_certificate_on_the_day_of_the_run(day: date, word: str, tone: Tone) -> None:
    assert certificate_state(CERTIFICATE, day) == (word, tone)


def test_missing_certificate_is_said() -> None:
    assert certificate_state(None, date(2026, 1, 1)) == ("no certificate", Tone.NOTE)


def test_errors_come_first_and_equal_findings_are_one(bare_run: RunReport) -> None:
    findings = (
        Finding("note", "no_certificate", "The channel has no calibration certificate.", "d_current"),
        Finding("error", "negative_loss", "Point 2: loss below zero."),
        Finding("note", "no_certificate", "The channel has no calibration certificate.", "q_current"),
    )
    flags = open_flags(replace(bare_run, result=replace(bare_run.result, findings=findings)))
    assert [(flag.tone, flag.about) for flag in flags] == [(Tone.ERROR, ""), (Tone.NOTE, "d_current, q_current")]


def test_a_finding_says_cause_action_and_rows(bare_run: RunReport) -> None:
    finding = Finding("caution", "zero_offset", "It reads 1.3 N·m at rest.", "shaft_torque", 20, 120, {"zero": 1.3})
    run = replace(bare_run, result=replace(bare_run.result, findings=(finding,)))
    (flag,) = open_flags(run)
    assert flag.rows == "20 … 119"
    assert flag.cause.startswith("no tare")
    assert flag.action.startswith("Release the shaft, tare")
    (table,) = [b for s in build_report([run]).sections for b in s.blocks if getattr(b, "id", "") == "flags"]
    shown = [getattr(cell, "text", "") for cell in table.rows[0]]
    assert flag.cause in shown
    assert flag.action in shown
    assert "zero_offset" in shown


def test_what_could_not_be_checked_is_listed(bare_run: RunReport) -> None:
    skipped = NotRun(("tare_lost", "tare_doubled"), "rack", "needs two seconds with the shaft at rest")
    run = replace(bare_run, result=replace(bare_run.result, not_run=(skipped,)))
    (table,) = [b for s in build_report([run]).sections for b in s.blocks if getattr(b, "id", "") == "not-run"]
    assert [getattr(cell, "text", "") for cell in table.rows[0]] == ["tare_lost, tare_doubled", "rack", skipped.reason]


def test_an_excluded_point_is_named_with_its_author(bare_run: RunReport) -> None:
    point = OperatingPoint(2, "rack", 10, 50, 1.0, 5.0, {}, "hall gate open", "test crew")
    run = replace(bare_run, result=replace(bare_run.result, points=(point,)))
    (flag,) = [flag for flag in open_flags(run) if flag.code == "excluded_point"]
    assert flag.message == "Point 3 is in no map and no fit: hall gate open (test crew)"


def test_what_went_wrong_while_recording_is_flagged(bare_run: RunReport) -> None:
    run = replace(
        bare_run,
        is_closed=False,
        header=replace(bare_run.header, recovered_from="lost.h5"),
        sources=(SourceDigest("rack", 10, 1.0, 3, 0, 0),),
        events=(
            Event(5.0, EventKind.SOURCE_LOST, "rack: lost", "rack"),
            Event(6.0, EventKind.STOP_NOT_ACKNOWLEDGED, "ramp_down: not acknowledged", "rack"),
        ),
    )
    codes = [flag.code for flag in open_flags(run)]
    assert codes[0] == "stop_not_acknowledged"
    assert set(codes) == {"stop_not_acknowledged", "not_closed", "recovered", "bad_frames", "source_lost"}


def test_a_set_point_that_was_moved_is_flagged(bare_run: RunReport) -> None:
    event = Event(7.0, EventKind.LIMIT_SET, "winding_hot: set point 140 to 120 °C by Ada", channel="winding_temp")
    (flag,) = open_flags(replace(bare_run, events=(event,)))
    assert (flag.code, flag.about) == ("limit_set", "winding_temp")
    assert "at 7 s: winding_hot: set point 140 to 120 °C by Ada" in flag.message


def test_run_without_flags_says_so(bare_run: RunReport) -> None:
    summary = build_report([bare_run]).sections[0]
    assert "Open flags" in {getattr(block, "heading", "") for block in summary.blocks}
    assert open_flags(bare_run) == ()


def test_start_is_shown_with_its_offset(bare_run: RunReport) -> None:
    header = replace(bare_run.header, started_utc="2026-11-03T09:12:44.123456+00:00")
    assert started_text(header) == "2026-11-03 09:12:44 UTC"
    assert started_text(replace(header, started_utc="2026-11-03T10:12:44+01:00")) == "2026-11-03 10:12:44 +0100"


def test_exact_binomial_bounds_of_a_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1 (from memory): 4 of 20, two-sided 90 %: 0.071354 and 0.401029, five digits sure
    low, high = clopper_pearson(4, 20, 0.90)
    assert (low, high) == (pytest.approx(0.07135, abs=5e-6), pytest.approx(0.40103, abs=5e-6))


@pytest.mark.parametrize(("inside", "total"), [(0, 7), (7, 7), (1, 400), (381, 400), (200, 400)])
def test_exact_binomial_bounds_of_another_library(inside: int, total: int) -> None:
    expected = binomtest(inside, total).proportion_ci(0.95, method="exact")
    assert clopper_pearson(inside, total) == (
        pytest.approx(expected.low, abs=1e-9),
        pytest.approx(expected.high, abs=1e-9),
    )


def _fit(start_c: float, final_c: float, tau_s: float) -> HeatingFit:
    return HeatingFit(
        "winding_temp", 0.0, 900.0, Estimate(tau_s, 3.0, "s"), Estimate(final_c, 0.5, "°C"),
        Estimate(start_c, 0.5, "°C"), 25.0, 0.1, 3.0,
    )  # fmt: skip


def test_time_to_steady_is_where_the_curve_is_within_one_kelvin() -> None:
    steady = time_to_steady(_fit(24.0, 118.0, 310.0))
    left_k = 118.0 - float(first_order(steady.value, 24.0, 118.0, 310.0))
    assert left_k == pytest.approx(1.0, abs=1e-9)
    # exact: u² = (ln r · u_tau)² + 2 (tau / r · u_T)², r = 94 K
    assert steady.u == pytest.approx(math.hypot(math.log(94.0) * 3.0, math.sqrt(2.0) * 310.0 / 94.0 * 0.5), rel=1e-3)


def test_time_to_steady_is_zero_where_nothing_heats() -> None:
    assert time_to_steady(_fit(24.0, 24.5, 310.0)).value == 0.0


def test_of_two_time_constants_the_slow_one_counts_with_its_part() -> None:
    fit = replace(_fit(24.0, 118.0, 310.0), fast_tau_s=Estimate(60.0, 1.0, "s"), fast_rise_k=54.0)
    # exact: 94 K less 54 K leave 40 K for the slow one
    assert time_to_steady(fit).value == pytest.approx(310.0 * math.log(40.0))
