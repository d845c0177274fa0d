"""The recorder's side of bursts: which event fires which source, and what the capturing processes answer.

Nothing here waits for a burst: an order goes into a queue that a thread empties, answers are looked at thirty times a
second. No burst takes part in protection.
"""

from __future__ import annotations

import queue
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from benchkit.errors import BenchkitError, RefusedError, did_you_mean
from benchkit.model.bursts import BurstSource
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.spool import spool_folder
from benchkit.session.capture_orders import BeginCapture, Captured, EndCapture, Fire, Listening, Totals
from benchkit.session.piped import PipedProcess

END_PATIENCE_S = 5.0


class CaptureLine:
    """One capturing process, from ``start`` to ``end``."""

    def __init__(self, source: BurstSource) -> None:
        self.source = source
        self.fired = 0
        self.under_way = 0
        self.address = ""
        self.totals: Totals | None = None
        self.is_told_full = False
        self._answers: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._piped: PipedProcess | None = None

    def start(self, folder: Path, start_ns: int) -> None:
        """Start the process; whether it listens is told later."""
        begin = BeginCapture(self.source, folder, start_ns)
        name = f"benchkit-burst-{self.source.name}"
        self._piped = PipedProcess(
            "benchkit.session.capture", name, begin, EndCapture, self._answers.put, lambda: self._answers.put(None)
        )

    def put(self, order: object) -> None:
        """Give an order; never waits."""
        assert self._piped is not None
        self._piped.put(order)

    def answers(self) -> list[Any]:
        """What has been answered since the last time."""
        found = []
        while not self._answers.empty():
            found.append(self._answers.get())
        return found

    @property
    def is_alive(self) -> bool:
        """True while the process runs."""
        return self._piped is not None and self._piped.is_alive

    def end(self, timeout_s: float) -> None:
        """Let bursts under way come to their end, but wait no longer than this."""
        if self._piped is not None:
            self._piped.let_go(EndCapture(), timeout_s)
            self._piped = None


