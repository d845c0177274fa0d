"""How long each trip took: a record a cause, opened at the decision, closed at the first acknowledgement."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace

from benchkit.model.events import JsonValue
from benchkit.protect.outcomes import Reaction

REACTIONS_KEPT = 1000
"""Reaction records kept in memory: a chattering limit must not fill it. The event log has the slowest ones."""


class ReactionBook:
    """Reaction records, each under a key."""

    def __init__(self) -> None:
        self._records: dict[int, Reaction] = {}
        self._kept: deque[int] = deque()
        self._next = 0

    @property
    def all(self) -> tuple[Reaction, ...]:
        """The records, oldest first."""
        return tuple(self._records.values())

    def open(self, limit: str, sample_ns: int, decided_ns: int) -> int:
        """A new record; returns its key."""
        key, self._next = self._next, self._next + 1
        self._records[key] = Reaction(limit, sample_ns, decided_ns)
        self._kept.append(key)
        if len(self._kept) > REACTIONS_KEPT:
            self._records.pop(self._kept.popleft(), None)
        return key

    def written(self, keys: Iterable[int], now_ns: int) -> None:
        """A command for these causes has been written: the first writing counts."""
        for key in keys:
            record = self._records.get(key)
            if record is not None and record.written_ns is None:
                self._records[key] = replace(record, written_ns=now_ns)

    def acknowledged(self, keys: Iterable[int], now_ns: int) -> list[JsonValue]:
        """A device has acknowledged a command for these causes; returns the records for the event log."""
        told: list[JsonValue] = []
        for key in keys:
            record = self._records.get(key)
            if record is not None:
                if record.written_ns is not None:
                    self._records[key] = record = replace(record, acknowledged_ns=now_ns)
                told.append(_as_json(record))
        return told


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
