"""What is refused before anything moves, with the segment named; how far set-points may go on each motor."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.errors import RefusedError
from benchkit.model.plans import (
    Axis,
    Dwell,
    Expected,
    Mode,
    Otherwise,
    Plan,
    Segment,
    SegmentKind,
    Until,
)
from benchkit.model.stand import Stand
from benchkit.model.thermal_models import LossMeasured, ThermalModel
from benchkit.plans.bounds import beyond, bounds_of
from benchkit.plans.check import heating_s, plan_problems
from benchkit.plans.generate import Frame, heat_plan, map_plan
from benchkit.profiles import load_stand, shared_path
from tests.plans.bench import Bench


@pytest.fixture(scope="module")
def big() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


@pytest.fixture(scope="module")
def small() -> Stand:
    return load_stand(shared_path("stands", "airboat_small.toml")).stand


def one(dwell: Dwell, **more: object) -> Plan:
    """A plan of one segment, called ``cruise``."""
    segment = Segment("cruise", SegmentKind.POINTS, ({Axis.SPEED: 1000.0, Axis.TORQUE: 10.0},), dwell)
    return Frame().plan("one", "One", [replace(segment, **more)])  # type: ignore[arg-type]  # fields of Segment


STEADY = Dwell(Until.STEADY, 10.0, 60.0, Otherwise.SKIP)


def said(plan: Plan, stand: Stand, given: tuple[str, ...] = ()) -> list[str]:
    return [str(problem) for problem in plan_problems(plan, stand, given)]


def test_the_smaller_motor_binds(big: Stand, small: Stand) -> None:
    # the nameplates of the two example profiles: 160 and 40 N·m, 150 and 45 A; the inverter bears 180 A
    assert bounds_of(big)[Axis.TORQUE].high == 160.0
    assert bounds_of(small)[Axis.TORQUE].high == 40.0
    assert bounds_of(small)[Axis.CURRENT].high == 45.0
    assert bounds_of(small)[Axis.TORQUE].high_from == "nameplate of WREN-12"
    plan = map_plan(Frame(), [1000.0, 2000.0], [20.0, 50.0, 60.0], blocks=1)
    assert said(plan, big) == []
    (first, second) = said(plan, small)
    assert first.startswith("plan map: reference: beyond what is mounted: torque 50 N·m is beyond 40 N·m")
    assert second.startswith("segment 'map_block_1', point ")
    assert "(and 3 more): beyond what is mounted" in second


def test_a_trip_below_the_nameplate_binds(big: Stand) -> None:
    limits = tuple(
        replace(limit, set_point=90.0) if limit.name == "over_torque" else limit for limit in big.limit_set.limits
    )
    stand = replace(big, limit_set=replace(big.limit_set, limits=limits))
    bound = bounds_of(stand)[Axis.TORQUE]
    assert (bound.high, bound.high_from) == (90.0, "trip limit over_torque")
    assert bound.holds(90.0)
    assert not bound.holds(math.nextafter(90.0, 91.0))
    assert not bound.holds(math.nan)


def test_speed_and_torque_together_count_as_power(big: Stand) -> None:
    bounds = dict(bounds_of(big))
    bounds[Axis.POWER] = replace(bounds[Axis.POWER], high=30_000.0, high_from="trip limit over_power")
    # exact: 2 pi 3000/60 100 = 31416 W
    assert beyond({Axis.SPEED: 3000.0, Axis.TORQUE: 100.0}, bounds) == [
        "its power 31416 W is beyond 30000 W (trip limit over_power)"
    ]
    assert beyond({Axis.SPEED: 2800.0, Axis.TORQUE: 100.0}, bounds) == []


def test_a_plan_without_its_approvals_is_refused_with_the_segment(big: Stand, tmp_path: Path) -> None:
    plan = one(STEADY, approvals=("test lead",))
    (problem,) = said(plan, big)
    assert problem.startswith("segment 'cruise': an approval is missing (expected test lead)")
    bench = Bench(big, plan, tmp_path)
    bench.start()
    bench.step()
    with pytest.raises(RefusedError, match=r"segment 'cruise': an approval is missing"):
        bench.runner.begin(bench.now_ns, "Ottilie")
    with pytest.raises(RefusedError, match="asks for no such approval"):
        bench.runner.approve(bench.now_ns, "night watch", "Ottilie")
    bench.runner.approve(bench.now_ns, "test lead", "Jorunn")
    bench.runner.begin(bench.now_ns, "Ottilie")
    assert bench.runner.progress.is_under_way
    bench.close()


@pytest.mark.parametrize(
    ("dwell", "words"),
    [
        # the example stand: what must hold still holds for 10 s
        (
            Dwell(Until.STEADY, 10.0, 19.0, Otherwise.SKIP),
            r"the window of the criterion \(10 s\) and the reading \(10 s\)",
        ),
        (Dwell(Until.TIME, 60.0, 30.0, Otherwise.SKIP), "the dwell of 60 s cannot be reached in its longest wait"),
        (Dwell(Until.THERMAL, 60.0, 9000.0, Otherwise.SKIP), "waits for temperatures without a rule"),
        (Dwell(Until.COOL, 0.0, 600.0, Otherwise.SKIP, "shaft_speed", 40.0), "not a temperature"),
    ],
)
def test_a_dwell_that_cannot_be_reached_is_refused(big: Stand, dwell: Dwell, words: str) -> None:
    (problem,) = said(one(dwell), big)
    assert problem.startswith("segment 'cruise'")
    assert re.search(words, problem)


def test_a_heat_run_that_needs_longer_than_its_longest_wait_is_refused(big: Stand) -> None:
    def plan(longest_s: float) -> Plan:
        load = {Axis.SPEED: 2000.0, Axis.TORQUE: 60.0}
        names = ["winding_temp"]
        return heat_plan(
            Frame(), load, temperatures=names, over_s=600.0, longest_s=longest_s, expected_rise_k=60.0, tau_s=300.0
        )

    # exact: 60 (1 - exp(-t/300)) changes by 1 K in 600 s when 60 exp(-t/300) (exp(2) - 1) = 1
    need_s = 300.0 * math.log(60.0 * (math.exp(2.0) - 1.0))
    assert heating_s(plan(1.0), 60.0, big) == pytest.approx(need_s, rel=1e-12)
    assert said(plan(need_s + 61.0), big) == []
    (problem,) = said(plan(need_s + 59.0), big)
    assert problem.startswith("segment 'heat_run': the temperatures are still moving when its longest wait is over")
    # the time constant of the stand's own model counts where the plan says none
    model = ThermalModel(
        "winding", "rack", "winding_temp", "coolant_inlet_temp", "winding_hot", (20.0, 300.0), (0.01, 0.05),
        LossMeasured("dc_current"), 0.1, 1.0, 1.0,
    )  # fmt: skip
    stand = replace(big, thermal_models={"winding": model})
    assert heating_s(replace(plan(1.0), thermal_tau_s=None), 60.0, stand) == pytest.approx(need_s, rel=1e-12)
    assert heating_s(replace(plan(1.0), thermal_tau_s=None), 60.0, big) == 0.0


def test_what_is_expected_lies_before_the_trip(big: Stand) -> None:
    hot = Expected("winding_temp", -math.inf, 145.0)  # the motor trips at 140 °C
    (problem,) = said(one(STEADY, expected=(hot,)), big)
    assert problem.startswith("segment 'cruise': expected: winding_temp trips before it is beyond what is expected")
    assert said(one(STEADY, expected=(replace(hot, high=120.0),)), big) == []


def test_what_drive_mode_needs_is_named(big: Stand) -> None:
    plan = replace(one(STEADY), presence=None, slew={}, stop="ramp_dwn")
    told = said(plan, big)
    assert any("presence: missing" in text for text in told)
    assert any("segment 'cruise': no slew for torque" in text for text in told)
    assert any("Did you mean 'ramp_down'?" in text for text in told)
    assert said(replace(plan, mode=Mode.LEAD, stop=""), big) == []