class Bursts:
    """The burst sources of one recording."""

    def __init__(self, sources: Mapping[str, BurstSource], ports: Mapping[str, str]) -> None:
        self.lines = {
            name: CaptureLine(replace(source, port=ports.get(name, source.port)) if source.file is None else source)
            for name, source in sources.items()
        }
        self._start_ns = 0
        self._is_ended = False

    @property
    def specs(self) -> tuple[BurstSpec, ...]:
        """What the run file keeps of each source."""
        lines = self.lines.values()
        return tuple(BurstSpec(line.source.name, line.source.channels, line.source.stored_type) for line in lines)

    def begin(self, run_path: Path, start_ns: int) -> None:
        """Start the capturing processes, without waiting for them."""
        self._start_ns = start_ns
        for line in self.lines.values():
            line.start(spool_folder(run_path), start_ns)

    def take(self, event: Event) -> None:
        """An event of the run: fire the sources that it is a trigger for."""
        for line in self.lines.values():
            if event.kind in line.source.triggers:
                reason = f"{event.kind.value}: {event.message}"
                self._fire(line, reason, self._start_ns + round(event.time_s * 1e9))

    def ask(self, source: str, reason: str, now_ns: int) -> str:
        """Fire one source (all with an empty name) because a person asks for it; returns what is under way.

        Raises:
            RefusedError: no such source, or the run has all its bursts of it.
        """
        if source and source not in self.lines:
            hint = did_you_mean(source, self.lines)
            raise RefusedError(
                "no burst source of that name", got=source, remedy=hint or f"Known: {', '.join(self.lines)}."
            )
        lines = [self.lines[source]] if source else [line for line in self.lines.values() if line.source.file is None]
        if not lines or any(line.source.file is not None for line in lines):
            raise RefusedError("takes the files that appear in its folder", got=source, remedy="Save a file there.")
        fired = []
        for line in lines:
            number = self._fire(line, reason, now_ns)
            if number is None:
                raise RefusedError(
                    "the run has all its bursts of this source",
                    got=line.source.name,
                    expected=f"at most {line.source.most_bursts}",
                    remedy="Start a new recording, or allow more with most_bursts.",
                )
            fired.append(f"burst {number} of {line.source.name}")
        return ", ".join(fired)

    def turn(self, now_s: float) -> tuple[list[Event], list[Path]]:
        """What has happened since the last turn: events to tell, and bursts that lie on the disk."""
        events: list[Event] = []
        files: list[Path] = []
        for line in self.lines.values():
            for answer in line.answers():
                if isinstance(answer, Listening):
                    line.address = answer.address
                elif isinstance(answer, Totals):
                    line.totals = answer
                elif isinstance(answer, Captured):
                    line.under_way -= answer.number > 0 and line.source.file is None
                    events.append(_captured(answer, line.source.name, now_s))
                    if answer.path is not None:
                        files.append(answer.path)
                elif not self._is_ended:
                    why = f"{answer}" if isinstance(answer, BenchkitError) else "the capturing process has ended"
                    data: dict[str, JsonValue] = {"burst_source": line.source.name, "rows": 0}
                    message = f"no more bursts of {line.source.name}: {why}. Recording and protection go on."
                    events.append(Event(now_s, EventKind.BURST, message, data=data))
        return events, files

    def end(self) -> None:
        """Let bursts under way come to their end; ``turn`` once more then brings them. The stand has been stopped."""
        self._is_ended = True
        for line in self.lines.values():
            line.end(line.source.post_s + END_PATIENCE_S)

    def counts(self) -> dict[str, JsonValue]:
        """Figures of each source, for the event that closes a run."""
        found: dict[str, JsonValue] = {}
        for name, line in self.lines.items():
            totals: dict[str, JsonValue] = dict(asdict(line.totals or Totals()))
            found[name] = {"fired": line.fired, **totals}
        return found

    def _fire(self, line: CaptureLine, reason: str, time_ns: int) -> int | None:
        if line.fired >= line.source.most_bursts or self._is_ended:
            return None
        line.fired += 1
        line.under_way += 1
        line.put(Fire(line.fired, reason, time_ns))
        return line.fired


def _captured(answer: Captured, source: str, now_s: float) -> Event:
    name = f"burst {answer.number} of {source}" if answer.number else f"a burst of {source}"
    data: dict[str, JsonValue] = {
        "burst_source": source,
        "number": answer.number,
        "reason": answer.reason,
        "trigger_s": answer.time_ns * 1e-9,
        "rows": answer.rows,
        "missing": answer.missing,
    }
    if answer.path is None:
        return Event(now_s, EventKind.BURST, f"{name} ({answer.reason}) was not captured: {answer.why}", data=data)
    gap = f"{answer.missing} samples missing" if answer.missing else "no sample missing"
    return Event(now_s, EventKind.BURST, f"{name}: {answer.rows} samples, {gap}; {answer.reason}", data=data)


def take_burst(recorder: Any, request: Mapping[str, Any]) -> dict[str, Any]:
    """The request ``burst``: keep what lies around now.

    Raises:
        RefusedError: the stand has no burst source, or the source takes no more.
    """
    bursts: Bursts | None = recorder.bursts
    if bursts is None or not bursts.lines:
        raise RefusedError("this stand has no burst source", where="burst", remedy="Declare one: [bursts.NAME].")
    who, text = str(request.get("who", ""))[:80], str(request.get("text", ""))[:200]
    reason = f"asked by {who}" + (f": {text}" if text else "")
    fired = bursts.ask(str(request.get("source", "")), reason, recorder.clock.now_ns())
    return {"done": [f"{fired} under way"]}


def make_bursts(sources: Mapping[str, BurstSource], ports: Mapping[str, str]) -> Bursts | None:
    """The burst sources of a recording; None for a stand without."""
    return Bursts(sources, ports) if sources else None
