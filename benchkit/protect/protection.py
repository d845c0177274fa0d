"""The whole of protection as one object without a clock, a file or a port.

Samples, time, answers, requests and lost links go in, each with its host time; commands to write and happenings to log
come out, commands first. It knows nothing of recording: a full disk is told to it as a permissive that is not met, or
as a trip from outside, and can never keep a trip from happening.

A software trip is not a safety function. A hard-wired emergency stop, guards and distance protect people.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from benchkit.errors import ProfileError, RefusedError, UsageError
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import ON_AXIS, Limit, Phase, Severity, phase_of, set_point_unit
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import ProofRecord
from benchkit.protect.alarms import AlarmBook, in_words
from benchkit.protect.configuration import check_limits
from benchkit.protect.first_out import Cause, FirstOut, SampleInterval, add_cause
from benchkit.protect.interlock import REQUESTS, TABLE, step
from benchkit.protect.limits import LimitChange, LimitEngine
from benchkit.protect.margins import Margin, margins
from benchkit.protect.outcomes import Command, Happened, HappenedNow, Outcome, Reaction, StopStatus, Words
from benchkit.protect.permissives import LIMIT_SET_PROVEN, Permissive, Permissives
from benchkit.protect.stops import StopBook
from benchkit.protect.tightening import replaced, tightened
from benchkit.protect.wording import describe, in_common, told

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HISTORY_STEP_NS = 100_000_000
HISTORY_ROWS = 100
"""A row every 0.1 s for 10 s: enough for a straight line to the limit."""


class Protection:
    """Limits, interlock, first-out and stop actions of one stand.

    ``permissives`` names further conditions for getting READY; they are not met until :meth:`set_permissive` says so.
    ``sample_interval_s`` declares the sample interval of a source; without it the interval is taken from arrivals.
    Raises ``ProfileError`` with every fault that :func:`check_limits` finds.
    """

    def __init__(
        self,
        stand: Stand,
        start_ns: int,
        *,
        permissives: Iterable[str] = (),
        sample_interval_s: Mapping[str, float] | None = None,
    ) -> None:
        problems = check_limits(stand)
        if problems:
            raise ProfileError(stand.name, problems)
        declared = sample_interval_s or {}
        self._profile = stand
        """The stand as its profile says; ``_stand`` has the set points in force."""
        self._stand = stand
        self._state = State.STANDBY
        self._names = {source: tuple(c.name for c in stand.channels_of(source)) for source in stand.sources}
        self._engine = LimitEngine(
            stand.limit_set.limits,
            self._names,
            {name: source.stale_after_s for name, source in stand.sources.items()},
            start_ns,
        )
        self._stops = StopBook(stand.stop_actions)
        self._first_out: FirstOut | None = None
        self._external: set[str] = set()
        self._intervals = {source: SampleInterval(declared.get(source)) for source in stand.sources}
        self._permissives = Permissives(stand, self._names, permissives)
        self.alarms = AlarmBook(stand.limit_set.limits, stand.alarm_rules, self._state, self._facts)
        """The life of every alarm. What a person asks of it gives events, and never a command."""
        self._history: dict[str, deque[tuple[int, FloatArray]]] = {
            source: deque(maxlen=HISTORY_ROWS) for source in stand.sources
        }
        self._latest: dict[str, tuple[int, FloatArray]] = {}
        self._running_ns = start_ns
        self._engine.set_phase(Phase.AT_REST, start_ns)

    # ------------------------------------------------------------------ what stands

    @property
    def state(self) -> State:
        """State of the interlock."""
        return self._state

    @property
    def first_out(self) -> FirstOut | None:
        """First cause since the last reset; None when nothing has tripped."""
        return self._first_out

    @property
    def permissives(self) -> Mapping[str, bool]:
        """Conditions for getting READY, by name."""
        return {one.name: one.is_met for one in self._permissives.all}

    @property
    def missing_permissives(self) -> tuple[Permissive, ...]:
        """Those that are not met, with what is missing and what to do."""
        return self._permissives.missing

    @property
    def checklist(self) -> Mapping[str, str]:
        """Items of the checklist, name to text; empty where the profile has none."""
        return self._permissives.checklist_texts

    @property
    def protection_hash(self) -> str:
        """What a proof of the limit set must name."""
        return self._permissives.protection_hash

    @property
    def standing_causes(self) -> tuple[str, ...]:
        """Names of the trip limits that act now, and of standing causes from outside. They refuse RESET."""
        limits = tuple(x.name for x in self._engine.standing if x.severity is Severity.TRIP)
        return (*limits, *sorted(self._external))

    @property
    def standing_limits(self) -> tuple[str, ...]:
        """Names of all limits that act now, cautions and trips."""
        return tuple(x.name for x in self._engine.standing)

    @property
    def latched_limits(self) -> tuple[str, ...]:
        """Names of latching limits that have acted and were not released."""
        return tuple(x.name for x in self._engine.latched)

    @property
    def unacknowledged_stops(self) -> tuple[str, ...]:
        """Names of the stop actions that no device has acknowledged yet."""
        return self._stops.unacknowledged

    @property
    def stops_under_way(self) -> tuple[StopStatus, ...]:
        """Where each of these actions stands: step, attempt, source."""
        return self._stops.under_way

    @property
    def reactions(self) -> tuple[Reaction, ...]:
        """Reaction records of the trips, oldest first."""
        return self._stops.reactions

    def sample_interval_s(self, source: str) -> float:
        """Sample interval of ``source`` in s as used for first-out: declared, or seen; 0 while unknown."""
        return self._intervals[source].ns / 1e9

    @property
    def limits(self) -> tuple[Limit, ...]:
        """All limits, cautions and trips."""
        return self._stand.limit_set.limits

    @property
    def tightened(self) -> Mapping[str, float]:
        """Set points in force of the limits that a person has moved from the profile's, by name."""
        pairs = zip(self._stand.limit_set.limits, self._profile.limit_set.limits, strict=True)
        return {now.name: now.set_point for now, said in pairs if now is not said}

    def margins(self, now_ns: int, only: Collection[str] | None = None) -> tuple[Margin, ...]:
        """Margins from the last seconds, of the channels named in ``only`` where that is given.

        A channel of a source that is not fresh is not measured.
        """
        recent: dict[str, tuple[FloatArray, FloatArray]] = {}
        wanted = self._latest if only is None else {self._stand.channels[name].source for name in only}
        for source in wanted:
            latest = self._latest.get(source)
            if latest is not None and self._engine.is_fresh(source, now_ns):
                rows = [*self._history[source], latest]
                times = (np.array([time for time, _ in rows]) - latest[0]) / 1e9
                table = np.stack([row for _, row in rows])
                recent.update({name: (times, table[:, i]) for i, name in enumerate(self._names[source])})
        channels = self._stand.channels
        if only is not None:
            channels = {name: channels[name] for name in only}
        return margins(self._stand.limit_set.limits, channels, recent, self._engine.watched)

    # ------------------------------------------------------------------ what comes in

    def feed(self, source: str, arrival_ns: IntArray, values: FloatArray, now_ns: int) -> list[Outcome]:
        """Rows of one source: ``arrival_ns`` (n,), ``values`` (n, channels of the source in profile order)."""
        changes = self._engine.feed(source, arrival_ns, values)
        rows = values.shape[0]
        if rows:
            first_ns, last_ns = int(arrival_ns[0]), int(arrival_ns[-1])
            self._intervals[source].note(first_ns, last_ns, rows)
            history = self._history[source]
            if not history or last_ns - history[-1][0] >= HISTORY_STEP_NS:
                history.append((last_ns, values[-1].copy()))
            self._latest[source] = (last_ns, values[-1].copy())
        outcomes = self._act(changes, now_ns) if changes else []
        if not self._permissives.is_fresh(source):
            outcomes += self._follow_freshness((source,), now_ns)
        if rows and self._permissives.watches(source) and self._permissives.is_fresh(source):
            for told in self._permissives.rows(source, values, now_ns):
                outcomes += self._follow_permissives(now_ns, told)
        return outcomes

    def tick(self, now_ns: int) -> list[Outcome]:
        """Let time pass: silence, delays, answers that do not come. Hand in the rows that have arrived before."""
        changes = self._engine.tick(now_ns) + self._follow_phase(now_ns)
        outcomes = self._act(changes, now_ns) if changes else []
        outcomes += self._follow_stops(now_ns)
        outcomes += self._follow_freshness(self._names, now_ns)
        outcomes += self.alarms.tick(now_ns)
        return _commands_first(outcomes)

    def reply(self, source: str, text: str, now_ns: int) -> list[Outcome]:
        """An answer line of a device, without its prefix. Answers that acknowledge nothing give no outcome."""
        outcomes, was_orderly = self._stops.reply(source, text, now_ns)
        if was_orderly and self._state is State.STOPPING:
            outcomes += self._move(Trigger.STOPPED, now_ns, f"{self._stand.orderly_stop} acknowledged")
            outcomes += self._follow_permissives(now_ns)
        return _commands_first(outcomes)

    def written(self, command: Command, now_ns: int) -> list[Outcome]:
        """``command`` has been handed to the link: the reaction record takes the time. Nothing follows from it now."""
        self._stops.written(command, now_ns)
        return []

    def request(self, trigger: Trigger, now_ns: int, who: str) -> list[Outcome]:
        """ARM, DISARM, START, STOP or RESET, asked for by ``who``. Raises ``RefusedError`` with the reason."""
        if trigger not in REQUESTS:
            raise RefusedError(
                f"{trigger.value} cannot be requested", remedy=f"Ask for {', '.join(t.value for t in REQUESTS)}"
            )
        if self._state is State.STANDBY and trigger in (Trigger.ARM, Trigger.START):
            # the reason is worth more than the table: which permissives are missing
            self._permissives.refuse(trigger.value, self._state.value)
        blocking = [*self.standing_causes, *(f"unacknowledged {name}" for name in self._stops.unacknowledged)]
        step(self._state, trigger, blocking)
        outcomes: list[Outcome] = []
        if trigger is Trigger.RESET:
            released = self._engine.release()
            names: list[JsonValue] = [x.name for x in released]
            message = f"reset by {who}; first out was {self._first_out}"
            data: dict[str, JsonValue] = {"who": who, "released": names}
            outcomes.append(Happened(now_ns, EventKind.RESET, message, data=data))
            self._first_out = None
            self._stops.forget_urgency()
            self.alarms.release(now_ns)
        outcomes += self._move(trigger, now_ns, f"by {who}", who)
        if trigger is Trigger.START:
            self._running_ns = now_ns
        if trigger is Trigger.STOP:
            outcomes += self._stops.command(
                self._stand.orderly_stop, f"orderly stop, {who}", (), now_ns, is_orderly=True
            )
        # behind the orderly stop: a trip that comes with the phase takes its place
        outcomes += self._act(self._follow_phase(now_ns), now_ns)
        outcomes += self._follow_permissives(now_ns)
        return _commands_first(outcomes)

    def set_limit(self, name: str, set_point: float, now_ns: int, who: str, reason: str = "") -> list[Outcome]:
        """Move a set point (bench unit) as far as the profile allows; see :mod:`benchkit.protect.tightening`.

        Raises ``RefusedError`` with the reason. What is held is looked at anew: it may trip at once.
        """
        if not who:
            raise RefusedError("no name given", where=f"set_limit {name}", expected="who moves the set point")
        new = tightened(self._profile, self._profile.alarm_rules.tightened_live, name, set_point)
        said = next(x for x in self._profile.limit_set.limits if x.name == name)
        before = next(x for x in self._stand.limit_set.limits if x.name == name)
        new = said if new.set_point == said.set_point else new
        limits = replaced(self._stand.limit_set.limits, new)
        self._stand = replace(self._stand, limit_set=replace(self._stand.limit_set, limits=limits))
        unit = set_point_unit(new, self._stand.channels[new.channel].unit)
        text = f"{name}: set point {before.set_point:g} to {new.set_point:g} {unit} by {who}"
        data: dict[str, JsonValue] = {
            "limit": name,
            "set_point": new.set_point,
            "before": before.set_point,
            "profile": said.set_point,
            "unit": unit,
            "reason": reason,
            "who": who,
        }
        told = Happened(
            now_ns, EventKind.LIMIT_SET, f"{text}: {reason}" if reason else text, channel=new.channel, data=data
        )
        held = self._last_of(new.channel)
        return _commands_first([told, *self._act(self._engine.replace_limit(new, now_ns, held), now_ns)])

    def release_cautions(self, now_ns: int, who: str) -> list[Outcome]:
        """Release latched cautions whose condition is gone. Trips are released by RESET alone."""
        self.alarms.release(now_ns, Severity.CAUTION)
        return [
            Happened(
                now_ns,
                EventKind.CAUTION_CLEARED,
                f"{limit.name}: released by {who}",
                channel=limit.channel,
                data={"limit": limit.name, "who": who},
            )
            for limit in self._engine.release(Severity.CAUTION)
        ]

    def source_opened(self, source: str, now_ns: int) -> None:
        """The link of ``source`` is open for the first time: its silence counts from here, not from the start."""
        self._engine.source_opened(source, now_ns)

    def source_lost(self, source: str, now_ns: int, cause: str) -> list[Outcome]:
        """The link of ``source`` is lost: its channels are missing at once."""
        changes = self._engine.source_lost(source, now_ns)
        lost = Happened(now_ns, EventKind.SOURCE_LOST, f"{source}: lost ({cause})", source, data={"cause": cause})
        # what is under way is held back first: a command for a lost link must not go out
        outcomes: list[Outcome] = [lost, *self._stops.source_lost(source, now_ns)]
        self._history[source].clear()
        self._latest.pop(source, None)
        outcomes += self._act(changes, now_ns)
        outcomes += self._follow_freshness((source,), now_ns)
        return _commands_first(outcomes)

    def source_back(self, source: str, now_ns: int) -> list[Outcome]:
        """The link of ``source`` is open again; its channels stay missing until the next row."""
        self._engine.source_back(source)
        back = Happened(now_ns, EventKind.SOURCE_BACK, f"{source}: back", source)
        return _commands_first([back, *self._stops.source_back(source, now_ns)])

    def set_permissive(
        self,
        name: str,
        met: bool,
        now_ns: int,
        *,
        detail: str = "",
        remedy: str = "",
        record: ProofRecord | None = None,
    ) -> list[Outcome]:
        """Say whether a named condition for getting READY is met; ``detail``: what is missing, ``remedy``: what to do.

        ``limit_set_proven`` takes a ``record``, and is met by one of this limit set only. Raises ``RefusedError`` for a
        condition that protection follows by itself.
        """
        if name != LIMIT_SET_PROVEN or not met:
            told = self._permissives.set(name, met, now_ns, detail, remedy)
        elif record is None:
            raise RefusedError(f"{name} is met by a record only", remedy="Hand in hash and time of the proof")
        else:
            told = self._permissives.prove(record, now_ns)
        return self._follow_permissives(now_ns, told)

    def zero_done(self, channels: Iterable[str], now_ns: int, who: str) -> list[Outcome]:
        """These channels have been tared by ``who``."""
        return self._follow_permissives(now_ns, self._permissives.zeroed(channels, who, now_ns))

    def sign_checklist(self, ticked: Iterable[str], now_ns: int, who: str) -> list[Outcome]:
        """Every item of the checklist is ticked, and ``who`` signs it. Raises ``RefusedError`` with what is left."""
        return self._follow_permissives(now_ns, self._permissives.sign(ticked, who, now_ns))

    def external_trip(
        self, cause: str, now_ns: int, *, stands: bool = False, action: str | None = None
    ) -> list[Outcome]:
        """Trip for a ``cause`` that is no limit. It commands ``action``, or the orderly stop of the stand.

        With ``stands`` the cause refuses RESET until :meth:`external_cleared`. Raises ``UsageError`` for an action
        that the stand does not have.
        """
        action = self._stand.orderly_stop if action is None else action
        if action not in self._stand.stop_actions:
            known = ", ".join(self._stand.stop_actions)
            raise UsageError("unknown stop action", where=cause, got=action, expected=f"one of {known}")
        if stands:
            self._external.add(cause)
        self._first_out = add_cause(self._first_out, Cause(cause, now_ns), self._interval_ns)
        flood = self.alarms.acts_outside(cause, now_ns, stands=cause in self._external)
        told = Happened(
            now_ns,
            EventKind.TRIP,
            f"{cause} (trip)",
            data={
                "limit": cause,
                "first_out": self._is_first(cause),
                "order_resolved": self._first_out.order_resolved,
                "life": self.alarms[cause].life.value,
            },
        )
        causes = {action: [(cause, now_ns)]}
        return _commands_first([told, *flood, *self._trip(causes, {cause: told.message}, now_ns)])

    def external_cleared(self, cause: str, now_ns: int) -> list[Outcome]:
        """A standing cause from outside is gone."""
        if cause not in self._external:
            return []
        self._external.discard(cause)
        self.alarms.lets_go(cause, now_ns)
        return [Happened(now_ns, EventKind.TRIP_CLEARED, f"{cause}: gone", data={"limit": cause})]

    # ------------------------------------------------------------------ what follows

    def _act(self, changes: Sequence[LimitChange], now_ns: int) -> list[Outcome]:
        """Events of the changes, and for trips the interlock and the stop actions."""
        trips = [c for c in changes if c.acts and c.limit.severity is Severity.TRIP]
        for change in trips:
            cause = Cause(change.limit.name, change.time_ns, change.source, change.row, in_common(change))
            self._first_out = add_cause(self._first_out, cause, self._interval_ns)
        flood: list[Outcome] = []
        for change in changes:
            if change.acts:
                flood += self.alarms.acts(change.limit.name, change.time_ns)
            else:
                self.alarms.lets_go(change.limit.name, change.time_ns)
        told = [self._tell(change) for change in changes]
        if not trips:
            return [*told, *flood]
        texts = {c.limit.name: _message_of(event) for c, event in zip(changes, told, strict=True) if c.acts}
        causes: dict[str, list[tuple[str, int]]] = {}
        for change in trips:
            causes.setdefault(change.limit.action, []).append((change.limit.name, change.time_ns))
        return _commands_first([*told, *flood, *self._trip(causes, texts, now_ns)])

    def _trip(
        self, causes: Mapping[str, Sequence[tuple[str, int]]], texts: Mapping[str, str | Words], now_ns: int
    ) -> list[Outcome]:
        """To TRIPPED, and one command per action. A trip commands in any state, also when tripped before."""
        outcomes: list[Outcome] = []
        self._stops.drop_orderly()
        if self._state is not State.TRIPPED:
            outcomes += self._move(Trigger.TRIP, now_ns, f"first out: {self._first_out}")
        for action, limits in sorted(causes.items(), key=lambda item: self._stops.urgency(item[0])):
            outcomes += self._stops.command(action, texts[limits[0][0]], limits, now_ns)
        return outcomes

    def _follow_stops(self, now_ns: int) -> list[Outcome]:
        """Repeats and escalations; an orderly stop that is not answered is a trip."""
        outcomes = self._stops.tick(now_ns)
        for one in list(outcomes):
            if isinstance(one, Happened) and one.kind is EventKind.STOP_ESCALATED and one.data["is_orderly"]:
                cause = f"orderly stop {one.data['action']} not answered"
                outcomes += self.external_trip(cause, now_ns, action=str(one.data["to"]))
        return outcomes

    def _tell(self, change: LimitChange) -> Happened:
        """The event of a change, with what holds now; its words come after the commands."""
        limit = change.limit
        alarm = self.alarms[limit.name]
        life, is_aside, first_out = alarm.life, alarm.is_aside, self._first_out
        is_trip = limit.severity is Severity.TRIP

        def told_of_it() -> tuple[str, Mapping[str, JsonValue]]:
            channel_unit = self._stand.channels[limit.channel].unit
            message = describe(change, channel_unit, self._stand.sources[change.source].stale_after_s)
            if is_aside:
                message += f", {in_words(life)}"
            data: dict[str, JsonValue] = {
                "limit": limit.name,
                "severity": limit.severity.value,
                **told(change, channel_unit),
                "evidence": change.evidence.value,
                "life": life.value,
            }
            if is_trip and change.acts and first_out is not None:
                data |= {"first_out": limit.name in first_out.limits, "order_resolved": first_out.order_resolved}
            return message, data

        kinds = (EventKind.TRIP, EventKind.TRIP_CLEARED) if is_trip else (EventKind.CAUTION, EventKind.CAUTION_CLEARED)
        kind = kinds[0] if change.acts else kinds[1]
        return HappenedNow(change.time_ns, kind, told_of_it, change.source, limit.channel)

    def _facts(self, name: str) -> Mapping[str, JsonValue]:
        """Last value and set point of the limit of an alarm; nothing for a trip from outside."""
        limit = next((x for x in self._stand.limit_set.limits if x.name == name), None)
        if limit is None:
            return {}
        value = self._last_of(limit.channel)
        return {
            "value": None if value is None or math.isnan(value) else value,
            "unit": self._stand.channels[limit.channel].unit,
            "set_point": limit.set_point if limit.kind in ON_AXIS else None,
        }

    def _last_of(self, channel: str) -> float | None:
        """Last value of a channel; None where its source has not spoken, or is lost."""
        source = self._stand.channels[channel].source
        latest = self._latest.get(source)
        return None if latest is None else float(latest[1][self._names[source].index(channel)])

    def _is_first(self, name: str) -> bool:
        return self._first_out is not None and name in self._first_out.limits

    def _interval_ns(self, source: str) -> int:
        """Sample interval of a source; 0 for a cause from outside."""
        return self._intervals[source].ns if source else 0

    def _follow_freshness(self, sources: Iterable[str], now_ns: int) -> list[Outcome]:
        changed: dict[str, bool] = {}
        for source in sources:
            is_fresh = self._engine.is_fresh(source, now_ns)
            if is_fresh is not self._permissives.is_fresh(source):
                changed[source] = is_fresh
        return self._follow_permissives(now_ns, self._permissives.fresh(changed, now_ns)) if changed else []

    def _follow_permissives(self, now_ns: int, events: Iterable[Happened] = ()) -> list[Outcome]:
        """Where a change of the permissives leads; ``events`` are those of the change, which come before."""
        missing = [one.missing for one in self._permissives.missing]
        trigger = Trigger.PERMISSIVES_LOST if missing else Trigger.PERMISSIVES_MET
        if (self._state, trigger) not in TABLE:
            return [*events]
        why = f"without {', '.join(missing)}" if missing else "all permissives met"
        return [*events, *self._move(trigger, now_ns, why)]

    def _follow_phase(self, now_ns: int) -> list[LimitChange]:
        """Tell the limits the phase of operation: at once on a request, else with the next tick."""
        since_s = (now_ns - self._running_ns) / 1e9
        return self._engine.set_phase(phase_of(self._state, since_s, self._stand.limit_set.starting_time_s), now_ns)

    def _move(self, trigger: Trigger, now_ns: int, why: str, who: str = "") -> list[Outcome]:
        before, self._state = self._state, step(self._state, trigger)
        data: dict[str, JsonValue] = {"from": before.value, "to": self._state.value, "trigger": trigger.value}
        if who:
            data["who"] = who
        text = f"{before.value} to {self._state.value}: {trigger.value}, {why}"
        moved = Happened(now_ns, EventKind.STATE, text, data=data)
        return [moved, *self.alarms.follow_state(self._state, now_ns)]


def _message_of(event: Happened) -> Words:
    return Words(lambda: event.message)


def _commands_first(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """What acts goes before what is told."""
    return sorted(outcomes, key=lambda outcome: not isinstance(outcome, Command))
