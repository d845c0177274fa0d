"""A plan inside the recorder: rows and requests in, set-points and stops out, every entry into journal and run.

The engine (:mod:`benchkit.plans`) decides; here is what it may not have: the clock, the links, the journal. It is
looked at behind everything that protects, a hundred times a second, and never waits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import takewhile
from typing import Protocol

import numpy as np

from benchkit.analysis.steady_live import RunningSteadiness
from benchkit.analysis.stillness import band_of
from benchkit.errors import RefusedError
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import Limit
from benchkit.model.plans import AXIS_ROLE, Axis, Mode, Plan, Step, StopCause, Until
from benchkit.model.samples import FloatArray
from benchkit.model.stand import Role, Stand, ThermalSteadiness
from benchkit.plans import asked
from benchkit.plans.account import account_data, account_of, applied, asked_data, time_within
from benchkit.plans.bounds import bounds_of
from benchkit.plans.check import plan_problems
from benchkit.plans.engine import advance, counted
from benchkit.plans.entries import Entry, EntryKind
from benchkit.plans.progress import Progress, Seen, SetPoints, SteadyAnew, StopStand, Turn, stop
from benchkit.plans.restored import restored
from benchkit.plans.sequence import InOrder, NextPoint
from benchkit.protect.outcomes import Outcome
from benchkit.protect.protection import Protection
from benchkit.runfile.layout import Block, joined
from benchkit.runfile.plan_journal import PlanJournal, Tally, untold
from benchkit.session.plan_status import PlanStatus
from benchkit.session.plan_telling import status_of_plan, time_left

LOOK_EVERY_NS = 10_000_000
LINE_EVERY_NS = 1_000_000_000
"""A line of time goes into the journal so often."""
FORECAST_EVERY_NS = 1_000_000_000
"""The time that is left is worked out so often."""
LONGEST_GAP_S = 1.0
"""A longer gap between two rows counts for no time [s of the stand]."""
UNTOLD = (EntryKind.TIME, EntryKind.ARRIVED, EntryKind.ACKNOWLEDGED)
"""Entries that the event log of the run is spared."""


class Hands(Protocol):
    """What the recorder does for a plan."""

    def send_set_point(self, source: str, text: str, data: Mapping[str, JsonValue]) -> bool: ...
    def ask_protection(self, outcomes: Sequence[Outcome]) -> None: ...
    def note(self, kind: EventKind, message: str, data: Mapping[str, JsonValue] | None = None) -> None: ...


def set_point_source(stand: Stand) -> tuple[str, str] | None:
    """Name and command text of the source that takes set-points; None where none does."""
    for source in stand.sources.values():
        if source.set_point_command is not None:
            return source.name, source.set_point_command
    return None


def set_point_text(command: str, name: str, value: float) -> str:
    """The command line for one set-point."""
    return command.replace("{name}", name).replace("{value}", f"{value:.10g}")


class PlanRunner:
    """One plan in one recording. ``fresh`` says whether the values of a source are no older than the stand allows,
    ``is_edited`` that the file of the plan is another one by now, ``notice`` what else a person should know.

    A plan that was under way when its last recording was cut off is stopped here, with that cause.
    """

    def __init__(
        self,
        plan: Plan,
        stand: Stand,
        journal: PlanJournal,
        run_id: str,
        protection: Protection,
        hands: Hands,
        fresh: Callable[[str], bool],
        following: NextPoint | None = None,
        is_edited: Callable[[], str] = str,
        notice: str = "",
    ) -> None:
        self.plan, self.stand, self.journal = plan, stand, journal
        self.is_edited, self.notice = is_edited, notice
        self._protection, self._hands, self._fresh = protection, hands, fresh
        in_order = InOrder(plan)
        self.steps = in_order.steps
        self.following: NextPoint = following or in_order
        self._limits: tuple[Limit, ...] | None = None
        self._follow_limits()
        self._run_id = run_id
        self._axes = {
            axis: channel.name for axis, role in AXIS_ROLE.items() if (channel := stand.channel_for(role)) is not None
        }
        speed = stand.channel_for(Role.SPEED)
        held = stand.steadiness.channels
        self.source = stand.channels[held[0]].source if held else speed.source if speed else next(iter(stand.sources))
        self._thermal: ThermalSteadiness | None = None
        self.steady = self._steadiness(None)
        self._names = {source: tuple(c.name for c in stand.channels_of(source)) for source in stand.sources}
        self._blocks: list[tuple[Block, bool]] = []
        """Rows since the last look, and whether they came while the stand did what the plan asks."""
        self._channels: dict[str, float] = {}
        self._last_rows: dict[str, FloatArray] = {}
        self.measured: dict[Axis, float] = {}
        self._last_s = math.nan
        self._next_look = self._next_line = self._next_forecast = 0
        self.left_s = (math.nan, math.nan, math.nan)
        """Least, likely and longest time that is left, as of the last second."""
        self._pending = Tally()
        self._unsent = ""
        """The set-point that the link did not take; empty while all went out."""
        self.is_closed = False
        self.account = account_of(journal.entries)
        self.progress = Progress()
        self._known = {step.index: step for step in self.steps}
        self._now_ns = 0
        self._take_up()

    def _follow_limits(self) -> None:
        """A set point may be moved while a plan runs: the bounds are those of the limits in force."""
        limits = self._protection.limits
        if limits is not self._limits:
            self._limits = limits
            self.stand = replace(self.stand, limit_set=replace(self.stand.limit_set, limits=limits))
            self.bounds = bounds_of(self.stand)

    # -- beginning and end

    def _take_up(self) -> None:
        """What the last recording left: time that only the tally has, and a plan that was under way."""
        entries = list(self.journal.entries)
        rest = untold(self.account, self.journal.tally)
        if rest is not None and entries:
            entries.append(self._time_entry(rest))
            self._write(entries[-1:])
        self.progress = restored(entries, self.steps)
        if self.progress.is_under_way:
            if self.progress.step is None:  # it ended between two steps
                self.progress = replace(self.progress, step=self.following(self.plan, self.progress.done))
            turn = stop(self.plan, self.progress, Seen(math.nan, math.nan, State.STANDBY), StopCause.CUT_OFF)
            self.progress = turn.progress
            self._write(turn.entries)
        opened: dict[str, JsonValue] = {"run": self._run_id, "plan": self.plan.name, "sha256": self.plan.sha256}
        opened |= {"title": self.plan.title, "revision": self.plan.revision, "mode": self.plan.mode.value}
        opened["steps"] = len(self.steps)
        opened |= asked_data(self.steps)
        if self.notice:
            opened["notice"] = self.notice
        self._write([Entry(EntryKind.OPENED, math.nan, f"plan {self.plan.name}: {self.plan.title}", opened)])

    def close(self, now_ns: int) -> None:
        """The recording ends: a plan that is under way is stopped, the account is told, the journal is let go."""
        if self.progress.is_under_way:
            self._now_ns = now_ns
            self._count_up(now_ns)
            self._take(stop(self.plan, self.progress, self._seen(now_ns, 0.0, 0.0), StopCause.CLOSED))
        self._flush()
        self.tell_account()
        self.is_closed = True
        self.journal.close()

    # -- what comes

    def add(self, source: str, block: Block) -> None:
        """Rows of a source with their sample times."""
        if not len(block):
            return
        self._last_rows[source] = block.values[-1]
        if source == self.source:
            self._blocks.append((block, self._is_obeyed))

    @property
    def _is_obeyed(self) -> bool:
        """False from a trip on, in drive mode outside RUNNING: such rows count for no time, however well they hold."""
        state = self._protection.state
        return state is State.RUNNING if self.plan.mode is Mode.DRIVE else state is not State.TRIPPED

    def turn(self, now_ns: int) -> None:
        """One look, at most a hundred times a second."""
        if now_ns < self._next_look or self.is_closed:
            return
        self._next_look, self._now_ns = now_ns + LOOK_EVERY_NS, now_ns
        self._follow_limits()
        rows_s, good_s = self._look()
        before = self.progress
        if not before.is_under_way:
            return
        seen = self._seen(now_ns, rows_s, good_s)
        try:
            if self.journal.fault is not None:
                raise RefusedError(self.journal.fault)  # what is not written down does not count: it is not run either
            if self._unsent:  # a throttle is held when it was sent: what did not go out must not look held
                raise RefusedError(self._unsent)
            turn = advance(self.plan, before, seen, self.bounds, self.following)
        except RefusedError as error:
            turn = stop(self.plan, before, seen, StopCause.FAULT, str(error))
        except Exception as error:  # noqa: BLE001 - whatever it is: the loop that protects must not end with it
            turn = stop(self.plan, before, seen, StopCause.FAULT, f"{type(error).__name__}: {error}")
        self._count(rows_s, turn)
        self._take(turn)
        if now_ns >= self._next_line:
            self._next_line = now_ns + LINE_EVERY_NS
            self._flush()
        self._note_tally()

    def _count_up(self, now_ns: int) -> None:
        """Rows that came before a request belong to what it ends."""
        if self.progress.is_under_way:
            rows_s, good_s = self._look()
            turn = counted(self.progress, self._seen(now_ns, rows_s, good_s))
            self._count(rows_s, turn)
            self.progress = turn.progress

    def _look(self) -> tuple[float, float]:
        """Take the rows that have come: time that they cover, and how much of it was within tolerance."""
        blocks, self._blocks = self._blocks, []
        for source, row in self._last_rows.items():
            self._channels.update(zip(self._names[source], row.tolist(), strict=True))
        self._last_rows = {}
        for source, names in self._names.items():
            if source != self.source and not self._fresh(source):  # an old value is none: it would look very steady
                self._channels.update(dict.fromkeys(names, math.nan))
        if not blocks:
            return 0.0, 0.0
        counts = sum(len(block) for block, _ in takewhile(lambda one: one[1], blocks))
        block = blocks[0][0] if len(blocks) == 1 else joined([block for block, _ in blocks])
        step, names = self.progress.step, self._names[self.source]
        columns = {axis: block.values[:, names.index(name)] for axis, name in self._axes.items() if name in names}
        self.measured = {axis: _mean(column) for axis, column in columns.items()}
        target, bands = ({}, {}) if step is None else (step.target, step.tolerance)
        last_s = self._last_s if math.isfinite(self._last_s) else float(block.time_s[0])
        self._last_s = float(block.time_s[-1])
        self._feed_steady(block, names)
        held = {axis: column[:counts] for axis, column in columns.items()}
        return time_within(block.time_s[:counts], held, target, bands, last_s, LONGEST_GAP_S)

    def _steadiness(self, step: Step | None) -> RunningSteadiness:
        """A new running steadiness; temperatures are judged where the step waits for them: that costs milliseconds."""
        rules = self.stand.steadiness
        dwell = None if step is None else step.dwell
        waits = dwell is not None and dwell.until is Until.THERMAL
        self._thermal = (self.plan.thermal or rules.thermal) if waits else None
        bands = [band_of(self.stand, name) for name in rules.channels]
        return RunningSteadiness(bands, rules.dwell_s, rules.stabilise_s, self._thermal)

    def _feed_steady(self, block: Block, names: Sequence[str]) -> None:
        held = [names.index(name) for name in self.stand.steadiness.channels]
        temps: FloatArray | None = None
        if self._thermal is not None:
            columns = [
                block.values[:, names.index(name)]
                if name in names
                else np.full(len(block), self._channels.get(name, math.nan))
                for name in self._thermal.channels
            ]
            temps = np.column_stack(columns)
        self.steady.feed(block.time_s, block.values[:, held], temps)

    def _count(self, rows_s: float, turn: Turn) -> None:
        step = -1 if self.progress.step is None else self.progress.step.index
        p = self._pending
        self._pending = Tally(p.way_s + rows_s, p.read_s + turn.read_s, p.good_s + turn.good_s, step)

    def _seen(self, now_ns: int, rows_s: float, good_s: float) -> Seen:
        return Seen(
            time_s=self._last_s,
            host_s=now_ns * 1e-9,
            state=self._protection.state,
            measured=self.measured,
            channels=self._channels,
            rows_s=rows_s,
            good_s=good_s,
            steady=self.steady.now,
            is_fresh=math.isfinite(self._last_s) and self._fresh(self.source),
            tripped_by=str(self._protection.first_out or ""),
        )

    # -- what follows

    def _take(self, turn: Turn) -> None:
        """First the stops, then set-points, then what is told."""
        self.progress = turn.progress
        if turn.progress.step is not None:
            self._known[turn.progress.step.index] = turn.progress.step
        for order in turn.orders:
            if isinstance(order, StopStand):
                self._stop(order)
        for order in turn.orders:
            if isinstance(order, SetPoints):
                self._send(order)
            elif isinstance(order, SteadyAnew):
                self.steady = self._steadiness(turn.progress.step)
        if turn.entries:
            self._next_forecast = 0
            self._flush()
            self._write(turn.entries)
            ends = (EntryKind.STOPPED, EntryKind.FINISHED, EntryKind.ABANDONED)
            if any(entry.kind in ends for entry in turn.entries):
                self.tell_account()

    def _send(self, order: SetPoints) -> None:
        """In RUNNING alone: the state may have changed since the look began."""
        taker = set_point_source(self.stand)
        if taker is None or self._protection.state is not State.RUNNING:
            return
        source, command = taker
        for axis, value in order.target.items():
            data: dict[str, JsonValue] = {"name": axis.value, "value": value, "who": f"plan {self.plan.name}"}
            if not self._hands.send_set_point(source, set_point_text(command, axis.value, value), data):
                self._unsent = f"{axis.value} {value:.6g} did not go out: look at the link of {source}"

    def _stop(self, order: StopStand) -> None:
        now, who = self._now_ns, f"plan {self.plan.name}: {order.cause.value}"
        if self._protection.state is not State.RUNNING:
            return
        is_orderly = order.cause in (StopCause.FINISHED, StopCause.HAND_STEP, StopCause.CLOSED) or self.plan.stop in (
            "",
            self.stand.orderly_stop,
        )
        if is_orderly:
            self._hands.ask_protection(self._protection.request(Trigger.STOP, now, who))
        else:
            self._hands.ask_protection(self._protection.external_trip(who, now, action=self.plan.stop))

    def _flush(self) -> None:
        """Write the time since the last line."""
        p, self._pending = self._pending, Tally()
        if p.way_s > 0.0:
            self._write([self._time_entry(p)])

    def _time_entry(self, p: Tally) -> Entry:
        step = self._known.get(p.step)
        data: dict[str, JsonValue] = {"step": p.step, "way_s": p.way_s, "read_s": p.read_s, "good_s": p.good_s}
        if step is not None:
            data |= {"segment": step.segment, "turn": step.turn, "rating": step.rating}
        return Entry(EntryKind.TIME, self._last_s, "", data)

    def _write(self, entries: Sequence[Entry]) -> None:
        """Into account, journal and run."""
        self.journal.add(entries)
        for entry in entries:
            self.account = applied(self.account, entry)
            if entry.kind not in UNTOLD:
                data: dict[str, JsonValue] = {"entry": entry.kind.value, **entry.data}
                if math.isfinite(entry.time_s):
                    data["stream_s"] = entry.time_s
                self._hands.note(EventKind.PLAN, f"plan {entry.kind.value.replace('_', ' ')}: {entry.message}", data)

    def _note_tally(self) -> None:
        had, p = self.account, self._pending
        self.journal.note(Tally(had.way_s + p.way_s, had.read_s + p.read_s, had.good_s + p.good_s, p.step))

    def tell_account(self) -> None:
        """The account as an event of the run."""
        self._hands.note(
            EventKind.PLAN, f"plan {self.plan.name}: account", {"entry": "account", **account_data(self.account)}
        )

    # -- requests

    @property
    def drives(self) -> bool:
        """True while set-points are the plan's, not a person's."""
        return self.plan.mode is Mode.DRIVE and self.progress.is_under_way

    def begin(self, now_ns: int, who: str) -> None:
        """Begin, or go on; refused with every reason that the check finds."""
        edited = self.is_edited()
        if edited:
            raise RefusedError(edited, where=f"plan {self.plan.name}", remedy="Put it back, or record anew with it.")
        self._follow_limits()
        self._unsent = ""
        problems = plan_problems(self.plan, self.stand, self.progress.approvals)
        if problems:
            raise RefusedError("; ".join(str(problem) for problem in problems), where=f"plan {self.plan.name}")
        if self.journal.fault is not None:
            raise RefusedError(self.journal.fault, where=f"plan {self.plan.name}", remedy="Make room, record anew.")
        self._now_ns = now_ns
        self._take(asked.begin(self.plan, self.progress, self._seen(now_ns, 0.0, 0.0), who, self.following))

    def acknowledge(self, now_ns: int, who: str) -> None:
        """The operator is there."""
        self._take(asked.acknowledge(self.progress, self._seen(now_ns, 0.0, 0.0), who))

    def present(self, now_ns: int) -> None:
        """A client that watches is there."""
        self.progress = asked.present(self.progress, self._seen(now_ns, 0.0, 0.0))

    def leave(self, now_ns: int, who: str) -> None:
        """The operator leaves: the plan is stopped."""
        self._now_ns = now_ns
        self._count_up(now_ns)
        seen = self._seen(now_ns, 0.0, 0.0)
        self._take(stop(self.plan, self.progress, seen, StopCause.OPERATOR, f"{who or 'the operator'} leaves"))

    def halt(self, now_ns: int, who: str) -> None:
        """A person stops the plan, and in drive mode the stand with it."""
        self._now_ns = now_ns
        self._count_up(now_ns)
        self._take(stop(self.plan, self.progress, self._seen(now_ns, 0.0, 0.0), StopCause.BY_HAND, who))

    def confirm(self, now_ns: int, who: str, role: str, *, passed: bool) -> None:
        """A step by hand is done."""
        seen = self._seen(now_ns, 0.0, 0.0)
        self._take(asked.confirm(self.plan, self.progress, seen, who, role, passed, self.following))

    def approve(self, now_ns: int, role: str, who: str) -> None:
        """An approval."""
        asks = {*self.plan.approvals, *(role for segment in self.plan.segments for role in segment.approvals)}
        if role not in asks:
            raise RefusedError(
                "the plan asks for no such approval",
                where="plan_approve",
                got=role,
                expected=", ".join(sorted(asks)) or "none",
            )
        self._take(asked.approve(self.progress, self._seen(now_ns, 0.0, 0.0), role, who))

    def skip(self, now_ns: int, who: str, reason: str) -> None:
        """Leave the present point out."""
        seen = self._seen(now_ns, 0.0, 0.0)
        self._take(asked.skip(self.plan, self.progress, seen, who, reason, self.following))

    def abandon(self, now_ns: int, who: str, reason: str) -> None:
        """Give the plan up."""
        self._now_ns = now_ns
        self._count_up(now_ns)
        self._take(asked.abandon(self.plan, self.progress, self._seen(now_ns, 0.0, 0.0), who, reason))

    def status(self, now_ns: int) -> PlanStatus:
        """What dashboards are told."""
        if now_ns >= self._next_forecast:
            self._next_forecast = now_ns + FORECAST_EVERY_NS
            self.left_s = time_left(self)
        return status_of_plan(self, now_ns)


def _mean(column: FloatArray) -> float:
    """Mean of what was measured; NaN where a sample is missing: a point is not held by what is not seen."""
    return float(np.mean(column))
