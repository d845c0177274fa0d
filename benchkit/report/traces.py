"""Long records thinned for drawing: the least and the greatest value of each stretch are kept, gaps stay gaps."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.model.stream import Stream, StreamRows

FloatArray = npt.NDArray[np.float64]
STRETCHES = 450
GAP_FACTOR = 8.0
"""A step in time this many times the usual one is drawn as a gap."""


def thinned(
    time_s: FloatArray, values: FloatArray, stretches: int = STRETCHES
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Thin a record (n,) to at most about ``2 * stretches`` points.

    Each stretch of rows gives its least and its greatest value, in the order in which they came, at their own times.
    A stretch of NaN stays NaN. Where time jumps, a NaN is put between, so that no line bridges the gap.
    """
    n = int(values.shape[0])
    if n < 2:
        return tuple(map(float, time_s)), tuple(map(float, values))
    steps = np.diff(time_s)
    gaps = np.flatnonzero(steps > GAP_FACTOR * float(np.median(steps)))
    keep = np.arange(n) if n <= 2 * stretches else _extremes(values, stretches)
    return _with_gaps(keep, time_s[keep], values[keep], gaps)


def _with_gaps(
    keep: npt.NDArray[np.int64], time_s: FloatArray, values: FloatArray, gaps: npt.NDArray[np.int64]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Kept rows with their times and values, and a NaN between the last before each gap and the first after it."""
    at = np.unique(np.searchsorted(keep, gaps, side="right"))
    at = at[(at > 0) & (at < keep.shape[0])]
    middle = 0.5 * (time_s[at - 1] + time_s[at])
    return tuple(map(float, np.insert(time_s, at, middle))), tuple(map(float, np.insert(values, at, np.nan)))


class Thinning:
    """:func:`thinned` of several channels of a stream, by blocks: ``feed`` every block in order, then ``finish``.

    Memory is that of the points and of one stretch. The points are the same however the rows are cut; whether a step in
    time is a gap is judged by the usual step of its block.
    """

    def __init__(self, stream: StreamRows, channels: Sequence[str], stretches: int = STRETCHES) -> None:
        n = len(stream)
        self.channels = tuple(channels)
        self._places = [stream.channels.index(name) for name in channels]
        self._edges = [*range(n + 1)] if n <= 2 * stretches else np.linspace(0, n, stretches + 1).astype(int).tolist()
        self._stretch = 0
        self._rest_s, self._rest = np.empty(0), np.empty((0, len(self._places)))
        self._row, self._last_s = 0, np.nan
        self._gaps: list[int] = []
        self._kept: list[list[tuple[int, float, float]]] = [[] for _ in self._places]

    def feed(self, block: Stream) -> None:
        """The next rows."""
        time_s = block.time_s
        steps = np.diff(time_s, prepend=self._last_s)
        usual = float(np.median(steps[1:])) if steps.size > 1 else np.nan
        self._gaps += (np.flatnonzero(steps > GAP_FACTOR * usual) + self._row - 1).tolist()
        for row in (0, len(block) - 1):
            if self._row + row in (0, self._edges[-1] - 1):
                for place, points in enumerate(self._kept):
                    points.append((self._row + row, float(time_s[row]), float(block.values[row, self._places[place]])))
        start, last = 0, self._row + len(block)
        while self._stretch < len(self._edges) - 1 and self._edges[self._stretch + 1] <= last:
            stop = self._edges[self._stretch + 1] - self._row
            self._keep(*self._with_rest(time_s[start:stop], block.values[start:stop, self._places]))
            start, self._stretch = stop, self._stretch + 1
        self._rest_s, self._rest = self._with_rest(time_s[start:].copy(), block.values[start:, self._places])
        self._row, self._last_s = last, float(time_s[-1])

    def finish(self) -> tuple[tuple[tuple[float, ...], tuple[float, ...]], ...]:
        """Times and values of every channel."""
        found = []
        for points in self._kept:
            rows = sorted({row: (time_s, value) for row, time_s, value in points}.items())
            keep = np.array([row for row, _ in rows], dtype=np.int64)
            pairs = np.array([pair for _, pair in rows]).reshape(-1, 2)
            found.append(_with_gaps(keep, pairs[:, 0], pairs[:, 1], np.array(self._gaps, dtype=np.int64)))
        return tuple(found)

    def _with_rest(self, time_s: FloatArray, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
        if not self._rest_s.size:
            return time_s, columns
        joined = np.concatenate([self._rest_s, time_s]), np.concatenate([self._rest, columns])
        self._rest_s, self._rest = self._rest_s[:0], self._rest[:0]
        return joined

    def _keep(self, time_s: FloatArray, columns: FloatArray) -> None:
        first = self._edges[self._stretch]
        least, greatest = columns.argmin(axis=0), columns.argmax(axis=0)
        for place, points in enumerate(self._kept):
            rows = {int(least[place]), int(greatest[place])}
            if np.isnan(columns[least[place], place]):  # a NaN comes first
                rows = set(_least_and_greatest(columns[:, place]))
            for row in rows:
                points.append((first + row, float(time_s[row]), float(columns[row, place])))


def _least_and_greatest(values: FloatArray) -> tuple[int, ...]:
    """Rows of the least and the greatest value; of NaN alone the first."""
    if np.isnan(values).all():
        return (0,)
    return int(np.nanargmin(values)), int(np.nanargmax(values))


def _extremes(values: FloatArray, stretches: int) -> npt.NDArray[np.int64]:
    """Rows of the least and the greatest value of each stretch and both ends, rising; of a stretch of NaN its first."""
    edges = np.linspace(0, values.shape[0], stretches + 1).astype(np.int64)
    keep: list[int] = []
    for start, stop in pairwise(edges):
        keep.extend(int(start) + row for row in _least_and_greatest(values[start:stop]))
    return np.unique([0, *keep, values.shape[0] - 1])
