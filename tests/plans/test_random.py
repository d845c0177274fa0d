"""Random plans, random troubles: no set-point beyond a limit, none outside RUNNING, none without a person's begin."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchkit.errors import BenchkitError
from benchkit.model.interlock import State, Trigger
from benchkit.model.plans import (
    AfterStop,
    Axis,
    Dwell,
    Expected,
    Mode,
    Order,
    Otherwise,
    Plan,
    Presence,
    Reference,
    Segment,
    SegmentKind,
    Until,
)
from benchkit.model.stand import Stand
from benchkit.plans import asked
from benchkit.plans.bounds import bounds_of
from benchkit.plans.check import plan_problems
from benchkit.plans.progress import Seen
from benchkit.plans.table import BY_A_PERSON, TABLE, UNDER_WAY, Cue, Phase
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.layout import Block
from tests.plans.bench import Bench

STEP_S, ROWS, FACTOR = 0.1, 5, 50.0
STAND = load_stand(shared_path("stands", "airboat_small.toml")).stand
"""The small motor: 40 N·m, 4200 rpm, trips below the big one's."""
BOUNDS = bounds_of(STAND)
REST = {
    "dc_voltage": 400.0, "dc_current": 5.0, "phase_u_current": 10.0, "phase_v_current": 10.0, "phase_w_current": 10.0,
    "ac_power": 500.0, "winding_temp": 50.0, "stator_temp": 45.0, "magnet_temp": 45.0, "junction_temp": 50.0,
    "case_temp": 40.0, "coolant_inlet_temp": 35.0, "coolant_outlet_temp": 37.0, "coolant_flow": 8.0, "air_temp": 20.0,
    "air_pressure": 101325.0, "air_humidity": 0.5, "vibration": 1.0,
}  # fmt: skip


class Quick(Bench):
    """A stand whose drive follows its set-points with one lag: cheap, and deaf or without readings where told."""

    def __init__(self, plan: Plan, folder: Path, start_ns: int = 0, at: tuple[float, float] = (0.0, 0.0)) -> None:
        nothing: Any = SimpleNamespace()
        super().__init__(
            STAND, plan, folder, step_s=STEP_S, factor=FACTOR, rows=ROWS, device=nothing, start_ns=start_ns
        )
        self.wanted = {"speed": 0.0, "torque": 0.0}
        self.speed, self.torque = at
        self.blind = self.deaf = self.has_stopped = False
        names = [channel.name for channel in STAND.channels_of(self.source)]
        self._row = np.array([REST.get(name, 0.0) for name in names])
        self._speed, self._torque = names.index("shaft_speed"), names.index("shaft_torque")
        self._time_s = start_ns * 1e-9 * FACTOR

    def _to_device(self, text: str) -> None:
        words = text.split()
        if words[0] == "stop":
            self.has_stopped = True
            self.wanted = {"speed": 0.0, "torque": 0.0}
            self.ask_protection(self.protection.reply(self.source, f"ok {text}", self.now_ns))
        elif not self.deaf:
            self.wanted[words[1]] = float(words[2])

    def _read(self) -> None:
        rows = np.tile(self._row, (ROWS, 1))
        times = []
        for k in range(ROWS):
            self.now_ns += self._dt_ns
            self._time_s += STEP_S
            self.speed += 0.5 * (self.wanted["speed"] - self.speed)
            self.torque += 0.5 * (self.wanted["torque"] - self.torque)
            rows[k, self._speed], rows[k, self._torque] = self.speed, self.torque
            times.append(self._time_s)
        if self.blind:
            rows[:, self._speed] = np.nan
        arrival_ns = np.arange(ROWS) * self._dt_ns + self.now_ns - (ROWS - 1) * self._dt_ns
        self._last_row_ns = self.now_ns
        self.ask_protection(self.protection.feed(self.source, arrival_ns, rows, self.now_ns))
        t = np.array(times)
        block = Block(time_s=t, arrival_s=t / FACTOR, device_time_s=t, counter=t, values=rows, raw=rows)
        self.runner.add(self.source, block)


# ---------------------------------------------------------------------- random plans


def targets() -> st.SearchStrategy[dict[Axis, float]]:
    """Mostly within the nameplate of the small motor, now and then beyond it."""
    speed = st.floats(0.0, 4600.0).map(lambda v: round(v, 1))
    torque = st.floats(-45.0, 45.0).map(lambda v: round(v, 2))
    return st.one_of(
        speed.map(lambda n: {Axis.SPEED: n}),
        st.tuples(speed, torque).map(lambda pair: {Axis.SPEED: pair[0], Axis.TORQUE: pair[1]}),
        st.tuples(st.floats(0.0, 4000.0), st.floats(-40.0, 40.0)).map(lambda p: {Axis.SPEED: p[0], Axis.TORQUE: p[1]}),
    )


