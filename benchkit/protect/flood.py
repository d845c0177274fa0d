"""Alarm floods: more alarms than a person can answer.

Rules, with the figures of ISA-18.2 and EEMUA 191 (second-hand, from memory; not checked against their text):

1. The rate is the number of alarms of the last 10 minutes. An alarm counts at the instant it calls for attention, and
   no longer when it is 10 minutes old to the nanosecond.
2. A flood begins with the alarm that makes the rate 10, and ends when the rate falls below 5.
"""

from __future__ import annotations

from collections import deque

WINDOW_NS = 600_000_000_000
BEGINS_AT = 10
ENDS_BELOW = 5
COUNTED = 10_000
"""Alarms kept for the count: with more the count stands at this number, and it is a flood long since."""


class Flood:
    """Counts alarms in host time."""

    def __init__(self) -> None:
        self._times: deque[int] = deque(maxlen=COUNTED)
        self.is_on = False

    def add(self, time_ns: int) -> bool:
        """One more alarm; True when a flood begins with it."""
        self._drop(time_ns)
        self._times.append(time_ns)
        begins = not self.is_on and len(self._times) >= BEGINS_AT
        self.is_on |= begins
        return begins

    def ends_ns(self) -> int | None:
        """When the flood ends if no alarm comes any more; None without a flood."""
        return self._times[-ENDS_BELOW] + WINDOW_NS if self.is_on else None

    def end(self, now_ns: int) -> bool:
        """True when the flood is over at ``now_ns``."""
        due = self.ends_ns()
        if due is None or now_ns < due:
            return False
        self.is_on = False
        return True

    def rate(self, now_ns: int) -> int:
        """Alarms of the last 10 minutes."""
        self._drop(now_ns)
        return len(self._times)

    def _drop(self, now_ns: int) -> None:
        # the last few are kept while a flood lasts: they say when it ends
        while (
            self._times and now_ns - self._times[0] >= WINDOW_NS and not (self.is_on and len(self._times) <= ENDS_BELOW)
        ):
            self._times.popleft()
