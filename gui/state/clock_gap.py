"""How old a message is although it has just arrived: it may have waited in a line that nobody emptied."""

from __future__ import annotations

_LOOSER_PER_S = 1e-4
"""Two clocks drift apart by less than this; the gap between them is followed that fast."""


class ClockGap:
    """The least gap seen between the recorder's clock and ours is that of a message that did not wait."""

    def __init__(self) -> None:
        self._gap_s: float | None = None
        self._seen_s = 0.0
        self._newest_s = 0.0

    def take(self, told_s: float, now_s: float) -> None:
        """A message says ``told_s`` by the recorder's clock; it is ``now_s`` by ours."""
        gap = now_s - told_s
        if self._gap_s is None:
            self._gap_s = gap
        else:
            self._gap_s = min(gap, self._gap_s + _LOOSER_PER_S * max(now_s - self._seen_s, 0.0))
        self._seen_s, self._newest_s = now_s, told_s

    def late_s(self, now_s: float) -> float:
        """Age of the newest message [s] by the recorder's clock; 0 before the first."""
        return 0.0 if self._gap_s is None else max(now_s - self._newest_s - self._gap_s, 0.0)
