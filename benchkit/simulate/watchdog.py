"""Watchdog of the simulated stand, as a watchdog relay on a heartbeat does it. Time is an argument.

The enable is given by the first two beats after switching on. It is dropped when no *new* beat came for ``patience_s``:
a beat whose number is that of the beat before is none, so a line that repeats itself does not look alive. Once dropped
it stays dropped, also when beats come again, until somebody arms the watchdog; that is refused while no beat is fresh.
"""

from __future__ import annotations


class Watchdog:
    """Gives and drops the enable of the drive."""

    def __init__(self, patience_s: float) -> None:
        self.patience_s = patience_s
        self.is_enabled = False
        self._has_dropped = False
        self._count: int | None = None
        self._beat_s: float | None = None

    def beat(self, count: int, now_s: float) -> None:
        """Beat ``count`` has come."""
        if count == self._count:
            return
        if self._count is not None and not self._has_dropped:
            self.is_enabled = True
        self._count, self._beat_s = count, now_s

    def drops(self, now_s: float) -> bool:
        """True when the enable is dropped now."""
        if not self.is_enabled or self._is_fresh(now_s):
            return False
        self.is_enabled, self._has_dropped = False, True
        return True

    def arm(self, now_s: float) -> str | None:
        """Give the enable again; returns why not, or None."""
        if not self._is_fresh(now_s):
            return f"no new beat within {self.patience_s:g} s"
        self.is_enabled, self._has_dropped = True, False
        return None

    def _is_fresh(self, now_s: float) -> bool:
        return self._beat_s is not None and now_s - self._beat_s <= self.patience_s
