"""When a beat of the heartbeat output is due, and how steadily beats went out. Time is an argument.

A beat says: limits were looked at since the last beat. So it may go out only at the end of a turn that was complete,
and only while every source that a trip limit needs is open and was looked at in that turn. A hardware watchdog drops
the enable when beats stay out. A heartbeat is an aid: it is not a safety function, the hard-wired chain stays.

Beats lie on whole multiples of the period. One that comes late goes out at once; when it was late by more than half a
period the multiples are counted anew from it, so that two beats are never closer than half a period.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, exp, log

import numpy as np

from benchkit.model.events import JsonValue
from benchkit.model.limits import Severity
from benchkit.model.stand import Stand

LATE_FACTOR = 1.5
"""An interval longer than so many periods counts as late. A watchdog should wait for three periods."""
RESOLUTION = 0.01
"""Relative width of the classes from which the 99 % point is read."""
_SMALLEST, _LARGEST = 0.01, 1000.0
"""Intervals in periods that have classes of their own; what lies beyond goes to the first or last one."""


def sources_needed(stand: Stand) -> frozenset[str]:
    """Sources of the channels that trip limits watch or follow: without a look at them no beat may go out."""
    trips = [limit for limit in stand.limit_set.limits if limit.severity is Severity.TRIP]
    names = {n for x in trips for n in (x.channel, *x.partners, *(line.channel for line in x.lines))}
    channels = (stand.channels.get(name) for name in names)
    return frozenset(channel.source for channel in channels if channel is not None)


class BeatSchedule:
    """Tells at the end of a turn whether a beat is due."""

    def __init__(self, period_ns: int) -> None:
        self._period_ns = period_ns
        self._next_ns: int | None = None

    def is_due(self, now_ns: int) -> bool:
        """True when a beat is to go out now; the next is then due a period later. The first is due at once."""
        if self._next_ns is not None and now_ns < self._next_ns:
            return False
        late_ns = 0 if self._next_ns is None else now_ns - self._next_ns
        self._next_ns = now_ns - (late_ns if late_ns <= self._period_ns // 2 else 0) + self._period_ns
        return True

    def pause(self, until_ns: int) -> None:
        """No beat before ``until_ns``."""
        self._next_ns = max(until_ns, self._next_ns or until_ns)


@dataclass(frozen=True, slots=True)
class BeatFigures:
    """How steadily beats went out: intervals between two beats in s; None before there are two."""

    beats: int
    late: int
    """Intervals longer than ``LATE_FACTOR`` periods."""
    pauses: int
    """Times that beats were kept back on purpose."""
    unanswered: int
    """Beats that the device did not take: the coil was not written, the line could not be switched."""
    mean_s: float | None = None
    p99_s: float | None = None
    """99 % of the intervals are not longer; read from classes, at most ``RESOLUTION`` too long."""
    worst_s: float | None = None

    def as_data(self) -> dict[str, JsonValue]:
        """For the data of an event."""
        return {
            "beats": self.beats, "late": self.late, "pauses": self.pauses, "unanswered": self.unanswered,
            "mean_s": self.mean_s, "p99_s": self.p99_s, "worst_s": self.worst_s,
        }  # fmt: skip


class BeatStatistics:
    """Counts beats and their intervals in memory that does not grow."""

    def __init__(self, period_ns: int) -> None:
        self._period_ns = period_ns
        self._step = log(1.0 + RESOLUTION)
        self._classes = np.zeros(ceil(log(_LARGEST / _SMALLEST) / self._step) + 2, dtype=np.int64)
        self._last_ns: int | None = None
        self._beats = self._late = self._pauses = self._unanswered = 0
        self._intervals = self._sum_ns = self._worst_ns = 0

    def beat(self, at_ns: int) -> int | None:
        """A beat went out. Returns the interval [ns] when it was late, else None."""
        self._beats += 1
        before, self._last_ns = self._last_ns, at_ns
        if before is None:
            return None
        interval = at_ns - before
        self._intervals += 1
        self._sum_ns += interval
        self._worst_ns = max(self._worst_ns, interval)
        self._classes[self._class_of(interval)] += 1
        if interval <= LATE_FACTOR * self._period_ns:
            return None
        self._late += 1
        return interval

    def pause(self) -> None:
        """Beats are kept back on purpose: the time until the next one is no interval."""
        self._pauses += 1
        self._last_ns = None

    def not_taken(self) -> None:
        """The device did not take a beat."""
        self._unanswered += 1

    def figures(self) -> BeatFigures:
        """The figures so far."""
        if not self._intervals:
            return BeatFigures(self._beats, self._late, self._pauses, self._unanswered)
        return BeatFigures(
            self._beats,
            self._late,
            self._pauses,
            self._unanswered,
            mean_s=self._sum_ns / self._intervals * 1e-9,
            p99_s=min(self._quantile_ns(0.99), self._worst_ns) * 1e-9,
            worst_s=self._worst_ns * 1e-9,
        )

    def _class_of(self, interval_ns: int) -> int:
        ratio = interval_ns / self._period_ns
        if ratio <= _SMALLEST:
            return 0
        return min(1 + int(log(ratio / _SMALLEST) / self._step), len(self._classes) - 1)

    def _quantile_ns(self, share: float) -> float:
        """Upper end of the class in which the interval of that rank lies; for the last class the worst interval."""
        k = int(np.searchsorted(np.cumsum(self._classes), ceil(share * self._intervals)))
        return (
            float(self._worst_ns) if k == len(self._classes) - 1 else self._period_ns * _SMALLEST * exp(k * self._step)
        )


def beats_in_words(figures: BeatFigures, period_s: float) -> str:
    """One line for the event log and the report."""
    text = f"{figures.beats} beats, period {period_s * 1e3:.4g} ms"
    if figures.mean_s is not None and figures.p99_s is not None and figures.worst_s is not None:
        spread = (figures.mean_s * 1e3, figures.p99_s * 1e3, figures.worst_s * 1e3)
        text += "; interval mean {:.4g} ms, 99 % {:.4g} ms, worst {:.4g} ms".format(*spread)
    counts: Iterable[tuple[int, str]] = (
        (figures.late, f"later than {LATE_FACTOR:g} periods"),
        (figures.pauses, "times kept back"),
        (figures.unanswered, "not taken by the device"),
    )
    return "; ".join([text, *(f"{count} {words}" for count, words in counts if count)])
