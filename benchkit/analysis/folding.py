"""A stream folded into the means of short blocks of time, in one pass and however it is cut into pieces.

An hour at 1 kHz is 3.6 million rows; 7200 blocks of half a second carry its levels, drifts and heating, and the
differences of neighbouring blocks its noise. Everything that looks at long stretches looks at these.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_ROUNDING = 1e-9  # share of a block by which a sample time may miss its block through rounding


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """Blocks of a stretch of rows without a break, a gap or a step back in time.

    ``edges`` (blocks + 1,) are the rows where blocks begin and where the last one ends; ``times`` (blocks,) their mean
    times [s]; ``means`` and ``counts`` (blocks, columns) mean and number of the good samples, NaN and 0 where there
    is none. ``span_s`` is the time from the first to the last row. The last block may be shorter than the others.
    """

    edges: IntArray
    times: FloatArray
    means: FloatArray
    counts: IntArray
    span_s: float

    @property
    def rows(self) -> int:
        """Rows of all blocks."""
        return int(self.edges[-1] - self.edges[0])

    def columns(self, which: Sequence[int]) -> FloatArray:
        """Means of some columns (blocks, columns)."""
        return self.means[:, list(which)]


class Folding:
    """Folds rows as they come: ``feed`` pieces in order, then ``finish``.

    The blocks are the same, bit for bit, however the rows are cut into pieces. Memory is that of the blocks and of the
    rows of one block.

    Args:
        length_s: length of a block in sample time [s].
        gap_s: a longer step in time ends a segment.
        breaks: sample times [s] that no segment spans.
    """

    def __init__(self, length_s: float, gap_s: float, breaks: Sequence[float] = ()) -> None:
        self._length_s, self._gap_s = length_s, gap_s
        self._breaks = np.array(sorted(breaks), dtype=np.float64)
        self._segments: list[_Open] = []
        self._row = 0
        self._open: _Open | None = None  # the last of the segments, while it grows

    def feed(self, time_s: FloatArray, values: FloatArray) -> None:
        """Rows: finite times (n,) [s] and values (n, columns), NaN where not measured."""
        if time_s.size == 0:
            return
        if not bool(np.all(np.isfinite(time_s))):
            raise UsageError("sample times must be finite numbers")
        before = math.nan if self._open is None else self._open.last_s
        step = np.diff(time_s, prepend=before)
        cuts = np.flatnonzero((step < 0.0) | (step > self._gap_s)).tolist()
        for start, stop in pairwise(sorted({0, *cuts, time_s.size})):
            if start in cuts:
                self._close()
            self._rising(time_s[start:stop], values[start:stop])

    def finish(self) -> tuple[Segment, ...]:
        """All segments in order; the folding is at its end."""
        self._close()
        return tuple(segment.whole() for segment in self._segments)

    def take(self) -> list[tuple[bool, FloatArray, FloatArray]]:
        """For rows without an end: whether they begin a segment, times and means of the blocks that have become whole
        since the last call. They are let go of here; the last block of a segment, which may be short, is left out."""
        taken = [(segment.is_new, *segment.take()) for segment in self._segments]
        self._segments = self._segments[-1:] if self._open is not None else []
        return taken

    def _rising(self, t: FloatArray, x: FloatArray) -> None:
        before = -math.inf if self._open is None else self._open.last_s
        inside = self._breaks[(self._breaks > before) & (self._breaks <= t[-1])]
        at = np.searchsorted(t, inside).tolist()
        for start, stop in pairwise(sorted({0, *at, t.size})):
            if start in at:
                self._close()
            if self._open is None:
                self._open = _Open(self._row, float(t[start]), self._length_s, x.shape[1])
                self._segments.append(self._open)
            self._open.add(t[start:stop], x[start:stop])
            self._row += stop - start

    def _close(self) -> None:
        if self._open is not None:
            self._open = None


class _Open:
    """A segment that still grows; the rows of its last block wait for the rest of it."""

    def __init__(self, row: int, start_s: float, length_s: float, columns: int) -> None:
        self.start_s = self.last_s = start_s
        self._length_s = length_s
        self._row = row
        self.is_new = True
        self._block = 0  # the block that fills
        self._folded: list[tuple[IntArray, FloatArray, FloatArray, IntArray]] = []
        self._rest_t, self._rest_x = np.empty(0), np.empty((0, columns))

    def add(self, t: FloatArray, x: FloatArray) -> None:
        last = self._block_of(float(t[-1]))
        ends = np.searchsorted(t, [self._edge_s(k) for k in range(self._block + 1, last + 1)])
        start = 0
        if ends.size and self._rest_t.size:
            start = int(ends[0])
            self._fold(*self._with_rest(t[:start], x[:start]), np.array([0]))
            ends = ends[1:]
        if ends.size:
            stop = int(ends[-1])
            self._fold(t[start:stop], x[start:stop], np.concatenate([[0], ends[:-1] - start]))
            start = stop
        self._block = last
        self._rest_t, self._rest_x = self._with_rest(t[start:], x[start:])
        self.last_s = float(t[-1])

    def take(self) -> tuple[FloatArray, FloatArray]:
        """Times and means of the whole blocks, which are dropped."""
        times = np.concatenate([self._rest_t[:0], *(folded[1] for folded in self._folded)])
        means = np.concatenate([self._rest_x[:0], *(folded[2] for folded in self._folded)])
        self._folded, self.is_new = [], False
        return times, means

    def whole(self) -> Segment:
        """All blocks, with the rest as the last."""
        self._fold(self._rest_t, self._rest_x, np.array([0]))
        rows, times, means, counts = (np.concatenate(parts) for parts in zip(*self._folded, strict=True))
        edges = self._row + np.concatenate([[0], np.cumsum(rows)])
        return Segment(edges, times, means, counts, self.last_s - self.start_s)

    def _with_rest(self, t: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The waiting rows and these, in memory of their own."""
        whole = np.concatenate([self._rest_t, t]), np.concatenate([self._rest_x, x])
        self._rest_t, self._rest_x = self._rest_t[:0], self._rest_x[:0]
        return whole

    def _edge_s(self, block: int) -> float:
        return self.start_s + self._length_s * block - _ROUNDING * self._length_s

    def _block_of(self, t: float) -> int:
        k = max(self._block, math.floor((t - self.start_s) / self._length_s))
        while self._edge_s(k + 1) <= t:
            k += 1
        while k > self._block and self._edge_s(k) > t:
            k -= 1
        return k

    def _fold(self, t: FloatArray, x: FloatArray, starts: IntArray) -> None:
        """Fold whole blocks that begin at ``starts``, the last to the end of the rows; some may be empty."""
        rows = np.diff(starts, append=t.size)
        sums = _sums(x, starts)
        counts = np.repeat(rows[:, None], x.shape[1], axis=1)
        for block in np.flatnonzero(np.isnan(sums).any(axis=1)).tolist():
            part = x[starts[block] : starts[block] + rows[block]]
            good = ~np.isnan(part)
            counts[block] = np.count_nonzero(good, axis=0)
            sums[block] = np.add.reduce(np.where(good, part, 0.0), axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.where(counts > 0, sums / counts, np.nan)
            times = _sums((t - self.start_s)[:, None], starts)[:, 0] / rows + self.start_s
        self._folded.append((rows, times, means, counts))


def _sums(x: FloatArray, starts: IntArray) -> FloatArray:
    """Sums (blocks, columns) of the rows of each block. Each block is summed for itself, so that its last bit does not
    depend on what came with it."""
    sums = np.zeros((starts.size, x.shape[1]))
    for block, (start, stop) in enumerate(pairwise([*starts.tolist(), x.shape[0]])):
        np.add.reduce(x[start:stop], axis=0, out=sums[block])
    return sums


def fold(
    time_s: FloatArray, values: FloatArray, length_s: float, gap_s: float, breaks: Sequence[float] = ()
) -> tuple[Segment, ...]:
    """Fold arrays (n,) and (n, columns) at once; see :class:`Folding`.

    >>> t = np.arange(0.0, 4.0, 0.5)
    >>> (segment,) = fold(t, t[:, None], 1.0, 10.0)
    >>> segment.edges.tolist(), segment.means[:, 0].tolist()
    ([0, 2, 4, 6, 8], [0.25, 1.25, 2.25, 3.25])
    """
    folding = Folding(length_s, gap_s, breaks)
    folding.feed(time_s, values)
    return folding.finish()
