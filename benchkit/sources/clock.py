"""The one clock: monotonic nanoseconds for everything, UTC for headers only."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Where time comes from."""

    def now_ns(self) -> int:
        """Host monotonic time in ns. Its zero has no meaning; it never goes back."""
        ...

    def utc_now(self) -> datetime:
        """Wall-clock time, aware, in UTC: for headers and names, never for intervals."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait for ``seconds``; at once when it is zero or less."""
        ...


class HostClock:
    """The clock of this computer."""

    def now_ns(self) -> int:
        return time.perf_counter_ns()

    def utc_now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        if seconds > 0.0:
            time.sleep(seconds)


class ManualClock:
    """A clock that stands still until it is moved; sleeping moves it. For tests and for replay without waiting."""

    def __init__(self, start_ns: int = 0, utc: datetime = datetime(2000, 1, 1, tzinfo=UTC)) -> None:
        self._now_ns = self._start_ns = start_ns
        self._utc = utc

    def now_ns(self) -> int:
        return self._now_ns

    def utc_now(self) -> datetime:
        return self._utc + timedelta(microseconds=(self._now_ns - self._start_ns) // 1000)

    def sleep(self, seconds: float) -> None:
        if seconds > 0.0:
            self.advance(seconds)

    def advance(self, seconds: float) -> None:
        """Move the time forward by ``seconds``."""
        self._now_ns += round(seconds * 1e9)
