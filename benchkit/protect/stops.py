"""Stop actions under way: commanded, written, acknowledged, or repeated until they are.

A command that is not acknowledged within ``timeout_s`` is sent again, each time with an event: ``QUICK_REPEATS`` times
every ``timeout_s``, then every ``SLOW_FACTOR`` times that, for as long as it takes. While the link of the source is
lost nothing can be sent; the command goes out when the link is back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchkit.model.events import EventKind, JsonValue
from benchkit.model.stops import StopAction
from benchkit.protect.outcomes import Command, Happened, Outcome, Reaction
from benchkit.protect.wording import seconds

QUICK_REPEATS = 10
SLOW_FACTOR = 10
REACTIONS_KEPT = 1000
"""Reaction records kept in memory: a chattering limit must not fill it. The event log has them all."""


@dataclass(slots=True)
class _UnderWay:
    action: StopAction
    command: Command
    due_ns: int
    is_orderly: bool
    written_ns: int | None = None
    reactions: list[int] = field(default_factory=list)


class StopBook:
    """All stop actions under way, by name of the action, and the reaction records."""

    def __init__(self, actions: Mapping[str, StopAction]) -> None:
        self._actions = actions
        self._under_way: dict[str, _UnderWay] = {}
        self._lost: set[str] = set()
        self._reactions: dict[int, Reaction] = {}
        self._kept: deque[int] = deque()
        self._next = 0

    @property
    def unacknowledged(self) -> tuple[str, ...]:
        """Names of the actions that are not acknowledged."""
        return tuple(self._under_way)

    @property
    def reactions(self) -> tuple[Reaction, ...]:
        """Reaction records, oldest first."""
        return tuple(self._reactions.values())

    def command(
        self, name: str, cause: str, causes: Sequence[tuple[str, int]], now_ns: int, *, is_orderly: bool = False
    ) -> list[Outcome]:
        """Command action ``name``. ``causes`` are (limit, sample_ns); each gets a reaction record, unless orderly."""
        action = self._actions[name]
        sample_ns = min((time_ns for _, time_ns in causes), default=now_ns)
        before = self._under_way.get(name)
        order = Command(action.source, action.command, cause, sample_ns, name)
        entry = _UnderWay(action, order, now_ns + _timeout_ns(action), is_orderly)
        if before is not None:
            entry.reactions = before.reactions
        if not is_orderly:
            entry.reactions += [self._open(Reaction(limit, time_ns, now_ns)) for limit, time_ns in causes]
        self._under_way[name] = entry
        if action.source in self._lost:
            return [self._held_back(entry, now_ns)]
        return [order, _commanded(entry, now_ns)]

    def written(self, command: Command, now_ns: int) -> None:
        """The caller has written ``command``."""
        entry = self._under_way.get(command.action)
        if entry is None:
            return
        if entry.written_ns is None:
            entry.written_ns = now_ns
        for key in entry.reactions:
            record = self._reactions.get(key)
            if record is not None and record.written_ns is None:
                self._reactions[key] = replace(record, written_ns=now_ns)

    def reply(self, source: str, text: str, now_ns: int) -> tuple[list[Outcome], bool]:
        """An answer of ``source``: events of the actions it acknowledges, and whether one was an orderly stop."""
        outcomes: list[Outcome] = []
        was_orderly = False
        for name, entry in list(self._under_way.items()):
            if entry.action.source == source and entry.action.acknowledged_by == text.strip():
                del self._under_way[name]
                was_orderly |= entry.is_orderly
                outcomes.append(self._acknowledged(entry, now_ns))
        return outcomes, was_orderly

    def tick(self, now_ns: int) -> list[Outcome]:
        """Repeat what is overdue."""
        outcomes: list[Outcome] = []
        for entry in self._under_way.values():
            if now_ns >= entry.due_ns and entry.action.source not in self._lost:
                timeout_s = entry.action.timeout_s
                told = f"{entry.action.name}: {entry.command.text!r} not acknowledged within {seconds(timeout_s)}"
                outcomes += self._again(entry, now_ns, EventKind.STOP_NOT_ACKNOWLEDGED, told)
        return outcomes

    def drop_orderly(self) -> None:
        """A trip has taken over: an orderly stop is not repeated any more."""
        self._under_way = {name: entry for name, entry in self._under_way.items() if not entry.is_orderly}

    def source_lost(self, source: str, now_ns: int) -> list[Outcome]:
        """What is under way on ``source`` waits until it is back."""
        self._lost.add(source)
        return [self._held_back(e, now_ns) for e in self._under_way.values() if e.action.source == source]

    def source_back(self, source: str, now_ns: int) -> list[Outcome]:
        """Send at once what has waited."""
        self._lost.discard(source)
        outcomes: list[Outcome] = []
        for entry in self._under_way.values():
            if entry.action.source == source:
                told = f"{entry.action.name}: {entry.command.text!r} sent to {source}, which is back"
                outcomes += self._again(entry, now_ns, EventKind.STOP_COMMANDED, told)
        return outcomes

    def _again(self, entry: _UnderWay, now_ns: int, kind: EventKind, told: str) -> list[Outcome]:
        entry.command = replace(entry.command, attempt=entry.command.attempt + 1)
        slowly = SLOW_FACTOR if entry.command.attempt > QUICK_REPEATS else 1
        entry.due_ns = now_ns + slowly * _timeout_ns(entry.action)
        data: dict[str, JsonValue] = {"action": entry.action.name, "attempt": entry.command.attempt}
        if kind is EventKind.STOP_NOT_ACKNOWLEDGED:
            told += f"; sent again (attempt {entry.command.attempt})"
        return [entry.command, Happened(now_ns, kind, told, source=entry.action.source, data=data)]

    def _held_back(self, entry: _UnderWay, now_ns: int) -> Happened:
        source = entry.action.source
        return Happened(
            now_ns,
            EventKind.STOP_NOT_ACKNOWLEDGED,
            f"{entry.action.name}: {entry.command.text!r} cannot be sent, {source} is lost; sent when it is back",
            source=source,
            data={"action": entry.action.name, "attempt": entry.command.attempt},
        )

    def _acknowledged(self, entry: _UnderWay, now_ns: int) -> Happened:
        records: list[JsonValue] = []
        for key in entry.reactions:
            record = self._reactions.get(key)
            if record is not None:
                if record.written_ns is not None:
                    self._reactions[key] = record = replace(record, acknowledged_ns=now_ns)
                records.append(_as_json(record))
        took = f" after {(now_ns - entry.written_ns) / 1e6:.1f} ms" if entry.written_ns is not None else ""
        return Happened(
            now_ns,
            EventKind.STOP_ACKNOWLEDGED,
            f"{entry.action.name}: acknowledged by {entry.action.source}{took}",
            source=entry.action.source,
            data={"action": entry.action.name, "attempt": entry.command.attempt, "reactions": records},
        )

    def _open(self, record: Reaction) -> int:
        key, self._next = self._next, self._next + 1
        self._reactions[key] = record
        self._kept.append(key)
        if len(self._kept) > REACTIONS_KEPT:
            self._reactions.pop(self._kept.popleft(), None)
        return key


def _timeout_ns(action: StopAction) -> int:
    return round(action.timeout_s * 1e9)


def _commanded(entry: _UnderWay, now_ns: int) -> Happened:
    return Happened(
        now_ns,
        EventKind.STOP_COMMANDED,
        f"{entry.action.name}: {entry.command.text!r} to {entry.action.source} ({entry.command.cause})",
        source=entry.action.source,
        data={
            "action": entry.action.name,
            "attempt": entry.command.attempt,
            "stop_category": entry.action.stop_category,
            "is_orderly": entry.is_orderly,
        },
    )


def _as_json(record: Reaction) -> dict[str, JsonValue]:
    """Steps of one reaction in seconds; None for a step that is not known."""
    marks = (record.sample_ns, record.decided_ns, record.written_ns, record.acknowledged_ns)

    def between(start: int, end: int) -> JsonValue:
        first, last = marks[start], marks[end]
        return None if first is None or last is None else (last - first) / 1e9

    return {
        "limit": record.limit,
        "sample_to_decided_s": between(0, 1),
        "decided_to_written_s": between(1, 2),
        "written_to_acknowledged_s": between(2, 3),
        "sample_to_written_s": between(0, 2),
        "sample_to_acknowledged_s": between(0, 3),
    }
