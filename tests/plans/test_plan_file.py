"""Plan files: every fault listed with its key and segment; what is written is read back; what the generators make."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchkit.errors import ProfileError, UsageError
from benchkit.model.plans import AfterStop, Axis, Mode, Order, Plan, StepKind, Until
from benchkit.model.stand import Stand
from benchkit.plans.check import plan_problems
from benchkit.plans.generate import (
    Frame,
    Phase,
    endurance_plan,
    firmware_plan,
    heat_plan,
    map_plan,
    step_plan,
    sweep_plan,
)
from benchkit.plans.ladder import ladder_plan
from benchkit.plans.sequence import steps_of, time_left_s
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_file import load_plan, plan_from
from benchkit.profiles.plan_text import plan_toml

GOOD = """
[plan]
name = "morning"
title = "Morning check"
revision = "2"
mode = "drive"
stop = "ramp_down"
approvals = ["test lead"]

[presence]
acknowledge_every = { value = 10.0, unit = "min" }
within = { value = 30.0, unit = "s" }

[slew]
speed_rpm_s = 200.0
torque_nm_s = 20.0

[tolerance]
speed = { value = 0.25, unit = "Hz" }
torque = { value = 2.0, unit = "N·m" }

[reference]
every = 2
speed = { value = 1000.0, unit = "rpm" }
torque = { value = 20.0, unit = "N·m" }

[reference.dwell]
until = "steady"
time = { value = 5.0, unit = "s" }
longest = { value = 1.0, unit = "min" }
otherwise = "skip"

[[segments]]
name = "points"
kind = "points"
speed = { values = [25.0, 50.0, 40.0], unit = "Hz" }
torque = { values = [10.0], unit = "N·m" }
order = "up_and_down"
repeats = 2
after_stop = "repeat"
rating = "continuous"
ramp = { value = 10.0, unit = "s" }
expected = [{ channel = "winding_temp", high = { value = 110.0, unit = "°C" } }]

[segments.dwell]
until = "time"
time = { value = 1.0, unit = "min" }
longest = { value = 5.0, unit = "min" }
otherwise = "stop"

[[segments]]
name = "rest"
kind = "cool"

[segments.dwell]
until = "cool"
channel = "winding_temp"
below = { value = 50.0, unit = "°C" }
longest = { value = 30.0, unit = "min" }
otherwise = "skip"

