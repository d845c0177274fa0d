"""The heartbeat of a recording: beaten at the end of a turn, by what the profile names, with its figures kept.

The loop itself beats a message. A control line and a coil may wait for their device: there the loop hands a token to a
thread, which beats once for it and only while it is fresh. A loop that stalls hands over nothing, and the beats stop.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from benchkit.model.events import EventKind
from benchkit.model.heartbeat import COUNT_MODULUS, CoilOutput, Heartbeat, LineOutput, MessageOutput
from benchkit.model.interlock import State
from benchkit.model.stand import Stand
from benchkit.protect.heartbeat import BeatSchedule, BeatStatistics, beats_in_words, sources_needed
from benchkit.protect.outcomes import Happened
from benchkit.session.lane import Lane
from benchkit.session.messages import BeatStatus
from benchkit.sources.clock import Clock

NOT_BEGUN = "not begun"
TOLD_EVERY_NS = 1_000_000_000
"""Late beats are all counted, and told at most once a second."""
HOLD_OFF_NS = 1_000_000_000
"""After a beat that could not be written."""
Send = Callable[[Lane, str], bool]


class _Output(Protocol):
    """Where beats go."""

    def beat(self, count: int, now_ns: int) -> bool:
        """Write beat ``count`` or hand it over; False when it, or the one before it, was not taken."""
        ...

    def done(self) -> list[int]:
        """Host times [ns] at which beats went out, since the last call."""
        ...

    def faults(self) -> list[str]:
        """What went wrong since the last call."""
        ...

    def takes_reply(self, source: str, text: str, arrival_ns: int) -> bool:
        """True for an answer to a beat that needs no place in the event log."""
        ...

    def close(self) -> None: ...


class Beats:
    """Decides at the end of each turn whether a beat goes out, and keeps the figures."""

    def __init__(self, spec: Heartbeat, needed: frozenset[str], output: _Output) -> None:
        self._spec = spec
        self._needed = needed
        self._output = output
        period_ns = round(spec.period_s * 1e9)
        self._schedule = BeatSchedule(period_ns)
        self._statistics = BeatStatistics(period_ns)
        self._count = 0
        self._kept_back = NOT_BEGUN
        self._told_ns: int | None = None

    @classmethod
    def of(cls, stand: Stand, lanes: Mapping[str, Lane], clock: Clock, send: Send) -> Beats | None:
        """The heartbeat that the stand declares, or None."""
        spec = stand.heartbeat
        if spec is None:
            return None
        needed = sources_needed(stand)
        output: _Output
        match spec.output:
            case LineOutput():
                output = _Line(spec.output, clock, round(spec.period_s * 1e9))
            case MessageOutput(source):
                output = _Message(spec.output, lanes[source], clock, send)
                needed |= {source}
            case CoilOutput(source):
                output = _Coil(spec.output, lanes[source], round(spec.period_s * 1e9))
                needed |= {source}
        return cls(spec, needed, output)

    def turn(self, looked_at: Collection[Lane], state: State, now_ns: int) -> list[Happened]:
        """The end of a turn in which the lanes ``looked_at`` were read and all limits were looked at."""
        told = [Happened(now_ns, EventKind.HEARTBEAT, text) for text in self._output.faults()]
        for at_ns in self._output.done():
            told += self._note(at_ns)
        told += self._follow(self._why_not(looked_at, state), now_ns)
        if not self._kept_back and self._schedule.is_due(now_ns):
            self._count = (self._count + 1) % COUNT_MODULUS
            if not self._output.beat(self._count, now_ns):
                self._statistics.not_taken()
            for at_ns in self._output.done():
                told += self._note(at_ns)
        return told

    def takes_reply(self, source: str, text: str, arrival_ns: int) -> bool:
        """True for an answer to a beat that needs no place in the event log."""
        return self._output.takes_reply(source, text, arrival_ns)

    def status(self) -> BeatStatus:
        """What dashboards are told."""
        f = self._statistics.figures()
        return BeatStatus(
            self._spec.period_s, self._kept_back, f.beats, f.late, f.pauses, f.unanswered, f.mean_s, f.p99_s, f.worst_s
        )

    def summary(self, now_ns: int) -> Happened:
        """The figures, for the run that is being closed."""
        figures = self._statistics.figures()
        words = beats_in_words(figures, self._spec.period_s)
        data = figures.as_data() | {"period_s": self._spec.period_s, "stop_on_trip": self._spec.stop_on_trip}
        return Happened(now_ns, EventKind.HEARTBEAT, f"heartbeat: {words}", data=data)

    def close(self) -> None:
        """No beat any more."""
        self._output.close()

    def _why_not(self, looked_at: Collection[Lane], state: State) -> str:
        if self._spec.stop_on_trip and state is State.TRIPPED:
            return "tripped"
        read = {lane.name for lane in looked_at if lane.is_open and lane.last_good_ns is not None}
        missing = sorted(self._needed - read)
        return f"{', '.join(missing)} cannot be looked at" if missing else ""

    def _follow(self, why: str, now_ns: int) -> list[Happened]:
        if why == self._kept_back or (why and self._kept_back == NOT_BEGUN):
            return []
        self._kept_back = why
        if why:
            self._statistics.pause()
            return [Happened(now_ns, EventKind.HEARTBEAT, f"heartbeat kept back: {why}", data={"why": why})]
        return [Happened(now_ns, EventKind.HEARTBEAT, "heartbeat goes out")]

    def _note(self, at_ns: int) -> list[Happened]:
        late_ns = self._statistics.beat(at_ns)
        if late_ns is None or (self._told_ns is not None and at_ns - self._told_ns < TOLD_EVERY_NS):
            return []
        self._told_ns = at_ns
        message = f"beat {late_ns / 1e6:.4g} ms after the one before, period {self._spec.period_s * 1e3:.4g} ms"
        return [Happened(at_ns, EventKind.HEARTBEAT, message, data={"interval_s": late_ns * 1e-9})]


class _Message:
    """A command line with the number of the beat, written by the loop."""

    def __init__(self, spec: MessageOutput, lane: Lane, clock: Clock, send: Send) -> None:
        self._spec, self._lane, self._clock, self._send = spec, lane, clock, send
        answer = re.escape(spec.answered_by).replace(re.escape("{count}"), r"\d+")
        self._answer = re.compile(answer) if spec.answered_by else None
        self._done: list[int] = []
        self._hold_until_ns = 0

    def beat(self, count: int, now_ns: int) -> bool:
        if now_ns < self._hold_until_ns:
            return False
        if not self._send(self._lane, self._spec.command.replace("{count}", str(count))):
            self._hold_until_ns = now_ns + HOLD_OFF_NS
            return False
        self._done.append(self._clock.now_ns())
        return True

    def done(self) -> list[int]:
        found, self._done = self._done, []
        return found

    def faults(self) -> list[str]:
        return []

    def takes_reply(self, source: str, text: str, arrival_ns: int) -> bool:  # noqa: ARG002 - one form for all outputs
        return self._answer is not None and source == self._lane.name and self._answer.fullmatch(text) is not None

    def close(self) -> None:
        """Nothing of its own is open."""


class _Coil:
    """A coil of a Modbus source; its thread writes it between two questions. Counted when the device has answered."""

    def __init__(self, spec: CoilOutput, lane: Lane, period_ns: int) -> None:
        self._lane, self._period_ns = lane, period_ns
        self._command = f"coil {spec.address}"
        self._done: list[int] = []
        self._is_failing = False

    def beat(self, count: int, now_ns: int) -> bool:
        offer: Callable[[str, int], bool] = self._lane.source.offer  # type: ignore[attr-defined]  # a Modbus source
        return offer(f"{self._command} {'on' if count % 2 else 'off'}", now_ns + self._period_ns)

    def done(self) -> list[int]:
        found, self._done = self._done, []
        return found

    def faults(self) -> list[str]:
        return []

    def takes_reply(self, source: str, text: str, arrival_ns: int) -> bool:
        if source != self._lane.name or f" {self._command} " not in text:
            return False
        was_failing, self._is_failing = self._is_failing, not text.startswith("ok ")
        if not self._is_failing:
            self._done.append(arrival_ns)
            return True
        return was_failing  # the first of a row is told

    def close(self) -> None:
        """Nothing of its own is open."""


class _Line:
    """A control line of a port of its own."""

    def __init__(self, spec: LineOutput, clock: Clock, period_ns: int) -> None:
        from benchkit.sources.control_line import LineOutputPort

        self._port = LineOutputPort(spec.port, spec.line, clock, period_ns)

    def beat(self, count: int, now_ns: int) -> bool:  # noqa: ARG002 - a line has no number
        return self._port.beat(now_ns)

    def done(self) -> list[int]:
        return self._port.done()

    def faults(self) -> list[str]:
        return [str(fault) for fault in self._port.faults()]

    def takes_reply(self, source: str, text: str, arrival_ns: int) -> bool:  # noqa: ARG002 - one form for all outputs
        return False

    def close(self) -> None:
        self._port.close()
