"""Lead mode, gates, approvals, skips, longest waits and presence, one by one, with values made by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from benchkit.analysis.steady_live import SteadyNow
from benchkit.errors import RefusedError
from benchkit.model.interlock import State
from benchkit.model.plans import (
    Axis,
    Dwell,
    Gate,
    Mode,
    Order,
    Otherwise,
    Outcome,
    Plan,
    Presence,
    Segment,
    SegmentKind,
    StepKind,
    StopCause,
    Until,
)
from benchkit.model.stand import Stand
from benchkit.plans import asked
from benchkit.plans.bounds import Bound
from benchkit.plans.engine import acknowledgement_due_s, advance
from benchkit.plans.entries import EntryKind
from benchkit.plans.generate import Frame
from benchkit.plans.progress import Progress, Seen, SetPoints, SteadyAnew, StopStand, Turn
from benchkit.plans.sequence import InOrder, ordered
from benchkit.plans.table import Cue, Phase, mermaid, moved
from benchkit.profiles import load_stand, shared_path
from tests.plans.bench import Bench

BOUNDS = {axis: Bound(-1e6, 1e6, "", "") for axis in Axis}
POINT = {Axis.SPEED: 1000.0}
STILL = SteadyNow(0.0, 0.2, True, 0.0)
MOVING = SteadyNow(0.0, 3.0, False, 10.0)


def plan_of(dwell: Dwell, mode: Mode = Mode.LEAD, points: int = 2, **more: object) -> Plan:
    targets = tuple({Axis.SPEED: 1000.0 + 100.0 * k} for k in range(points))
    return Frame(mode=mode, slew={Axis.SPEED: 100.0}).plan(
        "p", "P", [Segment("s", SegmentKind.POINTS, targets, dwell)], **more
    )


def seen(time_s: float, speed: float, steady: SteadyNow = MOVING, **more: object) -> Seen:
    at = Seen(time_s, time_s, State.RUNNING, {Axis.SPEED: speed}, {}, 0.1, 0.1, steady)
    return replace(at, **more)  # type: ignore[arg-type]  # fields of Seen


class Walk:
    """A plan and its progress; ``look`` advances it and returns what came."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.following, self.progress = plan, InOrder(plan), Progress()

    def take(self, turn: Turn) -> Turn:
        self.progress = turn.progress
        return turn

    def begin(self, at: Seen) -> Turn:
        return self.take(asked.begin(self.plan, self.progress, at, "Ottilie", self.following))

    def look(self, at: Seen) -> Turn:
        return self.take(advance(self.plan, self.progress, at, BOUNDS, self.following))

    def kinds(self, at: Seen) -> list[EntryKind]:
        return [entry.kind for entry in self.look(at).entries]


STEADY = Dwell(Until.STEADY, 1.0, 60.0, Otherwise.SKIP)


def test_lead_mode_waits_for_the_operator_judges_and_keeps_count() -> None:
    walk = Walk(plan_of(STEADY))
    walk.begin(seen(0.0, 0.0))
    assert walk.kinds(seen(1.0, 500.0)) == []
    turn = walk.look(seen(2.0, 1010.0))
    assert [entry.kind for entry in turn.entries] == [EntryKind.ARRIVED]
    assert turn.orders == (SteadyAnew(),)  # what was still before belongs to another set-point
    assert walk.kinds(seen(3.0, 1001.0)) == []
    assert walk.kinds(seen(4.0, 1001.0, STILL)) == [EntryKind.SETTLED]
    assert walk.kinds(seen(4.5, 1001.0, STILL, rows_s=0.5, good_s=0.5)) == []
    turn = walk.look(seen(5.1, 1001.0, STILL, rows_s=0.6, good_s=0.6))
    assert [entry.kind for entry in turn.entries] == [EntryKind.TAKEN, EntryKind.STEP]
    (one,) = walk.progress.done
    assert (one.outcome, one.from_s, one.to_s) == (Outcome.TAKEN, 4.0, 5.1)
    assert one.means[Axis.SPEED] == pytest.approx(1001.0)
    assert walk.progress.step is not None
    assert walk.progress.step.target == {Axis.SPEED: 1100.0}
    assert not any(isinstance(order, SetPoints) for order in turn.orders)  # a person sets


