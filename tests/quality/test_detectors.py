"""Every detector finds its fault in simulated runs, clean runs are clean, and the page says so.

The short form takes two seeds of each fault; the long one (soak) fifty, and two hundred clean runs.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.quality import DETECTORS, check_run
from benchkit.analysis.quality.run import CHECKS
from benchkit.simulate.drives import Load
from tests.quality.__main__ import MARK, PAGE
from tests.quality.faults import FAULTS, Fault
from tests.quality.runs import DAY, Wish, bench, clean_run
from tests.quality.suite import clean, score

BY_CODE = [pytest.param(fault, id=fault.code) for fault in FAULTS]


@pytest.mark.parametrize("fault", BY_CODE)
def test_the_fault_is_found_and_named(fault: Fault) -> None:
    found = score(fault, 2)
    assert found.missed == ()


def test_clean_runs_raise_nothing() -> None:
    found = clean(6)
    assert (found.errors, found.cautions) == ({}, {})


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("fault", BY_CODE)
def test_fifty_seeds(fault: Fault) -> None:
    found = score(fault, 50)
    assert found.found >= 48, found.missed


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_two_hundred_clean_runs() -> None:
    found = clean(200)
    assert sum(found.errors.values()) <= 2, found.errors


def test_every_code_has_words_and_every_fault_a_check() -> None:
    assert {fault.code for fault in FAULTS} <= set(DETECTORS)
    assert {code for check in CHECKS for code in check.codes} <= set(DETECTORS)
    for code, words in DETECTORS.items():
        assert words.sees, code
        assert words.cause, code
        assert words.action.endswith("."), code


def test_the_page_has_a_counted_row_for_every_fault() -> None:
    _, table, _ = PAGE.read_text(encoding="utf-8").split(MARK)
    rows = {m[1]: m[0] for m in re.finditer(r"^\| `(\w+)` \|.*$", table, flags=re.MULTILINE)}
    assert list(rows) == [fault.code for fault in FAULTS], "out of date: run python -m tests.quality 50 200 --write"
    for fault in FAULTS:
        cells = [cell.strip() for cell in rows[fault.code].split("|")]
        assert cells[2] == DETECTORS[fault.code].sees
        assert cells[3] == fault.size
        assert int(cells[4]) >= 48, fault.code
        assert cells[8] == DETECTORS[fault.code].action


def test_what_cannot_be_checked_is_said() -> None:
    run = clean_run(3, Wish(load=Load.MACHINE))
    gone = {"electrical_frequency", "phase_voltage", "shaft_speed"}
    keep = [k for k, name in enumerate(run.stream.channels) if name not in gone]
    stream = replace(
        run.stream,
        channels=tuple(run.stream.channels[k] for k in keep),
        units=tuple(run.stream.units[k] for k in keep),
        values=run.stream.values[:, keep],
    )
    _, not_run = check_run(bench(), stream, (), run_date=DAY)
    reasons = {code: each.reason for each in not_run for code in each.codes}
    assert "role speed" in reasons["zero_offset"]
    assert "electrical_frequency" in reasons["pulses_per_revolution"]
    assert "phase_voltage" in reasons["low_power_factor"]
    assert reasons["not_steady"] == "needs an operating point"
    assert "operating point" in reasons["tare_stale"]
    assert "calibration_overdue" in {c for each in check_run(bench(), stream)[1] for c in each.codes}
    # what is not in the list was run
    every = {code for check in CHECKS for code in check.codes}
    assert "thermocouple_open" in every - set(reasons)


def test_findings_do_not_depend_on_how_long_the_checks_have_run() -> None:
    """The same run gives the same findings again: no check keeps anything."""
    run = clean_run(8)
    values = run.stream.values.copy()
    values[:, run.stream.channels.index("shaft_torque")] += 3.0
    once, twice = (run.with_values(values).findings() for _ in range(2))
    assert [f.message for f in once] == [f.message for f in twice]
    assert "zero_offset" in {f.code for f in once}


def test_a_gap_of_nan_breaks_no_check() -> None:
    run = clean_run(9)
    values = run.stream.values.copy()
    values[: len(values) // 3] = np.nan
    found = run.with_values(values).findings()
    assert "not_measured" in {f.code for f in found}
    assert run.with_values(np.full_like(values, np.nan)).findings()
