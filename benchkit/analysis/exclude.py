"""Points that a person has excluded: they stay in the run, marked with reason and author, in no map and no fit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TypeVar

from benchkit.model.events import Event, EventKind
from benchkit.model.results import OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stream import StreamRows

T = TypeVar("T", PowerBalance, StaticThrust)


def mark_excluded(
    points: Iterable[OperatingPoint], stream: StreamRows, events: Sequence[Event]
) -> tuple[OperatingPoint, ...]:
    """The same points; those that an event of the kind ``excluded_point`` covers by at least half carry its words.

    Times of the event are host time since the start of the run, laid onto the samples as for every event. An event
    without a reason or without two numbers excludes nothing.
    """
    spans = [span for event in events if (span := _span(event, stream)) is not None]
    marked = []
    for point in points:
        for start_s, end_s, reason, who in spans:
            shared = min(end_s, point.time_end_s) - max(start_s, point.time_start_s)
            if shared >= 0.5 * (point.time_end_s - point.time_start_s):
                point = replace(point, excluded_reason=reason, excluded_by=who)  # noqa: PLW2901  the last word counts
        marked.append(point)
    return tuple(marked)


def kept(rows: Iterable[T]) -> tuple[T, ...]:
    """Results of points that nobody excluded."""
    return tuple(row for row in rows if not row.point.is_excluded)


def _span(event: Event, stream: StreamRows) -> tuple[float, float, str, str] | None:
    if event.kind is not EventKind.EXCLUDED_POINT:
        return None
    numbers = [event.data.get(key) for key in ("from_s", "to_s")]
    reason, who = (str(event.data.get(key) or "").strip() for key in ("reason", "who"))
    if not reason or not all(isinstance(n, int | float) and math.isfinite(n) for n in numbers):
        return None
    start_s, end_s = (stream.time_at(float(n)) for n in numbers)  # type: ignore[arg-type]  # checked above
    return start_s, end_s, reason, who
