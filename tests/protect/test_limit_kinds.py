"""Every kind at its set point exactly, what it says, and what integrals make of time that was not measured."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.model.limits import (
    Against,
    ByPhase,
    CurveName,
    DeratingLine,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    Phase,
    RateWindow,
    Reset,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.protect.limits import Evidence, LimitEngine
from benchkit.protect.wording import describe, set_point

K = LimitKind
SECOND = 1_000_000_000
NAN = math.nan


def limit(kind: LimitKind, point: float, **more) -> Limit:
    return Limit("x", "a", kind, Severity.TRIP, point, **more)


def run(rule: Limit, rows: list[tuple[float, float, float]], engine: LimitEngine | None = None):
    """Rows of time in s, channel a, channel b."""
    engine = engine or LimitEngine([rule], {"s": ("a", "b")}, {"s": 100.0}, 0)
    times = np.array([round(t * SECOND) for t, _, _ in rows])
    return engine.feed("s", times, np.array([[a, b] for _, a, b in rows]))


AT_AND_BEYOND = [
    (limit(K.ABOVE, 5.0), [(0, 5, 0), (1, 5.5, 0)]),
    (limit(K.BELOW, 5.0), [(0, 5, 0), (1, 4.5, 0)]),
    (limit(K.OUTSIDE, 5.0, low=2.0), [(0, 5, 0), (0.5, 2, 0), (1, 1.5, 0)]),
    (limit(K.INSIDE, 5.0, low=2.0), [(0, 5, 0), (0.5, 2, 0), (1, 3, 0)]),
    # exact: 2 per s over 1 s, then 2.5
    (limit(K.RATE, 2.0, detail=RateWindow(1.0, Direction.RISE)), [(0, 0, 0), (1, 2, 0), (2, 4.5, 0)]),
    (limit(K.RATE, 2.0, detail=RateWindow(1.0, Direction.FALL)), [(0, 0, 0), (1, -2, 0), (2, -4.5, 0)]),
    (limit(K.RATE, 2.0, detail=RateWindow(1.0, Direction.EITHER)), [(0, 0, 0), (1, -2, 0), (2, 0.5, 0)]),
    # the range is 0.5 at 2 s: equality; 0.25 at 3 s
    (limit(K.FROZEN, 0.5, detail=WhileMoving(1.0, "b", 3.0)), [(0, 1, 0), (1, 1.5, 9), (2, 1, 0), (3, 1.25, 9)]),
    (limit(K.DEVIATION, 3.0, detail=Against(("b",))), [(0, 5, 2), (1, 5, 8.5)]),
    (limit(K.SPREAD, 3.0, detail=Against(("b",))), [(0, 5, 2), (1, 5, 8.5)]),
    # exact: curve B at twice the start value: 13.5 TMS s; with TMS 2/27 that is 1 s
    (
        limit(K.INVERSE_TIME, 4.0, detail=InverseTime(CurveName.B, 2 / 27, Reset.DEFINITE, 0.0)),
        [(0, 8, 0), (0.999, 8, 0), (1.002, 8, 0)],
    ),
    # exact: q = 4, H = 4 (1 - exp(-t/tau)) is 1 at tau ln(4/3) = 0.28768 tau
    (
        limit(K.THERMAL_REPLICA, 4.0, detail=ThermalReplica(1.0, 10.0, 10.0, 0.0)),
        [(0, 8, 0), (2.876, 8, 0), (2.877, 8, 0)],
    ),
    # exact: (25 - 9) A² over 1 s are 16 A²·s: equality; then it is more
    (limit(K.I2T, 16.0, detail=SquareIntegral(3.0, 0.0)), [(0, 5, 0), (1, 5, 0), (1.5, 0, 0)]),
    # exact: 4 W over 2 s
    (limit(K.ENERGY_IN_TIME, 8.0, detail=SumWindow(5.0)), [(0, 4, 0), (2, 4, 0), (2.5, 0, 0)]),
]


@pytest.mark.parametrize(
    ("rule", "rows"), AT_AND_BEYOND, ids=[r.kind.value + str(i) for i, (r, _) in enumerate(AT_AND_BEYOND)]
)
def test_equality_does_not_count(rule, rows):
    engine = LimitEngine([rule], {"s": ("a", "b")}, {"s": 100.0}, 0)
    assert run(rule, rows[:-1], engine) == []
    (change,) = run(rule, rows[-1:], engine)
    assert (change.acts, change.time_ns) == (True, round(rows[-1][0] * SECOND))


def test_every_kind_is_tried_at_its_set_point():
    assert {rule.kind for rule, _ in AT_AND_BEYOND} == set(LimitKind) - {K.STALE}


@pytest.mark.parametrize(
    ("rule", "rows"), AT_AND_BEYOND, ids=[r.kind.value + str(i) for i, (r, _) in enumerate(AT_AND_BEYOND)]
)
def test_nan_silence_and_loss_trip_every_kind(rule, rows):
    (change,) = run(rule, [(0, NAN, 0)])
    assert (change.acts, change.evidence) == (True, Evidence.NOT_MEASURED)
    silent = LimitEngine([rule], {"s": ("a", "b")}, {"s": 1.0}, 0)
    (change,) = silent.tick(2 * SECOND)
    assert (change.time_ns, change.evidence) == (SECOND + 1, Evidence.SILENT)
    lost = LimitEngine([rule], {"s": ("a", "b")}, {"s": 1.0}, 0)
    (change,) = lost.source_lost("s", 5)
    assert (change.time_ns, change.evidence) == (5, Evidence.LOST)
    if rule.partners:
        (change,) = run(rule, [(0, 1, NAN)])
        assert change.evidence is Evidence.NOT_MEASURED
    caution = replace(rule, severity=Severity.CAUTION)
    assert run(caution, [(0, NAN, NAN)]) == []


TEXTS = [
    ("above 5 °C", "x: a 5.5 °C above 5 °C (trip)"),
    ("below", "x: a 4.5 °C below 5 °C (trip)"),
    ("outside", "x: a 1.5 °C outside 2 °C to 5 °C (trip)"),
    ("inside", "x: a 3 °C inside 2 °C to 5 °C (trip)"),
    ("rise", "x: a rising at 2.5 K/s above 2 K/s (trip)"),
    ("fall", "x: a falling at 2.5 K/s above 2 K/s (trip)"),
    ("either", "x: a changing at 2.5 K/s above 2 K/s (trip)"),
    ("frozen", "x: a moved by 0.25 K in 1 s while b moved, below 0.5 K (trip)"),
    ("deviation", "x: a 3.5 K away from b, above 3 K (trip)"),
    ("spread", "x: a and b 3.5 K apart, above 3 K (trip)"),
    ("inverse", "x: a 1.002 of its inverse-time integral above 1 (trip)"),
    ("thermal", "x: a 1.0001 of its thermal capacity above 1 (trip)"),
    ("i2t", "x: a 24 °C²·s of I²t above 16 °C²·s (trip)"),
    ("energy", "x: a 10 °C·s in 5 s above 8 °C·s (trip)"),
]


@pytest.mark.parametrize(("case", "text"), list(zip(AT_AND_BEYOND, TEXTS, strict=True)), ids=[t for t, _ in TEXTS])
def test_what_a_trip_says(case, text):
    (change,) = run(*case)
    assert describe(change, "°C", 1.0) == text[1]


def test_what_a_return_says():
    band = limit(K.OUTSIDE, 5.0, low=2.0, deadband=1.0, latching=False)
    changes = run(band, [(0, 6, 0), (1, 4.5, 0), (2, 4, 0)])  # 4.5 is within, not by 1
    assert [c.acts for c in changes] == [True, False]
    assert describe(changes[1], "V", 1.0) == "x: a 4 V is back within 2 V to 5 V by 1 (trip cleared)"
    overload = limit(K.THERMAL_REPLICA, 4.0, detail=ThermalReplica(1.0, 10.0, 10.0, 0.0), deadband=0.5, latching=False)
    hot = run(overload, [(0, 8, 0), (5, 0, 0), (20, 0, 0)])
    # exact: 4 (1 - exp(-0.5)) exp(-1.5)
    assert describe(hot[1], "A", 1.0) == "x: a 0.3512 of its thermal capacity is back at 0.5 or less (trip cleared)"


def test_set_points_in_words():
    assert set_point(limit(K.OUTSIDE, 5.0, low=2.0), "V") == "2 V to 5 V"
    assert set_point(limit(K.RATE, 5.0, detail=RateWindow(1.0, Direction.RISE)), "°C") == "5 K/s"
    assert set_point(limit(K.THERMAL_REPLICA, 80.0, detail=ThermalReplica(1.0, 1.0, 1.0, 0.0)), "A") == "80 A"


# -- phases and lines


BY_PHASE = limit(K.ABOVE, 5.0, course=ByPhase(None, 8.0, 5.0, 8.0), latching=False)


def test_a_phase_moves_the_set_point_at_once():
    engine = LimitEngine([BY_PHASE], {"s": ("a", "b")}, {"s": 100.0}, 0)
    assert engine.set_phase(Phase.AT_REST, 0) == []
    assert run(BY_PHASE, [(0, NAN, 0), (1, 9, 0), (2, 6, 0)], engine) == []  # off: nothing counts
    assert engine.set_phase(Phase.STARTING, 3 * SECOND) == []
    (acts,) = engine.set_phase(Phase.RUNNING, 4 * SECOND)  # 6 is held, and above 5 now
    assert (acts.acts, acts.time_ns, acts.value, acts.set_point) == (True, 4 * SECOND, 6.0, 5.0)
    (gone,) = engine.set_phase(Phase.AT_REST, 5 * SECOND)
    assert describe(gone, "A", 1.0) == "x: a is not limited in this phase (trip cleared)"


@pytest.mark.parametrize("count", [1, 3])
def test_the_quick_look_knows_the_set_points_of_the_phase(count):
    """Blocks of quiet rows are not followed one by one: what is quiet changes with the phase."""
    engine = LimitEngine([BY_PHASE], {"s": ("a", "b")}, {"s": 100.0}, 0)

    def rows(first: int, value: float):
        return run(BY_PHASE, [(first + i, value, 0) for i in range(count)], engine)

    engine.set_phase(Phase.STARTING, 0)
    assert rows(0, 4.0) == []
    assert rows(5, 7.0) == []
    engine.set_phase(Phase.AT_REST, 8 * SECOND)
    assert rows(10, 9.0) == []
    engine.set_phase(Phase.STARTING, 15 * SECOND - 1)  # 9 is held, and above 8
    assert not rows(15, 4.0)[-1].acts
    engine.set_phase(Phase.RUNNING, 20 * SECOND)
    assert [c.time_ns for c in rows(21, 6.0)] == [21 * SECOND]


def test_nan_counts_again_when_the_phase_begins():
    engine = LimitEngine([BY_PHASE], {"s": ("a", "b")}, {"s": 100.0}, 0)
    engine.set_phase(Phase.AT_REST, 0)
    assert run(BY_PHASE, [(1, NAN, 0)], engine) == []
    (change,) = engine.set_phase(Phase.STARTING, 2 * SECOND)
    assert (change.acts, change.evidence) == (True, Evidence.NOT_MEASURED)


def test_without_a_phase_the_set_point_of_running_holds():
    (change,) = run(BY_PHASE, [(0, 6, 0)])
    assert change.acts


@pytest.mark.parametrize(
    ("b", "value", "acts"),
    [(0.0, 10.0, False), (0.0, 10.1, True), (5.0, 6.0, False), (5.0, 6.1, True), (10.0, 2.1, True)],
)
def test_a_line_gives_the_set_point_of_the_row(b, value, acts):
    """exact: from 10 at 0 down to 2 at 10, so 6 at 5."""
    rule = limit(K.ABOVE, 2.0, course=DeratingLine("b", ((0.0, 10.0), (10.0, 2.0))))
    assert bool(run(rule, [(0, value, b)])) is acts


@pytest.mark.parametrize("b", [-0.1, 10.1, NAN])
def test_beyond_a_line_there_is_no_set_point(b):
    rule = limit(K.ABOVE, 2.0, course=DeratingLine("b", ((0.0, 10.0), (10.0, 2.0))))
    (change,) = run(rule, [(0, 0.0, b)])
    assert change.evidence is Evidence.NOT_MEASURED
    assert describe(change, "A", 1.0) == "x: a not measured, or b is not or is outside its line (trip)"


def test_a_partner_on_another_link_counts_until_it_is_stale():
    rule = limit(K.DEVIATION, 3.0, detail=Against(("c",)), latching=False)
    engine = LimitEngine([rule], {"s": ("a",), "o": ("c",)}, {"s": 100.0, "o": 2.0}, 0)

    def feed(t: float, value: float):
        return engine.feed("s", np.array([round(t * SECOND)]), np.array([[value]]))

    assert feed(0.0, 1.0)[0].evidence is Evidence.NOT_MEASURED  # the other has not spoken
    engine.feed("o", np.array([SECOND]), np.array([[1.0]]))
    assert not feed(1.0, 1.0)[0].acts
    assert feed(3.0, 1.0) == []  # 2 s old: not older than 2 s
    assert feed(3.1, 1.0)[0].evidence is Evidence.NOT_MEASURED
    engine.feed("o", np.array([4 * SECOND]), np.array([[1.0]]))
    assert not feed(4.0, 1.0)[0].acts
    engine.source_lost("o", 4 * SECOND)
    assert feed(4.1, 1.0)[0].evidence is Evidence.NOT_MEASURED


# -- time that was not measured


@pytest.mark.parametrize("gap", ["nan", "silent", "lost"])
@pytest.mark.parametrize(("before", "after"), [(5.0, 1.0), (1.0, 5.0)])
def test_an_integral_takes_the_greater_end_for_time_not_measured(gap, before, after):
    """exact: 5 A for the 4 s that nobody saw, 25 A² each second; before that 1 s at the first current."""
    rule = limit(K.I2T, 1000.0, detail=SquareIntegral(0.0, 0.0), latching=False)
    engine = LimitEngine([rule], {"s": ("a", "b")}, {"s": 2.0}, 0)
    run(rule, [(0, before, 0), (1, before, 0)], engine)
    if gap == "nan":
        run(rule, [(2, NAN, 0), (3.5, NAN, 0)], engine)
    if gap == "lost":
        engine.source_lost("s", 2 * SECOND)
        engine.source_back("s")
    run(rule, [(5, after, 0)], engine)
    assert engine.watched["x"] == before**2 + 4 * 25.0


def test_without_a_gap_the_value_before_holds():
    rule = limit(K.I2T, 1000.0, detail=SquareIntegral(0.0, 0.25))
    engine = LimitEngine([rule], {"s": ("a", "b")}, {"s": 10.0}, 0)
    run(rule, [(0, 1, 0), (4, 5, 0)], engine)
    assert engine.watched["x"] == 250.0 + 4.0  # exact: a quarter of 1000 to begin with


def test_a_rate_across_a_gap_is_not_thinned_out():
    """exact: 10 in 100 s, yet it may have come at the end: within two windows of 1 s it is 5 per s."""
    rule = limit(K.RATE, 4.0, detail=RateWindow(1.0, Direction.RISE))
    (change,) = run(rule, [(0, 0, 0), (100, 10, 0)])
    assert change.value == 5.0


def test_an_energy_sum_forgets_and_does_not_drift():
    rule = limit(K.ENERGY_IN_TIME, 1e9, detail=SumWindow(2.0))
    engine = LimitEngine([rule], {"s": ("a", "b")}, {"s": 10.0}, 0)
    rng = np.random.default_rng(3)
    rows = [(i / 10, x, 0.0) for i, x in enumerate(rng.normal(0.0, 1e7, 3000).tolist())] + [
        (300 + i / 10, 0.1, 0.0) for i in range(60)
    ]
    run(rule, rows, engine)
    assert engine.watched["x"] == pytest.approx(0.2, rel=1e-12)  # exact: 0.1 W for 2 s
