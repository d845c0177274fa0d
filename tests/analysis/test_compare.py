"""Comparisons of simulated runs: what is found, what is flagged, what is refused. The long forms are in tests/bench."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from benchkit.analysis.compare.comparison import Settings, compare, run_levels
from benchkit.analysis.compare.correction import corrections
from benchkit.analysis.compare.data import RunData
from benchkit.analysis.compare.metrics import MetricColumn, MetricRow, columns_of, compare_metrics
from benchkit.analysis.compare.order import drifts, order_of
from benchkit.analysis.compare.pairing import Treatment
from benchkit.analysis.compare.planning import assumed_noise, order_of_days, plan, promised_power
from benchkit.analysis.compare.surfaces import common_points, local_weights, shared_shape
from benchkit.analysis.compare.verdict import Verdict, Word
from benchkit.analysis.signals.counts import rate_per_hour, share
from benchkit.errors import UsageError
from benchkit.model.metrics import Counted, Metric
from benchkit.model.stand import Role
from benchkit.report.sections_compare import headline
from benchkit.simulate.pairs import Hidden, simulated_comparison
from tests.analysis import compare_study as study

Sides = tuple[tuple[RunData, ...], tuple[RunData, ...]]


@pytest.fixture(scope="module")
def sides() -> Sides:
    return simulated_comparison(study.stand(), 1, days=2)


def flagged(sides: Sides, settings: Settings | None = None) -> dict[str, Treatment]:
    found = compare(*sides, settings or Settings(subjects=("drive",)))
    return {c.name: c.treatment for c in found.confounders if c.is_flagged}


# ------------------------------------------------------------------------------------------- short studies
def test_no_difference_gives_hardly_a_claim() -> None:
    found = study.no_difference(range(24))
    # exact bound: with a true share of 5 % of comparisons, 5 or more of 24 have a probability of 0.6 %
    assert found["comparisons"] <= 100.0 * 4 / 24
    assert found["regions"] <= 5.0
    assert found["naive_regions"] > found["regions"]


def test_a_planted_difference_is_found_as_promised() -> None:
    found = study.with_difference(range(10_000, 10_030), study.noise(days=12))
    # 30 comparisons of nine regions that go together: some 5 points of scatter, and as much from the short noise record
    assert found["found"] == pytest.approx(found["promised"], abs=20.0)
    assert found["equivalent_at_margin"] <= 5.0


def test_hidden_changes_are_flagged_by_name() -> None:
    found = study.hidden_changes(range(20_000, 20_004))
    assert found.pop("clean") == 0.0
    assert set(found.values()) == {100.0}


# --------------------------------------------------------------------------------------------- what is refused
def test_a_changed_calibration_forbids_a_verdict_until_it_is_accepted() -> None:
    a, b = simulated_comparison(study.stand(), 3, days=1, hidden=Hidden.CALIBRATION)
    found = compare(a, b)
    assert [c.name for c in found.refused] == ["calibration"]
    assert "shaft_torque" in found.refused[0].a
    assert {v.word for loss in found.losses for v in loss.regions} == {Word.REFUSED}
    reason = "masses of the day agree to 0.01 %"
    taken = compare(a, b, Settings(accepted={"calibration": reason}))
    assert not taken.refused
    told = next(c for c in taken.confounders if c.name == "calibration")
    assert (told.treatment, reason in told.meaning) == (Treatment.ACCEPTED, True)
    assert Word.REFUSED not in {v.word for v in taken.losses[0].regions}
    with pytest.raises(UsageError, match=r"nothing of that name differs.*Did you mean 'calibration'"):
        compare(a, b, Settings(accepted={"calibratoin": reason}))
    with pytest.raises(UsageError, match="accepted with a reason"):
        compare(a, b, Settings(accepted={"calibration": " "}))


def test_another_motor_is_refused_and_another_limit_is_marked(sides: Sides) -> None:
    a, b = sides
    motor = tuple(replace(r, stand=replace(r.stand, motor=replace(r.stand.motor, id="HERON-61"))) for r in b)
    assert flagged((a, motor)) == {"motor": Treatment.REFUSED}
    limits = tuple(
        replace(r, stand=replace(r.stand, limit_set=replace(r.stand.limit_set, limits=r.stand.limit_set.limits[1:])))
        for r in b
    )
    assert flagged((a, limits)) == {"limits": Treatment.MARKED}
    words = tuple(replace(r, stand=replace(r.stand, title="another title", notes="x")) for r in b)
    assert flagged((a, words)) == {}


def test_a_drifting_zero_is_refused_and_a_warm_loop_is_corrected_and_marked() -> None:
    zero = simulated_comparison(study.stand(), 4, days=1, hidden=Hidden.ZERO)
    assert flagged(zero)["torque_zero_drift"] is Treatment.REFUSED
    warm = flagged(simulated_comparison(study.stand(), 4, days=1, hidden=Hidden.COOLANT))
    assert warm["winding_temp"] is Treatment.CORRECTED
    assert warm["coolant_inlet_temp"] is Treatment.MARKED


def test_one_run_that_stands_apart_is_flagged(sides: Sides) -> None:
    a, b = sides
    hot = replace(
        b[0], conditions={**b[0].conditions, Role.COOLANT_INLET_TEMP: b[0].condition(Role.COOLANT_INLET_TEMP) + 6.0}
    )
    assert flagged((a, (hot, *b[1:])))["coolant_inlet_temp"] is Treatment.MARKED


def test_another_thermal_state_is_marked(sides: Sides) -> None:
    a, b = sides
    cold = tuple(replace(run, unsettled=0.4) for run in b)
    settled = tuple(replace(run, unsettled=0.0) for run in a)
    assert flagged((settled, cold)) == {"thermal_state": Treatment.MARKED}


def test_one_day_of_each_side_is_not_judged(sides: Sides) -> None:
    a, b = sides
    first = tuple(replace(run, time_s=run.time_s - run.time_s[0] + 3600.0 * k) for k, run in enumerate(a))
    second = tuple(replace(run, time_s=run.time_s - run.time_s[0] + 3600.0 * (48 + k)) for k, run in enumerate(b))
    found = compare(first, second, Settings(subjects=("drive",)))
    assert found.losses[0].whole.word is Word.NOT_SHOWN
    assert "not judged" in found.losses[0].found.method
    assert {c.name for c in found.confounders if c.is_flagged} == {"order"}


def test_two_firmwares_on_one_side_are_an_error(sides: Sides) -> None:
    a, b = sides
    with pytest.raises(UsageError, match="runs of side A have 2 firmwares"):
        compare((*a, b[0]), b[1:])
    with pytest.raises(UsageError, match="side B has no run"):
        compare(a, ())


def test_one_firmware_on_both_sides_tests_the_bench(sides: Sides) -> None:
    a, _ = sides
    assert compare(a[::2], a[1::2]).is_same_firmware


def test_one_run_of_each_says_what_is_missing(sides: Sides) -> None:
    a, b = sides
    found = compare(a[:1], b[:1])
    assert {v.word for v in found.losses[0].regions} == {Word.NOT_SHOWN}
    assert "no repeated runs" in found.losses[0].whole.text


# ------------------------------------------------------------------------------------------- points and order
def test_runs_without_common_points_are_refused(sides: Sides) -> None:
    a, b = sides
    far = tuple(replace(r, speed_rpm=r.speed_rpm * 0.2) for r in b)
    with pytest.raises(UsageError, match="hardly any operating point in common"):
        compare(a, far)
    few = replace(a[0], **{n: getattr(a[0], n)[:3] for n in ("speed_rpm", "torque_nm", "input_w", "time_s")})
    with pytest.raises(UsageError, match="too few operating points"):
        common_points([few, *b])


def test_local_planes_are_exact_for_a_plane(sides: Sides) -> None:
    run = sides[0][0]
    points = common_points([*sides[0], *sides[1]])
    weights = local_weights(run, points)
    plane = 3.0 + 0.01 * run.speed_rpm - 0.2 * run.torque_nm
    # exact: a local plane reproduces a plane wherever its points lie; the ridge of 1e-6 leaves less than that
    expected = 3.0 + 0.01 * points.speed_rpm - 0.2 * points.torque_nm
    assert weights @ plane == pytest.approx(expected, abs=1e-3)
    assert np.sum(weights, axis=1) == pytest.approx(np.ones(len(expected)))


def test_orders_are_named(sides: Sides) -> None:
    a, b = sides
    order, blocks = order_of([*a, *b], [False] * 4 + [True] * 4)
    assert [(k.letters, k.design, k.is_balanced) for k in blocks] == [("ABBA", "ABBA", True), ("BAAB", "ABBA", True)]
    assert order.with_slope == (0, 1)
    late = tuple(replace(r, time_s=a[0].time_s + 3600.0 * (k + 2)) for k, r in enumerate(b[:2]))
    early = (a[0], replace(a[1], time_s=a[0].time_s + 3600.0))
    _, blocks = order_of([*early, *late], [False, False, True, True])
    assert [(k.letters, k.design) for k in blocks] == [("AABB", "one after the other")]
    assert flagged((early, late))["order"] is Treatment.MARKED


def test_drift_is_read_from_reference_points(sides: Sides) -> None:
    runs = [*sides[0], *sides[1]]
    order, _ = order_of(runs, [False] * 4 + [True] * 4)
    # exact: 0.002 an hour in every run, nothing else
    found = drifts(runs, order, [0.002 * run.time_s / 3600.0 for run in runs])
    assert [d.slope for d in found] == pytest.approx([0.002, 0.002])
    assert found[0].pairs == 8  # four runs, three visits of the reference point each: two more than its mean takes


def test_corrections_bring_back_what_copper_takes(sides: Sides) -> None:
    runs = list(sides[0])
    speed, torque, loss = (
        np.concatenate(x) for x in zip(*((r.speed_rpm, r.torque_nm, r.loss_w["motor"]) for r in runs), strict=True)
    )
    shape = shared_shape(speed, torque, loss, loss, ("1", "T^2", "n", "n^2"))
    warm = [
        replace(
            r, conditions={**r.conditions, Role.WINDING_TEMP: r.condition(Role.WINDING_TEMP) + (4.0 if k % 2 else -4.0)}
        )
        for k, r in enumerate(runs)
    ]
    plain, moved = corrections(runs, "motor", shape), corrections(warm, "motor", shape)
    change = moved[1].added_w["winding temperature"] - plain[1].added_w["winding temperature"]
    # exact: -P_T2 · 4 K / (234.5 °C + t_ref), and t_ref (the mean over both signs) does not move
    usual = runs[1].condition(Role.WINDING_TEMP)
    expected = -shape.square_of_torque_w(runs[1].speed_rpm, runs[1].torque_nm) * 4.0 / (234.5 + usual)
    assert change == pytest.approx(expected, rel=0.03)
    assert not np.any(moved[1].added_w["bus voltage"])  # not in the loss of the motor


def judged(row: MetricRow) -> Verdict:
    assert row.verdict is not None
    return row.verdict


def column(name: str, values: np.ndarray) -> MetricColumn:
    return MetricColumn(name, "A", tuple(Metric(name, x, 0.02, "A") for x in values.tolist()))


def test_metrics_of_others_join_the_table(sides: Sides) -> None:
    a, b = sides
    rng = np.random.default_rng(3)
    ripple = column("ripple", np.concatenate([rng.normal(2.0, 0.01, 4), rng.normal(1.8, 0.01, 4)]))
    better = replace(column("margin", -ripple.values), lower_is_better=False)
    edges = replace(column("dead_time", ripple.values), lower_is_better=None)
    level = replace(ripple, name="level", not_judged="as measured")
    rows = {
        row.metric.name: row
        for row in compare(a, b, Settings(subjects=("drive",)), [ripple, better, edges, level]).metrics
    }
    assert judged(rows["ripple"]).word is Word.BETTER
    assert judged(rows["margin"]).word is Word.BETTER
    assert judged(rows["dead_time"]).word is Word.DIFFERENT
    assert rows["level"].verdict is None
    assert judged(rows["ripple"]).difference == pytest.approx(-0.2, abs=0.03)
    with pytest.raises(UsageError, match="one value a run"):
        compare(a, b, Settings(subjects=("drive",)), [column("x", np.zeros(3))])


def test_metrics_of_runs_stand_side_by_side() -> None:
    def at(f: float, thd: float) -> list[Metric]:
        region = "scope, at a mark"
        return [
            Metric("electrical_frequency", f, 0.1, "Hz", "", region),
            Metric("current_thd", thd, 0.0, "1", "", region),
        ]

    same = {c.name: c for c in columns_of([at(300.0, 0.1), at(301.0, 0.2)])}
    assert not same["current_thd"].not_judged
    assert same["electrical_frequency"].not_judged == "where the bursts were taken"
    other = {c.name: c for c in columns_of([at(300.0, 0.1), at(330.0, 0.2)])}
    assert other["current_thd"].not_judged == "bursts at other speeds"
    assert not columns_of([at(300.0, 0.1), [], []])  # what most runs lack


def test_counts_are_compared_by_all_runs_of_a_side_and_words_say_the_counts() -> None:
    order = order_of_days(2)
    runs = [(2, 4.0) if is_b else (0, 4.0) for is_b in order.is_b]
    trips = [rate_per_hour("trips_per_hour", *run) for run in runs]
    starts = [share("start_reliability", 20 - 5 * int(is_b), 20) for is_b in order.is_b]
    never = [rate_per_hour("cautions_per_hour", 0, 4.0) for _ in runs]
    rows = {r.metric.name: r for r in compare_metrics(columns_of([*zip(trips, starts, never, strict=True)]), order)}
    assert rows["trips_per_hour"].b.counted == Counted(8, 16.0, is_share=False)
    # exact: all 8 on one side of two with equal times, 2/2⁸; the other is Fisher's; Holm over the two that can tell
    assert judged(rows["trips_per_hour"]).p_value == pytest.approx(2.0 / 256.0)
    fisher = scipy.stats.fisher_exact(np.array([[80, 0], [60, 20]])).pvalue
    assert judged(rows["start_reliability"]).p_value == pytest.approx(fisher)
    assert judged(rows["start_reliability"]).p_adjusted == pytest.approx(2.0 * fisher)
    assert [judged(rows[n]).word for n in rows] == [Word.WORSE, Word.WORSE, Word.NOT_SHOWN]
    assert judged(rows["trips_per_hour"]).text == "worse (8 in 16 h against 0 in 16 h; ratio 1.7 or more)"
    refused = compare_metrics(columns_of([[t] for t in trips]), order, ["bus voltage"])
    assert judged(refused[0]).word is Word.REFUSED


def test_a_torque_that_may_have_moved_is_in_the_answer(sides: Sides) -> None:
    a, b = sides

    def gained(run: RunData, gain: float) -> RunData:
        shaft = (gain - 1.0) * run.torque_nm * run.speed_rpm * np.pi / 30.0
        return replace(run, torque_nm=gain * run.torque_nm, loss_w={"drive": run.loss_w["drive"] - shaft})

    found = compare(a, [gained(run, 1.005) for run in b], Settings(subjects=("drive",)))
    text, word = headline(found)
    assert word is Word.BETTER
    assert "but torque per ampere differs by +0.5" in text
    assert "a torque reading that has moved by that is not ruled out" in text
    assert text.endswith("the answer would not stand.")  # nothing else was changed
    # a gain of the firmware beside it, larger than what the torque may have done
    both = [
        replace(r, loss_w={"drive": r.loss_w["drive"] - 0.01 * r.input_w}) for r in (gained(run, 1.005) for run in b)
    ]
    assert headline(compare(a, both, Settings(subjects=("drive",))))[0].endswith("the answer would stand.")
    assert ", but" not in headline(compare(a, b, Settings(subjects=("drive",))))[0]


def test_levels_of_runs_for_a_history(sides: Sides) -> None:
    levels = run_levels("drive", [*sides[0], *sides[1]])
    assert levels.mean() == pytest.approx(0.0, abs=1e-12)
    assert np.ptp(levels) < 0.3


# ------------------------------------------------------------------------------------------------- planning
def test_promise_of_a_single_region_is_the_noncentral_t() -> None:
    from benchkit.analysis.compare.statistics import power_of

    noise = assumed_noise(0.1, 0.0, 1)
    for days in (2, 5):
        order = order_of_days(days)
        # exact: 4 runs a day, side orthogonal to day and drift: u = sd sqrt(1/2D + 1/2D), 2D - 1 degrees of freedom
        theirs = power_of(0.2, 0.1 / math.sqrt(days), 2.0 * days - 1.0)
        assert promised_power(noise, order, 0.2, draws=20_000)[0] == pytest.approx(theirs, abs=0.012)


def test_plans_grow_with_the_noise_and_say_when_they_fail() -> None:
    quiet, loud = (plan(assumed_noise(sd, 0.02, 4), 0.1, most_days=12) for sd in (0.03, 0.08))
    assert quiet.reached
    assert quiet.mean_power >= 0.8
    assert (quiet.runs, quiet.days * 4) == (quiet.days * 4, quiet.runs)
    assert quiet.days < loud.days
    hopeless = plan(assumed_noise(2.0, 0.02, 4), 0.1, most_days=3)
    assert (hopeless.reached, hopeless.days) == (False, 3)
    with pytest.raises(UsageError, match="difference above zero"):
        plan(assumed_noise(0.1, 0.0, 1), 0.0)
