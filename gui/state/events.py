"""The event list: what happened, in words, with the first-out of each trip marked."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchkit.model.alarms import Life
from benchkit.model.events import Event, EventKind
from gui.state.theme import Tone

KEPT = 1000
"""Events held for the list; the run file keeps all of them."""

_WORDS: dict[EventKind, str] = {
    EventKind.RUN_STARTED: "run started",
    EventKind.RUN_CLOSED: "run closed",
    EventKind.STATE: "state",
    EventKind.CAUTION: "CAUTION",
    EventKind.CAUTION_CLEARED: "caution over",
    EventKind.TRIP: "TRIP",
    EventKind.TRIP_CLEARED: "trip cause gone",
    EventKind.RESET: "reset",
    EventKind.STOP_COMMANDED: "stop commanded",
    EventKind.STOP_ACKNOWLEDGED: "stop acknowledged",
    EventKind.STOP_NOT_ACKNOWLEDGED: "STOP NOT ACKNOWLEDGED",
    EventKind.STOP_ESCALATED: "STOP ESCALATED",
    EventKind.STOP_PASSED_OVER: "stop passed over",
    EventKind.ACKNOWLEDGED: "acknowledged",
    EventKind.SHELVED: "shelved",
    EventKind.UNSHELVED: "unshelved",
    EventKind.OUT_OF_SERVICE: "out of service",
    EventKind.IN_SERVICE: "in service",
    EventKind.SUPPRESSED: "suppressed",
    EventKind.UNSUPPRESSED: "no longer suppressed",
    EventKind.FLOOD: "ALARM FLOOD",
    EventKind.FLOOD_OVER: "alarm flood over",
    EventKind.PERMISSIVE: "permissive",
    EventKind.CHECKLIST: "checklist signed",
    EventKind.PROOF: "limits proven",
    EventKind.PRE_RUN_CHECK: "pre-run check",
    EventKind.SET_POINT: "set-point",
    EventKind.LIMIT_SET: "limit moved",
    EventKind.PLAN: "plan",
    EventKind.TARE: "tare",
    EventKind.EXCLUDED_POINT: "point excluded",
    EventKind.COMMON_EDGE: "common edge",
    EventKind.BAD_FRAME: "bad frame",
    EventKind.GAP: "gap",
    EventKind.REPLY: "reply",
    EventKind.SENSOR_FAULT: "SENSOR FAULT",
    EventKind.SENSOR_BACK: "sensor back",
    EventKind.QUALITY: "DATA QUALITY",
    EventKind.QUALITY_OVER: "data quality again",
    EventKind.SOURCE_LOST: "SOURCE LOST",
    EventKind.SOURCE_BACK: "source back",
    EventKind.RECORDING_FAULT: "RECORDING FAULT",
    EventKind.HEARTBEAT: "heartbeat",
    EventKind.REFUSED: "refused",
    EventKind.BURST: "burst",
    EventKind.MARK: "mark",
    EventKind.NOTE: "note",
}
_TONES: dict[EventKind, Tone] = {
    EventKind.CAUTION: Tone.CAUTION,
    EventKind.TRIP: Tone.DANGER,
    EventKind.STOP_NOT_ACKNOWLEDGED: Tone.DANGER,
    EventKind.SENSOR_FAULT: Tone.CAUTION,
    EventKind.STOP_ESCALATED: Tone.DANGER,
    EventKind.FLOOD: Tone.CAUTION,
    EventKind.QUALITY: Tone.CAUTION,
    EventKind.SOURCE_LOST: Tone.CAUTION,
    EventKind.RECORDING_FAULT: Tone.CAUTION,
}
_FLAGGED: tuple[EventKind, ...] = (
    EventKind.TRIP,
    EventKind.STOP_NOT_ACKNOWLEDGED,
    EventKind.STOP_ESCALATED,
    EventKind.CAUTION,
    EventKind.SOURCE_LOST,
    EventKind.RECORDING_FAULT,
    EventKind.STATE,
    EventKind.MARK,
    EventKind.NOTE,
    EventKind.LIMIT_SET,
    EventKind.RESET,
    EventKind.SOURCE_BACK,
    EventKind.GAP,
)
"""Kinds that get a line across the trends, the weightiest first."""
_ASIDE = {Life.SHELVED.value, Life.SUPPRESSED.value, Life.OUT_OF_SERVICE.value}
UNSEEN = "unacknowledged"
_SEEN_BY: dict[EventKind, str] = {
    EventKind.ACKNOWLEDGED: "acknowledged",
    EventKind.SHELVED: "shelved",
    EventKind.OUT_OF_SERVICE: "out of service",
    EventKind.SUPPRESSED: "suppressed",
}
FIRST_OUT, UNRESOLVED = "FIRST-OUT", "FIRST-OUT, order not resolved"


@dataclass(frozen=True, slots=True)
class EventLine:
    """One line of the list. ``time_s`` is on the axis of the samples; ``mark`` names the first-out."""

    number: int
    time_s: float
    kind: EventKind
    words: str
    where: str
    message: str
    mark: str
    tone: Tone
    alarm: str = ""
    """Name of the alarm, of a caution or trip that calls for attention."""
    seen: str = ""
    """Whether somebody has acknowledged it: ``unacknowledged``, ``acknowledged``, or how it was set aside."""

    @property
    def shown(self) -> str:
        """What happened, and whether it has been seen."""
        return f"{self.words}, {self.seen}" if self.seen else self.words


@dataclass(frozen=True, slots=True)
class Flag:
    """An upright line across the trends at an event."""

    time_s: float
    text: str
    tone: Tone


class EventLog:
    """The newest events. The recorder says which trip was the first-out; it is not worked out anew here.

    Where a later trip of the same stop turns out to be inside the same sample interval, the order is not resolved,
    and the mark of the earlier one is put right.
    """

    def __init__(self) -> None:
        self.lines: deque[EventLine] = deque(maxlen=KEPT)
        self.count = 0
        self._states: list[tuple[float, str]] = []

    def add(self, event: Event, time_s: float | None = None) -> EventLine:
        """Append one event; ``time_s`` puts it on the axis of the samples where that is not host time."""
        self.count += 1
        line = EventLine(
            number=self.count,
            time_s=event.time_s if time_s is None else time_s,
            kind=event.kind,
            words=_WORDS[event.kind],
            where=event.channel or event.source,
            message=event.message,
            mark=_mark(event),
            tone=Tone.PLAIN if _is_aside(event) else _TONES.get(event.kind, Tone.PLAIN),
            alarm=_alarm(event),
            seen=UNSEEN if _alarm(event) else "",
        )
        self._follow_alarm(event)
        if line.mark == UNRESOLVED:
            self._put_right()
        self.lines.append(line)
        if event.kind is EventKind.STATE:
            self._states.append((line.time_s, str(event.data.get("to", ""))))
        return line

    def state_at(self, time_s: float) -> str:
        """State of the interlock at a time, empty before the first one was logged."""
        return next((state for at_s, state in reversed(self._states) if at_s <= time_s), "")

    def _follow_alarm(self, event: Event) -> None:
        """An acknowledgement, or whatever takes an alarm aside, marks the lines of the alarm as seen."""
        name = event.data.get("limit")
        if event.kind in _SEEN_BY and isinstance(name, str):
            for i, line in enumerate(self.lines):
                if line.alarm == name and line.seen == UNSEEN:
                    self.lines[i] = replace(line, seen=_SEEN_BY[event.kind])

    def _put_right(self) -> None:
        for i in range(len(self.lines) - 1, -1, -1):
            if self.lines[i].kind is EventKind.RESET:
                return
            if self.lines[i].mark == FIRST_OUT:
                self.lines[i] = replace(self.lines[i], mark=UNRESOLVED)


def _is_aside(event: Event) -> bool:
    """A caution that is shelved, suppressed or out of service does not call for attention."""
    return event.kind is EventKind.CAUTION and event.data.get("life") in _ASIDE


def _alarm(event: Event) -> str:
    name = event.data.get("limit")
    # a log from before alarms had a life does not say; a caution of the disk is no alarm of a limit
    calls = event.kind in (EventKind.CAUTION, EventKind.TRIP) and "life" in event.data and not _is_aside(event)
    return name if calls and isinstance(name, str) else ""


def _mark(event: Event) -> str:
    if event.kind is not EventKind.TRIP or not event.data.get("first_out"):
        return ""
    return UNRESOLVED if event.data.get("order_resolved") is False else FIRST_OUT


def flags(lines: Sequence[EventLine], start_s: float, end_s: float, most: int) -> tuple[Flag, ...]:
    """At most ``most`` flags between two times; where there are more events, the weightier and newer win."""
    inside = [x for x in lines if x.kind in _FLAGGED and start_s <= x.time_s <= end_s]
    inside.sort(key=lambda x: (_FLAGGED.index(x.kind), -x.time_s))
    kept = sorted(inside[:most], key=lambda x: x.time_s)
    return tuple(Flag(x.time_s, str(x.number), x.tone) for x in kept)