dwells = st.one_of(
    st.floats(0.5, 10.0).map(lambda s: Dwell(Until.TIME, s, 60.0, Otherwise.SKIP)),
    st.sampled_from(list(Otherwise)).map(lambda late: Dwell(Until.TIME, 5.0, 8.0, late)),
    st.sampled_from(list(Otherwise)).map(lambda late: Dwell(Until.STEADY, 2.0, 40.0, late)),
)


@st.composite
def segments(draw: Callable[[Any], Any], name: str) -> Segment:
    kind = draw(st.sampled_from([SegmentKind.POINTS] * 6 + [SegmentKind.COOL, SegmentKind.BY_HAND]))
    after = draw(st.sampled_from(list(AfterStop)))
    if kind is SegmentKind.BY_HAND:
        return Segment(name, kind, instruction="look at the couplings", after_stop=after)
    if kind is SegmentKind.COOL:
        below = draw(st.sampled_from([20.0, 60.0]))
        return Segment(name, kind, (), Dwell(Until.COOL, 0.0, 20.0, Otherwise.SKIP, "winding_temp", below))
    hot = Expected("winding_temp", -50.0, draw(st.sampled_from([40.0, 90.0, 90.0, 90.0])))
    return Segment(
        name,
        kind,
        tuple(draw(st.lists(targets(), min_size=1, max_size=4))),
        draw(dwells),
        order=draw(st.sampled_from(list(Order))),
        repeats=draw(st.integers(1, 2)),
        ramp_s=draw(st.sampled_from([0.0, 0.0, 5.0])),
        after_stop=after,
        rating=draw(st.sampled_from(["", "continuous"])),
        expected=draw(st.sampled_from([(), (hot,)])),
    )


@st.composite
def plans(draw: Callable[[Any], Any]) -> Plan:
    count = draw(st.integers(1, 3))
    point = draw(st.one_of(st.none(), targets()))
    return Plan(
        name="random",
        title="Random",
        revision="1",
        mode=Mode.DRIVE,
        segments=tuple(draw(segments(f"segment_{k}")) for k in range(count)),
        slew={Axis.SPEED: draw(st.sampled_from([100.0, 2000.0])), Axis.TORQUE: draw(st.sampled_from([5.0, 100.0]))},
        tolerance={Axis.SPEED: 15.0, Axis.TORQUE: 2.0},
        presence=Presence(2.0, 0.5, draw(st.sampled_from([None, 1.0]))),
        stop=draw(st.sampled_from(["", "ramp_down", "zero_torque"])),
        reference=None if point is None else Reference(2, point, Dwell(Until.TIME, 1.0, 30.0, Otherwise.SKIP)),
    )


TROUBLES = (
    "trip", "stop", "halt", "leave", "absent", "silent", "blind", "deaf", "kill", "end", "skip", "confirm",
    "present", "reset and start", "abandon", "external action",
)  # fmt: skip
troubles = st.lists(st.tuples(st.integers(0, 20), st.sampled_from(TROUBLES)), max_size=5)


# ---------------------------------------------------------------------- what must hold


