"""What repeats does not flood the event log: each event up to a number a second, then the last one with their count.

A limit that chatters acts and lets go with every row. Every act counts and commands its stop; of the events the first
ones of a second show what it is, and the last one of it, told when that second is over, how it ended.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from benchkit.model.events import Event, EventKind, JsonValue

MOST_A_SECOND = 20
REPEATING = frozenset(
    {
        EventKind.BAD_FRAME,
        EventKind.GAP,
        EventKind.CAUTION,
        EventKind.CAUTION_CLEARED,
        EventKind.TRIP,
        EventKind.TRIP_CLEARED,
        EventKind.STOP_COMMANDED,
        EventKind.STOP_ACKNOWLEDGED,
        EventKind.STOP_NOT_ACKNOWLEDGED,
        EventKind.STOP_PASSED_OVER,
        EventKind.PERMISSIVE,
        EventKind.STATE,
        EventKind.REFUSED,
        EventKind.QUALITY,
        EventKind.QUALITY_OVER,
    }
)
"""Kinds that rows alone can bring about, as often as there are rows. The others are told always."""
_ABOUT = ("limit", "action", "permissive", "to")
"""Keys of ``data`` that say what an event is about."""
_SLOWEST = ("sample_to_written_s", "sample_to_acknowledged_s")


@dataclass(slots=True)
class _Count:
    second: int
    told: int = 0
    untold: int = 0
    last: Event | None = None


class Repeats:
    """Counts events of the same kind about the same thing, second by second of their own time."""

    def __init__(self) -> None:
        self._counts: dict[tuple[EventKind, str, JsonValue], _Count] = {}

    def take(self, event: Event) -> Iterator[Event]:
        """What is to be told now that ``event`` has happened. A reset ends what was before it."""
        if event.kind is EventKind.RESET:
            yield from self.rest()
        if event.kind not in REPEATING:
            yield event
            return
        about = next((event.data[key] for key in _ABOUT if key in event.data), "")
        key = (event.kind, event.source, about if isinstance(about, str) else "")
        second = int(event.time_s // 1.0)
        count = self._counts.setdefault(key, _Count(second))
        if second > count.second:
            yield from _left(count)
            self._counts[key] = count = _Count(second)
        if count.told < MOST_A_SECOND:
            count.told += 1
            yield event
        else:
            count.untold += 1
            count.last = event if count.last is None else _with_slowest(event, count.last)

    def over(self, now_s: float) -> list[Event]:
        """The last ones of the seconds that are over."""
        return self._end([key for key, count in self._counts.items() if count.second < now_s // 1.0])

    def rest(self) -> list[Event]:
        """The last ones, though their second may not be over."""
        return self._end(list(self._counts))

    def _end(self, keys: Iterable[tuple[EventKind, str, JsonValue]]) -> list[Event]:
        events = [event for key in keys for event in _left(self._counts.pop(key))]
        return sorted(events, key=lambda event: event.time_s)


def _left(count: _Count) -> Iterator[Event]:
    """The last event that was not told, with the number of those before it; nothing where all were."""
    if count.last is None:
        return
    untold = count.untold - 1
    text = f"{count.last.message} ({untold} more in this second)" if untold else count.last.message
    yield replace(count.last, message=text, data={**count.last.data, "untold": untold})


def _with_slowest(event: Event, before: Event) -> Event:
    """The event with the slowest of the reactions that were not told, so that the log still holds the worst case."""
    records = [
        record
        for one in (before, event)
        if isinstance(found := one.data.get("reactions"), list)
        for record in found
        if isinstance(record, dict)
    ]
    if len(records) <= len(_SLOWEST):
        kept = records
    else:
        kept = [max(records, key=lambda record, stage=stage: _size(record.get(stage))) for stage in _SLOWEST]  # type: ignore[misc]
    return replace(event, data={**event.data, "reactions": list(kept)}) if records else event


def _size(value: JsonValue) -> float:
    return float(value) if isinstance(value, int | float) else -1.0
