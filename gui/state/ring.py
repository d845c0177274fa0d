"""Buffers of the newest rows. Appending never moves more than it must; reading gives plain contiguous views."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class Ring:
    """The newest ``capacity`` rows of ``columns`` channels with their times.

    Storage is twice the capacity: rows are appended behind one another, and only when the end is reached does the
    newest half move to the front. Time must not run backwards; where it does (a device restarted its clock), the
    older rows are dropped from the view and counted in ``restarts``. The run file keeps every row.
    """

    def __init__(self, columns: int, capacity: int) -> None:
        self.capacity = capacity
        self.restarts = 0
        self._time = np.empty(2 * capacity)
        self._values = np.empty((2 * capacity, columns))
        self._start = self._end = 0

    def __len__(self) -> int:
        return self._end - self._start

    @property
    def time_s(self) -> FloatArray:
        """Times (n,), rising."""
        return self._time[self._start : self._end]

    @property
    def values(self) -> FloatArray:
        """Values (n, columns), NaN where not measured."""
        return self._values[self._start : self._end]

    @property
    def last_time_s(self) -> float:
        """Time of the newest row; NaN when empty."""
        return float(self._time[self._end - 1]) if len(self) else float("nan")

    def append(self, time_s: FloatArray, values: FloatArray) -> None:
        """Add rows, oldest first: ``time_s`` (n,), ``values`` (n, columns)."""
        if len(time_s) == 0:
            return
        back = np.flatnonzero(np.diff(time_s) < 0)
        if len(back):
            cut = int(back[-1]) + 1
            time_s, values = time_s[cut:], values[cut:]
            self._restart()
        elif len(self) and time_s[0] < self.last_time_s:
            self._restart()
        time_s, values = time_s[-self.capacity :], values[-self.capacity :]
        count = len(time_s)
        if self._end + count > 2 * self.capacity:
            keep = min(len(self), self.capacity - count)
            self._time[:keep] = self._time[self._end - keep : self._end]
            self._values[:keep] = self._values[self._end - keep : self._end]
            self._start, self._end = 0, keep
        self._time[self._end : self._end + count] = time_s
        self._values[self._end : self._end + count] = values
        self._end += count
        self._start = max(self._start, self._end - self.capacity)

    def since(self, start_s: float) -> tuple[FloatArray, FloatArray]:
        """Rows at and after ``start_s``: times (n,) and values (n, columns)."""
        first = int(np.searchsorted(self.time_s, start_s, side="left"))
        return self.time_s[first:], self.values[first:]

    def _restart(self) -> None:
        self._start = self._end
        self.restarts += 1


class Envelope:
    """Long memory: per bucket of ``width_s`` the least and the greatest value of each channel, kept in a ring.

    Each closed bucket becomes two rows, one with the least and one with the greatest values, so that it is drawn
    like any other trace. A bucket without a measured value of a channel is NaN there.
    """

    def __init__(self, columns: int, width_s: float, buckets: int) -> None:
        self.width_s = width_s
        self.ring = Ring(columns, 2 * buckets)
        self._open_bucket: int | None = None
        self._low = np.full(columns, np.nan)
        self._high = np.full(columns, np.nan)

    def append(self, time_s: FloatArray, values: FloatArray) -> None:
        """Fold rows in, oldest first."""
        if len(time_s) == 0:
            return
        bucket = np.floor(time_s / self.width_s).astype(np.int64)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(bucket)) + 1))
        lows = np.fmin.reduceat(values, starts, axis=0)
        highs = np.fmax.reduceat(values, starts, axis=0)
        numbers = bucket[starts]
        if self._open_bucket == numbers[0]:
            lows[0] = np.fmin(lows[0], self._low)
            highs[0] = np.fmax(highs[0], self._high)
        elif self._open_bucket is not None:
            self._emit(np.array([self._open_bucket]), self._low[None, :], self._high[None, :])
        if len(numbers) > 1:
            self._emit(numbers[:-1], lows[:-1], highs[:-1])
        self._open_bucket, self._low, self._high = int(numbers[-1]), lows[-1], highs[-1]

    def _emit(self, numbers: npt.NDArray[np.int64], lows: FloatArray, highs: FloatArray) -> None:
        count = len(numbers)
        time_s = np.empty(2 * count)
        time_s[0::2] = (numbers + 0.25) * self.width_s
        time_s[1::2] = (numbers + 0.75) * self.width_s
        rows = np.empty((2 * count, lows.shape[1]))
        rows[0::2], rows[1::2] = lows, highs
        self.ring.append(time_s, rows)
