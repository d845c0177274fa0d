"""Plans of a proof against the engine of limits: the last sample is the first at which a limit acts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
from benchkit.model.stand import Channel
from benchkit.protect.limits import LimitEngine
from benchkit.protect.proving import Case, NotProvable, Scene, Stimulus, cases_of, operate_time_s, plan
from benchkit.units import Quantity

K = LimitKind
STEP_NS = 50_000_000
NAMES = ("a", "b", "c")
CHANNELS = {name: Channel(name, name, Quantity.CURRENT, "s", name, -100.0, 300.0) for name in NAMES}
BASE = {"a": 0.3, "b": -0.2, "c": math.nan}


def scene(reach=lambda _name, value: value, lead_ns: int = 0) -> Scene:
    return Scene(CHANNELS, BASE, reach, STEP_NS, lead_ns)


def acts_at(case: Case, made: Stimulus) -> int | None:
    """When the engine lets the limit act, sample by sample; None: never."""
    engine = LimitEngine([case.limit], {"s": NAMES}, {"s": 0.5}, 0)
    engine.set_phase(case.phase, 0)
    changes = []
    for sample in made.samples:
        row = np.array([[sample.values.get(name, BASE[name]) for name in NAMES]])
        changes += engine.feed("s", np.array([sample.at_ns]), row)
    if made.silence_ns:
        changes += engine.tick(made.decides_ns - 1)
        assert not changes
        changes += engine.tick(made.decides_ns)
    return next((change.time_ns for change in changes if change.acts), None)


delays = st.sampled_from([0.0, 0.02, 0.2, 1.7])
windows = st.sampled_from([0.2, 1.0, 3.3])
points = st.floats(1.0, 60.0)
DETAILS = {
    K.RATE: st.builds(RateWindow, windows, st.sampled_from(list(Direction))),
    K.FROZEN: st.builds(WhileMoving, windows, st.just("b"), st.floats(1.0, 20.0)),
    K.DEVIATION: st.just(Against(("b",))),
    K.SPREAD: st.just(Against(("b", "c"))),
    K.INVERSE_TIME: st.builds(
        InverseTime, st.sampled_from(list(CurveName)), st.floats(0.05, 1.0), st.sampled_from(list(Reset)), st.just(2.0)
    ),
    K.THERMAL_REPLICA: st.builds(
        ThermalReplica, st.floats(1.0, 1.2), st.floats(5.0, 300.0), st.just(600.0), st.floats(0.0, 0.9)
    ),
    K.I2T: st.builds(SquareIntegral, st.floats(0.0, 50.0), st.floats(0.0, 0.9)),
    K.ENERGY_IN_TIME: st.builds(SumWindow, st.sampled_from([1.0, 3.3])),
}


@st.composite
def limits(draw: st.DrawFn, kind: LimitKind) -> Limit:
    point = draw(points)
    course = None
    if kind in (K.ABOVE, K.BELOW) and draw(st.booleans()):
        course = draw(
            st.sampled_from([
                ByPhase(None, point + 3.0, point, None),
                DeratingLine("b", ((-100.0, point), (50.0, point + 5.0), (300.0, point + 1.0))),
                DeratingLine("c", ((0.0, point), (100.0, point + 5.0))),
            ])
        )  # fmt: skip
    return Limit(
        "x", "a", kind, draw(st.sampled_from(list(Severity))), point,
        on_delay_s=draw(delays), deadband=draw(st.sampled_from([0.0, 0.5])), low=point - 30.0, course=course,
        detail=draw(DETAILS[kind]) if kind in DETAILS else None,
    )  # fmt: skip


@pytest.mark.parametrize("kind", list(LimitKind))
@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_it_acts_at_the_last_sample_and_not_before(kind: LimitKind, data: st.DataObject) -> None:
    limit = data.draw(limits(kind))
    for case in cases_of(limit):
        made = plan(case, scene(lead_ns=data.draw(st.sampled_from([0, 400_000_000]))))
        assert isinstance(made, Stimulus), (case, made)
        assert acts_at(case, made) == made.decides_ns
        gaps = np.diff([sample.at_ns for sample in made.samples])
        assert gaps.min() > 0
        assert gaps.max() <= STEP_NS


def test_a_band_has_two_edges_and_phases_are_tried_where_the_limit_is_on() -> None:
    band = Limit("x", "a", K.OUTSIDE, Severity.TRIP, 5.0, low=1.0)
    assert [case.words for case in cases_of(band)] == ["upper edge", "lower edge"]
    phased = Limit("x", "a", K.ABOVE, Severity.TRIP, 5.0, course=ByPhase(None, 9.0, 5.0, None))
    assert [case.words for case in cases_of(phased)] == ["starting", "running"]
    assert [case.words for case in cases_of(Limit("x", "a", K.ABOVE, Severity.TRIP, 5.0))] == [""]


def test_what_its_link_cannot_say_is_said() -> None:
    limit = Limit("x", "a", K.ABOVE, Severity.TRIP, 60.0)
    made = plan(cases_of(limit)[0], scene(lambda _name, value: value if value < 60.0 else math.nan))
    assert made == NotProvable("the condition: no frame of its link gives a a value above 60 A")
    coarse = plan(cases_of(limit)[0], scene(lambda _name, value: 50.0 * round(value / 50.0)))
    assert isinstance(coarse, Stimulus)  # steps of 50 A: 100 A is the first above 60 A, 50 A the first below
    assert acts_at(cases_of(limit)[0], coarse) == coarse.decides_ns


def test_an_integral_that_never_operates_is_said() -> None:
    limit = Limit("x", "a", K.THERMAL_REPLICA, Severity.TRIP, 400.0, detail=ThermalReplica(1.0, 10.0, 10.0, 0.0))
    made = plan(cases_of(limit)[0], scene())
    assert made == NotProvable("within the range of a no value makes it operate")
    slow = Limit("x", "a", K.THERMAL_REPLICA, Severity.TRIP, 200.0, detail=ThermalReplica(1.0, 1e6, 10.0, 0.0))
    assert "more than 100000 samples would be needed" in str(plan(cases_of(slow)[0], scene()))


def test_operate_times() -> None:
    def time_s(kind: LimitKind, point: float, detail: object, value: float) -> float:
        return operate_time_s(Limit("x", "a", kind, Severity.TRIP, point, detail=detail), value)  # type: ignore[arg-type]

    # IEC 60255-151, curve B: 13.5 TMS / (G/G_S - 1)
    assert time_s(K.INVERSE_TIME, 10.0, InverseTime(CurveName.B, 0.1, Reset.DEFINITE, 0.0), 20.0) == 1.35
    # exact: q = 4: tau ln(4/3)
    assert time_s(K.THERMAL_REPLICA, 4.0, ThermalReplica(1.0, 10.0, 1.0, 0.0), -8.0) == pytest.approx(2.876821)
    # exact: (25 - 9) A² takes 1 s to 16 A²·s, half of it from half
    assert time_s(K.I2T, 16.0, SquareIntegral(3.0, 0.5), 5.0) == 0.5
    assert time_s(K.ENERGY_IN_TIME, 8.0, SumWindow(5.0), 4.0) == 2.0
    assert time_s(K.ENERGY_IN_TIME, 8.0, SumWindow(1.0), 4.0) == math.inf


def test_the_phase_of_a_case_defaults_to_running() -> None:
    assert Case(Limit("x", "a", K.ABOVE, Severity.TRIP, 5.0)).phase is Phase.RUNNING
