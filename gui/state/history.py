"""The past of one source at several resolutions, so that a view of any length costs about the same to draw."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gui.state.decimate import decimate
from gui.state.ring import Envelope, Ring

FloatArray = npt.NDArray[np.float64]
_FINE_S, _FINE_ROWS = 10.0, 24_000
_LEVELS: tuple[tuple[float, int], ...] = ((0.05, 3000), (1.0, 2200), (15.0, 2200))
"""Bucket width [s] and number of buckets of the longer memories: 150 s, 37 min and 9 h."""


class History:
    """Newest rows of one source: every row for some seconds, least and greatest per bucket for longer.

    ``pace`` is stream seconds per host second (above 1 only on a simulated stand in fast motion); all lengths here
    stretch with it, so that memory and cost stay the same.
    """

    def __init__(self, channels: Sequence[str], stale_after_s: float, pace: float = 1.0) -> None:
        self.channels = tuple(channels)
        self.pace = pace
        self.gap_s = stale_after_s * pace
        self.fine = Ring(len(self.channels), _FINE_ROWS)
        self._levels = [Envelope(len(self.channels), width * pace, n) for width, n in _LEVELS]
        self._index = {name: i for i, name in enumerate(self.channels)}

    def append(self, time_s: FloatArray, values: FloatArray) -> None:
        """Add rows, oldest first."""
        self.fine.append(time_s, values)
        for level in self._levels:
            level.append(time_s, values)

    def view(self, names: Sequence[str], start_s: float, end_s: float, pixels: int) -> tuple[FloatArray, FloatArray]:
        """Points to draw of some channels: x (m,), y (m, len(names)); NaN makes a gap."""
        columns = [self._index[name] for name in names]
        ring, width = self.fine, 0.0
        if end_s - start_s > _FINE_S * self.pace:
            kept = [x for x in self._levels if end_s - start_s <= 0.9 * x.width_s * x.ring.capacity / 2]
            level = kept[0] if kept else self._levels[-1]
            ring, width = level.ring, level.width_s
        time_s, values = ring.since(start_s - 2.0 * width)
        return decimate(
            time_s,
            values[:, columns],
            start_s=start_s,
            end_s=end_s,
            pixels=pixels,
            gap_s=max(self.gap_s, 3.0 * width),
        )

    def at(self, name: str, time_s: float) -> tuple[float, float]:
        """Least and greatest value of a channel at a time: of its row, or of the finest bucket that still holds it.

        NaN where nothing was measured, and in a gap.
        """
        column = self._index[name]
        for ring, width in ((self.fine, 0.0), *((x.ring, x.width_s) for x in self._levels)):
            times = ring.time_s
            if not len(times) or times[0] > time_s:
                continue
            if width == 0.0:
                row = int(np.searchsorted(times, time_s, side="right")) - 1
                value = float(ring.values[row, column]) if time_s - times[row] <= self.gap_s else math.nan
                return value, value
            number = math.floor(time_s / width)
            first, last = np.searchsorted(times, (number * width, (number + 1) * width))
            rows = ring.values[first:last, column]
            return (float(rows[0]), float(rows[-1])) if len(rows) else (math.nan, math.nan)
        return math.nan, math.nan

    def recent(self, seconds: float) -> tuple[FloatArray, FloatArray]:
        """Every row of the last ``seconds`` of stream time."""
        return self.fine.since(self.fine.last_time_s - seconds)

    def trend(self, seconds: float) -> tuple[FloatArray, FloatArray]:
        """The last ``seconds`` of stream time as buckets, for slopes; longer where that is fewer than 24 buckets."""
        level = self._levels[0]
        return level.ring.since(level.ring.last_time_s - max(seconds, 24.0 * level.width_s))


def means(values: FloatArray) -> FloatArray:
    """Mean of the measured values of each column (n, channels) -> (channels,); NaN where none was measured."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0)
    out: FloatArray = np.full(values.shape[1], np.nan)
    np.divide(total, count, out=out, where=count > 0)
    return out