def test_a_reading_that_moves_or_leaves_its_band_begins_anew() -> None:
    for bad in (
        seen(5.0, 1001.0, MOVING),
        seen(5.0, 1001.0, STILL, good_s=0.05),
        seen(5.0, math.nan, STILL, good_s=0.0),
    ):
        walk = Walk(plan_of(STEADY))
        walk.begin(seen(0.0, 1000.0))
        walk.look(seen(1.0, 1000.0))
        assert walk.kinds(seen(4.0, 1000.0, STILL)) == [EntryKind.SETTLED]
        assert walk.kinds(bad) == [EntryKind.UNSETTLED]
        assert walk.progress.good_s == 0.0
        assert walk.progress.phase is Phase.SETTLING


@pytest.mark.parametrize("late", [Otherwise.SKIP, Otherwise.STOP])
def test_a_longest_wait_leaves_the_point_out_or_stops(late: Otherwise) -> None:
    walk = Walk(plan_of(replace(STEADY, otherwise=late), Mode.DRIVE))
    walk.begin(seen(0.0, 1000.0))
    walk.look(seen(0.1, 1000.0))
    walk.look(seen(0.2, 1000.0))
    arrived_s = walk.progress.arrived_s
    assert walk.kinds(seen(arrived_s + 60.0, 1000.0)) == []
    turn = walk.look(seen(arrived_s + 60.1, 1000.0))
    if late is Otherwise.SKIP:
        assert turn.entries[0].kind is EntryKind.SKIPPED
        assert walk.progress.done[0].cause == "not within 60 s"
    else:
        assert turn.orders == (StopStand(StopCause.NOT_IN_TIME, "not within 60 s"),)
        assert walk.progress.phase is Phase.HELD


def test_the_operator_is_asked_for_in_time_and_missed_in_time() -> None:
    presence = Presence(100.0, 20.0, 5.0)
    walk = Walk(replace(plan_of(STEADY, Mode.DRIVE), presence=presence))
    walk.begin(seen(0.0, 1000.0))
    assert acknowledgement_due_s(walk.plan, walk.progress, 90.0) == 10.0
    walk.look(seen(1.0, 1000.0, host_s=120.0))
    assert walk.progress.is_under_way  # at the edge
    walk.take(asked.acknowledge(walk.progress, seen(1.0, 1000.0, host_s=120.0), "Ottilie"))
    walk.look(seen(2.0, 1000.0, host_s=240.0))
    assert walk.progress.is_under_way
    turn = walk.look(seen(3.0, 1000.0, host_s=240.1))
    assert turn.orders == (StopStand(StopCause.ACKNOWLEDGEMENT, "none for 120 s"),)
    walk.begin(seen(4.0, 1000.0, host_s=300.0))
    walk.progress = asked.present(walk.progress, seen(4.0, 1000.0, host_s=300.0))
    walk.look(seen(5.0, 1000.0, host_s=305.0))
    assert walk.progress.is_under_way
    walk.look(seen(6.0, 1000.0, host_s=305.2))
    assert walk.progress.cause is StopCause.OPERATOR


def test_a_point_is_left_out_with_reason_and_name() -> None:
    walk = Walk(plan_of(STEADY))
    walk.begin(seen(0.0, 0.0))
    with pytest.raises(RefusedError, match="no reason or no name"):
        asked.skip(walk.plan, walk.progress, seen(1.0, 0.0), "Ottilie", "", walk.following)
    walk.take(asked.skip(walk.plan, walk.progress, seen(1.0, 0.0), "Ottilie", "too hot today", walk.following))
    assert walk.progress.done[0].cause == "too hot today (Ottilie)"
    walk.take(asked.skip(walk.plan, walk.progress, seen(2.0, 0.0), "Ottilie", "and this", walk.following))
    assert walk.progress.phase is Phase.DONE


def where(bench: Bench) -> str:
    """Where its plan stands."""
    return bench.phase.value


