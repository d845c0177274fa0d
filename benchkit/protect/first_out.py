"""First-out: which of several causes came first, as far as the samples can tell.

Within one source the rows keep the order of the world: a cause in a later row came later. Else only host times can be
compared, and they say nothing finer than the sample interval, between two sources the longer of both.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of a trip: a limit, or something told from outside (``source`` empty, ``row`` 0)."""

    name: str
    time_ns: int
    source: str = ""
    row: int = 0
    why: str = ""
    """What several limits may have in common: a silent or lost source is one cause, on however many limits."""


@dataclass(frozen=True, slots=True)
class FirstOut:
    """The first cause since the last reset.

    More than one name where the order cannot be resolved, or where one silent or lost source shows on several limits.
    """

    limits: tuple[str, ...]
    order_resolved: bool
    sample_ns: int
    """Host time of the first cause."""
    first: Cause

    def __str__(self) -> str:
        names = ", ".join(self.limits)
        if self.first.why:
            names = f"{self.first.why}: {names}"
        return names if self.order_resolved else f"{names} (order not resolved)"


def add_cause(known: FirstOut | None, cause: Cause, interval_ns: Callable[[str], int]) -> FirstOut:
    """First-out after one more cause. ``interval_ns(source)`` is the sample interval of a source."""
    if known is None:
        return FirstOut((cause.name,), True, cause.time_ns, cause)
    if cause.name in known.limits or is_later(known.first, cause, interval_ns):
        return known
    is_the_same = bool(cause.why) and cause.why == known.first.why
    return replace(known, limits=(*known.limits, cause.name), order_resolved=known.order_resolved and is_the_same)


def is_later(first: Cause, cause: Cause, interval_ns: Callable[[str], int]) -> bool:
    """True when ``cause`` certainly came after ``first``."""
    if first.source and first.source == cause.source and cause.row > first.row:
        return True
    return cause.time_ns - first.time_ns > max(interval_ns(first.source), interval_ns(cause.source))


class SampleInterval:
    """Sample interval of one source: declared, or the longest seen between the arrivals of the last blocks.

    The longest, not the mean: a link that hands over sixteen rows at once tells their times no finer than that.
    """

    __slots__ = ("_declared_ns", "_last_ns", "_steps")

    BLOCKS = 32

    def __init__(self, declared_s: float | None = None) -> None:
        self._declared_ns = None if declared_s is None else round(declared_s * 1e9)
        self._last_ns: int | None = None
        self._steps: deque[tuple[int, int, int]] = deque(maxlen=self.BLOCKS)

    def note(self, first_ns: int, last_ns: int, rows: int) -> None:
        """A block of ``rows`` rows that arrived from ``first_ns`` to ``last_ns``."""
        self._steps.append(
            (first_ns if self._last_ns is None else self._last_ns, first_ns, (last_ns - first_ns) // rows)
        )
        self._last_ns = last_ns

    @property
    def ns(self) -> int:
        """The interval; 0 while nothing is known."""
        if self._declared_ns is not None:
            return self._declared_ns
        return max((max(first - before, within) for before, first, within in self._steps), default=0)
