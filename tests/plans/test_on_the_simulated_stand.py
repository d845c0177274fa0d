"""Plans driven on the simulated stand; what is true is taken from the plant, which the plan does not see."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.interlock import State
from benchkit.model.plans import AfterStop, Axis, Mode, Outcome, Plan, StepKind
from benchkit.model.stand import Stand
from benchkit.plans.check import plan_problems
from benchkit.plans.generate import Frame, Phase, endurance_plan, heat_plan, map_plan, sweep_plan
from benchkit.plans.table import Phase as At
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from tests.plans.bench import Bench
from tests.plans.truth import SPEED, TIME, WINDING, off_target, unsteady


@pytest.fixture(scope="module")
def on_machine() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


@pytest.fixture(scope="module")
def on_propeller() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


def driven(bench: Bench, most_s: float) -> Bench:
    """Begin, run to the end, close."""
    assert plan_problems(bench.plan, bench.stand) == []
    bench.begin()
    bench.run(most_s)
    for _ in range(40):  # the stop at the end of the plan
        bench.step()
    bench.close()
    return bench


def map_of(points: int, seed: int, read_s: float = 5.0) -> Plan:
    speeds = [500.0 * k for k in range(1, points // 10 + 1)]
    frame = Frame(slew={Axis.SPEED: 400.0, Axis.TORQUE: 60.0})
    return map_plan(frame, speeds, [10.0 * k for k in range(1, 11)], seed=seed, read_s=read_s)


def test_a_map_of_sixty_points_is_taken_steady_and_on_target(on_machine: Stand, tmp_path: Path) -> None:
    stand = replace(on_machine, steadiness=replace(on_machine.steadiness, dwell_s=4.0))  # half as long to play
    bench = driven(Bench(stand, map_of(60, 1, 2.0), tmp_path), 5000.0)
    assert bench.phase is At.DONE
    done = bench.runner.progress.done
    points = [one for one in done if one.step.kind is StepKind.POINT]
    assert len(points) == 60
    assert {(one.step.target[Axis.SPEED], one.step.target[Axis.TORQUE]) for one in points} == {
        (500.0 * n, 10.0 * m) for n in range(1, 7) for m in range(1, 11)
    }
    assert sum(one.step.kind is StepKind.REFERENCE for one in done) == 9  # 20 points a block: before 1, 11, and behind
    assert all(one.outcome is Outcome.TAKEN for one in done)
    truth = bench.true_rows()
    assert unsteady(stand, truth, done) == []
    assert off_target(done, truth) == []
    assert all(state is State.RUNNING for _, state, _, _ in bench.sent)
    assert abs(truth[-1, SPEED]) < 5.0  # the plan ended in the orderly stop


def test_a_propeller_is_swept_up_and_down(on_propeller: Stand, tmp_path: Path) -> None:
    speeds = [1200.0, 1600.0, 2000.0, 2400.0, 2800.0, 3200.0]
    bench = driven(Bench(on_propeller, sweep_plan(Frame(), speeds), tmp_path, load=Load.PROPELLER), 2000.0)
    done = bench.runner.progress.done
    assert [one.step.target[Axis.SPEED] for one in done] == [*speeds, *speeds[-2::-1]]
    assert unsteady(on_propeller, bench.true_rows(), done) == []
    assert off_target(done, bench.true_rows()) == []


def test_a_heat_run_ends_when_the_winding_stands(on_propeller: Stand, tmp_path: Path) -> None:
    plan = heat_plan(
        Frame(),
        {Axis.SPEED: 2800.0},
        temperatures=["winding_temp", "stator_temp"],
        change_k=1.0,
        over_s=90.0,
        longest_s=3600.0,
        expected_rise_k=30.0,
        tau_s=60.0,
        cool_below_c=52.0,
    )
    bench = driven(Bench(on_propeller, plan, tmp_path, load=Load.PROPELLER, rows=20), 6000.0)
    heated, rested = bench.runner.progress.done
    assert heated.outcome is rested.outcome is Outcome.TAKEN
    truth = bench.true_rows()
    assert unsteady(on_propeller, truth, (heated,)) == []
    winding = np.interp([heated.from_s - 90.0, heated.from_s, rested.to_s], truth[:, TIME], truth[:, WINDING])
    assert abs(winding[1] - winding[0]) <= 1.0
    assert heated.from_s > 180.0  # it took longer than the rule alone: the winding was still moving
    assert winding[2] < 52.5  # the sensor's noise is 0.05 K


def test_a_person_is_led_and_the_tool_sends_nothing(on_machine: Stand, tmp_path: Path) -> None:
    frame = Frame(mode=Mode.LEAD)
    bench = Bench(on_machine, map_plan(frame, [800.0, 1200.0], [20.0, 40.0], blocks=1, read_s=5.0), tmp_path)
    bench.begin()
    set_for = -1
    while bench.runner.progress.is_under_way:
        step = bench.runner.progress.step
        assert step is not None
        if step.index != set_for:  # the operator reads the next point and sets it
            set_for = step.index
            for axis, value in step.target.items():
                bench._to_device(f"set {axis.value} {value}")
        bench.step()
    bench.close()
    done = bench.runner.progress.done
    assert [one.outcome for one in done] == [Outcome.TAKEN] * 6
    assert bench.sent == []
    assert unsteady(on_machine, bench.true_rows(), done) == []
    assert off_target(done, bench.true_rows()) == []


def endurance(cycles: int, phase_s: float) -> Plan:
    phases = [
        Phase("idle", {Axis.SPEED: 1000.0, Axis.TORQUE: 10.0}, phase_s, "idle"),
        Phase("cruise", {Axis.SPEED: 2200.0, Axis.TORQUE: 60.0}, 2.0 * phase_s, "continuous"),
        Phase("climb", {Axis.SPEED: 3000.0, Axis.TORQUE: 110.0}, phase_s, "take-off"),
    ]
    return endurance_plan(Frame(), phases, cycles, after_stop=AfterStop.REPEAT)


def has_its_hours(stand: Stand, folder: Path, cycles: int, phase_s: float, rows: int) -> Bench:
    plan = endurance(cycles, phase_s)
    bench = driven(Bench(stand, plan, folder, rows=rows), 8.0 * cycles * phase_s + 500.0)
    assert bench.phase is At.DONE
    look_s = rows * 0.05
    for rating, share in (("idle", 1.0), ("continuous", 2.0), ("take-off", 1.0)):
        had = bench.runner.account.ratings[rating]
        assert had.cycles == cycles
        # no dwell is shorter than the plan says, none longer by more than a look
        assert 0.0 <= had.credited_s - share * cycles * phase_s <= cycles * look_s + 1e-3
    return bench


def test_an_endurance_schedule_has_its_hours_and_cycles(on_machine: Stand, tmp_path: Path) -> None:
    has_its_hours(on_machine, tmp_path, 3, 20.0, 12)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_twenty_hours_have_their_hours_and_cycles(on_machine: Stand, tmp_path: Path) -> None:
    has_its_hours(on_machine, tmp_path, 20, 900.0, 20)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_of_five_hundred_points_none_is_taken_early(on_machine: Stand, tmp_path: Path) -> None:
    taken = 0
    for seed in range(8):
        folder = tmp_path / str(seed)
        folder.mkdir()
        bench = driven(Bench(on_machine, map_of(60, seed), folder, seed=seed), 6000.0)
        truth, done = bench.true_rows(), bench.runner.progress.done
        assert unsteady(on_machine, truth, done) == []
        assert off_target(done, truth) == []
        taken += bench.runner.account.taken
    assert taken >= 500