def test_a_gate_is_passed_by_its_approver_alone_and_motion_begins_anew(tmp_path: Path) -> None:
    gate = Gate("guard closed", "no trip", "test lead")
    dwell = Dwell(Until.TIME, 1.0, 60.0, Otherwise.SKIP)
    rung = Segment("no_load", SegmentKind.POINTS, ({Axis.SPEED: 300.0, Axis.TORQUE: 5.0},), dwell, gate=gate)
    stand: Stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    bench = Bench(stand, Frame().plan("rung", "Rung", [rung]), tmp_path)
    runner = bench.runner
    bench.begin()
    assert where(bench) == "awaiting"
    for _ in range(5):
        bench.step()
    assert bench.protection.state is not State.RUNNING  # nobody works on what turns
    with pytest.raises(RefusedError, match="not the one who decides"):
        runner.confirm(bench.now_ns, "Ottilie", "", passed=True)
    runner.confirm(bench.now_ns, "Jorunn", "test lead", passed=False)
    assert where(bench) == "awaiting"
    runner.confirm(bench.now_ns, "Jorunn", "test lead", passed=True)
    assert where(bench) == "held"
    assert bench.sent == []
    bench.begin()
    bench.run(60.0)
    assert where(bench) == "awaiting"
    step = runner.progress.step
    assert step is not None
    assert (step.kind, step.instruction) == (StepKind.BY_HAND, "Pass test: no trip")
    runner.confirm(bench.now_ns, "Jorunn", "test lead", passed=True)
    assert where(bench) == "done"
    bench.close()
    assert runner.account.confirmed == 2
    told = [message for _, message, data in bench.events if data.get("entry") == "not_passed"]
    assert told == ["plan not passed: no_load, by hand 1 of 2: not passed, Jorunn"]


def test_temperatures_are_judged_anew_where_the_set_points_stay() -> None:
    dwell = Dwell(Until.THERMAL, 1.0, 600.0, Otherwise.SKIP)
    warm = Segment("warm", SegmentKind.POINTS, (POINT,), dwell)
    plan = plan_of(Dwell(Until.TIME, 0.1, 60.0, Otherwise.SKIP), Mode.DRIVE, points=1)
    walk = Walk(replace(plan, segments=(*plan.segments, warm)))
    walk.begin(seen(0.0, 1000.0))
    turn = walk.look(seen(0.1, 1000.0))
    while not walk.progress.done:
        turn = walk.look(seen(walk.progress.looked_s + 0.1, 1000.0))
    assert turn.orders == (SteadyAnew(),)


def test_up_down_and_both() -> None:
    points = [{Axis.SPEED: n} for n in (2.0, 1.0, 3.0)]

    def speeds(order: Order) -> list[float]:
        return [point[Axis.SPEED] for point in ordered(points, order)]

    assert speeds(Order.AS_WRITTEN) == [2.0, 1.0, 3.0]
    assert speeds(Order.UP) == [1.0, 2.0, 3.0]
    assert speeds(Order.DOWN) == [3.0, 2.0, 1.0]
    assert speeds(Order.UP_AND_DOWN) == [1.0, 2.0, 3.0, 2.0, 1.0]


def test_a_ramp_is_no_faster_than_the_slew_and_than_its_own_time() -> None:
    for ramp_s, longest in ((0.0, 100.0), (20.0, 50.0)):  # exact: 100 rpm/s; 1000 rpm in 20 s are 50 rpm/s
        plan = plan_of(STEADY, Mode.DRIVE, points=1)
        walk = Walk(replace(plan, segments=(replace(plan.segments[0], ramp_s=ramp_s),)))
        walk.begin(seen(0.0, 0.0))
        sent: list[tuple[float, float]] = [(0.0, 0.0)]
        for k in range(1, 300):
            time_s = 0.1 * k
            for order in walk.look(seen(time_s, sent[-1][1])).orders:
                if isinstance(order, SetPoints):
                    sent.append((time_s, order.target[Axis.SPEED]))
        rates = [(b - a) / (t - s) for (s, a), (t, b) in pairwise(sent)]
        assert max(rates) == pytest.approx(longest, rel=1e-6)
        assert sent[-1][1] == 1000.0


def test_what_the_table_does_not_hold_is_refused() -> None:
    walk = Walk(plan_of(STEADY))
    with pytest.raises(RefusedError, match="'confirm' is refused while the plan is loaded"):
        asked.confirm(walk.plan, walk.progress, seen(0.0, 0.0), "Ottilie", "", True, walk.following)
    walk.begin(seen(0.0, 0.0))
    with pytest.raises(RefusedError, match="'begin' is refused while the plan is moving"):
        walk.begin(seen(0.0, 0.0))
    with pytest.raises(RefusedError, match="nothing, it is over"):
        moved(Phase.DONE, Cue.RESUME)
    assert "held --> moving: resume" in mermaid()