class Watch:
    """Looks at every set-point that went out since the last look."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.seen, self.may_move = plan, 0, False
        self.last: dict[str, tuple[float, float]] = {}
        self.begun_s = 0.0

    def begun(self, bench: Quick) -> None:
        """A person has begun: the ramp starts from what is measured."""
        self.may_move, self.last, self.begun_s = True, {}, bench._time_s

    def look(self, bench: Quick) -> None:
        for _, state, name, value in bench.sent[self.seen :]:
            assert state is State.RUNNING
            assert self.may_move, "a set-point without a person's begin"
            bound = BOUNDS[Axis(name)]
            assert bound.low <= value <= bound.high
            measured = bench.runner.measured[Axis(name)]  # where the first ramp begins
            start = min(max(0.0 if np.isnan(measured) else measured, bound.low), bound.high)
            time_s, before = self.last.get(name, (self.begun_s, start))
            most = self.plan.slew[Axis(name)] * (bench._time_s - time_s)
            assert abs(value - before) <= most + 1e-6 * abs(before) + 1e-3
            self.last[name] = (bench._time_s, value)
        self.seen = len(bench.sent)
        if bench.phase not in UNDER_WAY:
            self.may_move = False


def carried_out(plan: Plan, script: list[tuple[int, str]], *, checked: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Quick(plan, Path(folder))
        try:
            bench = _play(bench, plan, script, Path(folder), checked=checked)
        finally:
            bench.close()


def _play(bench: Quick, plan: Plan, script: list[tuple[int, str]], folder: Path, *, checked: bool) -> Quick:
    watch = Watch(plan)
    is_sound = not plan_problems(plan, STAND)
    bench.start()
    bench.step()
    if not _begin(bench, checked=checked):
        assert not is_sound
        assert bench.sent == []
        return bench
    assert is_sound or not checked
    watch.begun(bench)
    for wait, trouble in [*script, (25, "nothing")]:
        for _ in range(wait):
            if trouble != "absent" and bench.runner.progress.is_under_way:
                bench.runner.acknowledge(bench.now_ns, "Ottilie")
            bench.step()
            watch.look(bench)
        bench = _meet(bench, trouble, plan, folder)
        bench.step()
        watch.look(bench)
        if bench.phase is Phase.HELD and wait % 2:
            try:
                bench.begin() if checked else _begin(bench, checked=False)
            except BenchkitError:
                continue
            if bench.runner.progress.is_under_way:
                watch.begun(bench)
    return bench


def _begin(bench: Quick, *, checked: bool) -> bool:
    runner = bench.runner
    try:
        if checked:
            runner.begin(bench.now_ns, "Ottilie")
        else:  # as if nobody had checked: the engine itself sends nothing beyond
            seen = runner._seen(bench.now_ns, 0.0, 0.0)
            runner._take(asked.begin(runner.plan, runner.progress, seen, "Ottilie", runner.following))
    except BenchkitError:
        return False
    return True


def _meet(bench: Quick, trouble: str, plan: Plan, folder: Path) -> Quick:
    """Do something to the plan or its stand; what is refused is refused."""
    runner, now = bench.runner, bench.now_ns
    doing: Mapping[str, Callable[[], object]] = {
        "trip": lambda: bench.ask_protection(bench.protection.external_trip("guard open", now)),
        "external action": lambda: bench.ask_protection(
            bench.protection.external_trip("cable out", now, action="zero_torque")
        ),
        "stop": lambda: bench.ask_protection(bench.protection.request(Trigger.STOP, now, "Ottilie")),
        "halt": lambda: runner.halt(now, "Ottilie"),
        "leave": lambda: runner.leave(now, "Ottilie"),
        "skip": lambda: runner.skip(now, "Ottilie", "no time"),
        "confirm": lambda: runner.confirm(now, "Ottilie", "", passed=True),
        "present": lambda: runner.present(now),
        "abandon": lambda: runner.abandon(now, "Ottilie", "no use"),
        "reset and start": bench.start,
        "silent": lambda: setattr(bench, "silent", not bench.silent),
        "blind": lambda: setattr(bench, "blind", not bench.blind),
        "deaf": lambda: setattr(bench, "deaf", not bench.deaf),
    }
    if trouble in ("kill", "end"):
        bench.close() if trouble == "end" else bench.journal.close()
        again = Quick(plan, folder, bench.now_ns, (bench.speed, bench.torque))
        again._time_s, again.sent = bench._time_s, bench.sent
        assert not again.runner.progress.is_under_way
        return again
    with contextlib.suppress(BenchkitError):
        doing.get(trouble, lambda: None)()
    return bench


SETTINGS = settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


@given(plans(), troubles)
@SETTINGS
def test_no_set_point_beyond_a_limit_none_outside_running_none_without_a_person(
    plan: Plan, script: list[tuple[int, str]]
) -> None:
    carried_out(plan, script, checked=True)


@given(plans(), troubles)
@settings(SETTINGS, max_examples=15)
def test_the_engine_sends_nothing_beyond_even_unchecked(plan: Plan, script: list[tuple[int, str]]) -> None:
    carried_out(plan, script, checked=False)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@given(plans(), troubles, st.booleans())
@settings(SETTINGS, max_examples=5000)
def test_five_thousand_random_plans_and_troubles(plan: Plan, script: list[tuple[int, str]], checked: bool) -> None:
    carried_out(plan, script, checked=checked)


# ---------------------------------------------------------------------- the table


def test_only_a_person_leaves_held_and_the_beginning() -> None:
    for (phase, cue), following in TABLE.items():
        if following in UNDER_WAY and phase not in UNDER_WAY:
            assert cue in BY_A_PERSON
    assert {phase for phase, cue in TABLE if cue is Cue.STOP} == set(UNDER_WAY)
    assert all(TABLE[phase, Cue.STOP] is Phase.HELD for phase in UNDER_WAY)
    assert not [key for key in TABLE if key[0] in (Phase.DONE, Phase.ABANDONED)]
    assert Seen(0.0, 0.0, State.RUNNING).is_fresh
    assert isinstance(STAND, Stand)