[[segments]]
name = "look"
kind = "by_hand"
instruction = "Look at the couplings"
"""


@pytest.fixture(scope="module")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


@pytest.fixture(scope="module")
def small() -> Stand:
    return load_stand(shared_path("stands", "airboat_small.toml")).stand


def read(text: str, stand: Stand, folder: Path) -> Plan:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path, stand)


def test_a_plan_is_read_in_bench_units(stand: Stand, tmp_path: Path) -> None:
    plan = read(GOOD, stand, tmp_path)
    assert (plan.mode, plan.approvals, len(plan.sha256)) == (Mode.DRIVE, ("test lead",), 64)
    assert plan.tolerance == {Axis.SPEED: 15.0, Axis.TORQUE: 2.0}  # exact: a quarter of a turn a second
    points = plan.segments[0]
    assert points.points[0] == {Axis.SPEED: 1500.0, Axis.TORQUE: 10.0}
    assert points.dwell is not None
    assert (points.dwell.time_s, points.dwell.longest_s) == (60.0, 300.0)
    assert (points.order, points.repeats, points.after_stop) == (Order.UP_AND_DOWN, 2, AfterStop.REPEAT)
    steps = steps_of(plan)
    first = [step for step in steps if step.segment == "points" and step.turn == 1]
    speeds = [(step.kind.value, step.target[Axis.SPEED]) for step in first]
    # up and down with the top once, the reference before every second point and at the end
    assert speeds == [
        ("reference", 1000.0), ("point", 1500.0), ("point", 2400.0), ("reference", 1000.0), ("point", 3000.0),
        ("point", 2400.0), ("reference", 1000.0), ("point", 1500.0), ("reference", 1000.0),
    ]  # fmt: skip
    assert [step.index for step in steps] == list(range(len(steps)))
    assert steps[-2].target == {Axis.SPEED: 0.0, Axis.TORQUE: 0.0}  # a rest stands still
    assert steps[-1].kind is StepKind.BY_HAND
    assert plan_problems(plan, stand) == []


FAULTS = {
    'mode = "drive"': ('mode = "drives"', "plan.mode: not one of the known words"),
    'stop = "ramp_down"': ('stop = "ramp_down"\nspeed = 3', "plan.speed: unknown key"),
    'speed = { value = 0.25, unit = "Hz" }': (
        'speed = { value = 0.25, unit = "V" }',
        "tolerance.speed.unit: 'V' is not a unit",
    ),
    'torque = { values = [10.0], unit = "N·m" }': (
        'torque = { values = [10.0, 20.0], unit = "N·m" }',
        "segments.0 (points).torque.values: not as many as the others",
    ),
    ', high = { value = 110.0, unit = "°C" }': ("", "segments.0 (points).expected.0: neither low nor high"),
    'channel = "winding_temp"\n': (
        'channel = "winding_tmp"\n',
        "segments.1 (rest).dwell.channel: no channel of that name",
    ),
    'below = { value = 50.0, unit = "°C" }\n': ("", "segments.1 (rest).dwell.below: missing"),
    'kind = "cool"': ('kind = "points"', "segments.1 (rest): no set-points"),
    'instruction = "Look at the couplings"': ("repeats = 0", "segments.2 (look).repeats"),
    'name = "look"': ('name = "rest"', "two segments of one name (got 'rest')"),
}


def test_every_fault_is_listed_with_its_key_and_segment(stand: Stand, tmp_path: Path) -> None:
    for old, (new, words) in FAULTS.items():
        assert GOOD.count(old) == 1, old
        with pytest.raises(ProfileError) as caught:
            read(GOOD.replace(old, new), stand, tmp_path)
        assert words in str(caught.value), str(caught.value)
    together, chosen = GOOD, [item for item in FAULTS.items() if "look" not in item[0].lower()]
    for old, (new, _) in chosen:
        together = together.replace(old, new)
    with pytest.raises(ProfileError) as caught:
        read(together, stand, tmp_path)
    assert [words for _, (_, words) in chosen if words not in str(caught.value)] == []


def made(stand: Stand, small: Stand) -> dict[str, tuple[Plan, Stand]]:
    frame = Frame(approvals=("test lead",))
    load = {Axis.SPEED: 2000.0, Axis.TORQUE: 60.0}
    phases = [
        Phase("idle", {Axis.SPEED: 800.0, Axis.TORQUE: 5.0}, 300.0, "idle"),
        Phase("climb", load, 600.0, "take-off"),
    ]
    return {
        "map": (map_plan(frame, [1000.0, 2000.0, 3000.0], [20.0, 40.0, 60.0, 80.0], seed=5), stand),
        "sweep": (sweep_plan(frame, [1000.0, 2000.0]), stand),
        "heat": (
            heat_plan(
                frame, load, temperatures=["winding_temp"], cool_below_c=50.0, expected_c={"winding_temp": 120.0}
            ),
            stand,
        ),
        "steps": (step_plan(frame, Axis.TORQUE, [10.0, 40.0, 80.0], {Axis.SPEED: 1500.0}), stand),
        "blocks": (firmware_plan(frame, [load, {Axis.SPEED: 1000.0, Axis.TORQUE: 20.0}], load, days=2), stand),
        "endurance": (endurance_plan(frame, phases, 3), stand),
        "ladder": (ladder_plan(frame, small), small),
    }


def test_what_the_generators_make_is_sound_and_comes_back_from_its_file(stand: Stand, small: Stand) -> None:
    for name, (plan, on) in made(stand, small).items():
        assert plan_problems(plan, on) == [], name
        assert plan_from(tomllib.loads(plan_toml(plan, on)), name, on) == plan


def test_a_map_is_dealt_into_blocks_that_each_go_over_the_whole_map(stand: Stand) -> None:
    speeds, torques = [500.0 * k for k in range(1, 7)], [10.0 * k for k in range(1, 11)]
    plan = map_plan(Frame(), speeds, torques, blocks=3, seed=7)
    all_points = Counter((p[Axis.SPEED], p[Axis.TORQUE]) for segment in plan.segments for p in segment.points)
    assert all_points == Counter((n, m) for n in speeds for m in torques)
    for segment in plan.segments:
        assert len(segment.points) == 20
        assert {p[Axis.SPEED] for p in segment.points} == set(speeds)
        assert {p[Axis.TORQUE] for p in segment.points} == set(torques)
        assert list(segment.points) != sorted(segment.points, key=lambda p: tuple(p.values()))
    assert map_plan(Frame(), speeds, torques, blocks=3, seed=7) == plan
    assert map_plan(Frame(), speeds, torques, blocks=3, seed=8) != plan
    with pytest.raises(UsageError, match="no more blocks than those"):
        map_plan(Frame(), [1000.0], [10.0], blocks=2)


def test_firmware_blocks_follow_the_comparison_planner(stand: Stand, small: Stand) -> None:
    plan, _ = made(stand, small)["blocks"]
    runs = [segment.rating[-1] for segment in plan.segments if segment.rating]
    assert "".join(runs) == "ABBABAAB"  # the second day is turned round
    assert [segment.kind.value for segment in plan.segments[:3]] == ["by_hand", "points", "points"]


def test_the_ladder_has_a_gate_on_every_rung_and_an_order(small: Stand) -> None:
    plan = ladder_plan(Frame(), small)
    assert [segment.name for segment in plan.segments] == [
        "dead_checks", "low_voltage", "locked_rotor", "open_loop_spin", "no_load", "load", "overload", "soak",
        "fault_injection", "big_motor", "propeller",
    ]  # fmt: skip
    for segment in plan.segments:
        assert segment.gate is not None
        assert segment.gate.entry
        assert segment.gate.passes
        assert segment.gate.approver == "test lead"
    steps = steps_of(plan)
    entry = [step for step in steps if step.instruction.startswith("Entry condition")]
    assert len(entry) == 11
    # no set-point comes before the entry condition of its rung has been confirmed
    for step in steps:
        if step.kind is not StepKind.BY_HAND:
            assert any(one.segment == step.segment and one.index < step.index for one in entry)


def test_the_time_left_has_a_least_and_a_longest(stand: Stand) -> None:
    plan = sweep_plan(Frame(), [1000.0, 2000.0], read_s=10.0, longest_s=90.0)
    steps = steps_of(plan)
    # exact: 1000 rpm at 200 rpm/s and 10 s window and 10 s reading; then 1000 rpm further; then back
    assert time_left_s(plan, steps, {}, lambda _: 10.0) == pytest.approx((75.0, 75.0, 285.0))
    assert time_left_s(plan, steps, {}, lambda _: 10.0, {Until.STEADY: 35.0})[1] == pytest.approx(3 * 5.0 + 3 * 35.0)
    assert time_left_s(plan, steps, {}, lambda _: 10.0, {Until.THERMAL: 35.0})[1] == pytest.approx(75.0)
    assert all(step.dwell is not None and step.dwell.until is Until.STEADY for step in steps)


anything = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)


@given(st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_in_a_file_the_faults_are_listed(stand: Stand, data: st.DataObject) -> None:
    mapping = tomllib.loads(GOOD)
    for _ in range(data.draw(st.integers(1, 3))):
        holder: Any = mapping
        while True:
            key = data.draw(st.sampled_from(list(holder) if isinstance(holder, dict) else list(range(len(holder)))))
            if isinstance(holder[key], dict | list) and holder[key] and data.draw(st.booleans()):
                holder = holder[key]
                continue
            holder[key] = data.draw(anything)
            break
    problems: Sequence[object] = ()
    try:
        problems = plan_problems(plan_from(mapping, "plan.toml", stand), stand)
    except ProfileError as error:
        problems = error.problems
    assert all(str(problem) for problem in problems)
