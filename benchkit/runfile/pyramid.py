"""Least and greatest values of a stream in buckets of 64 rows and more, so that hours are drawn without being read.

One dataset a level and source, ``/pyramid/<source>/<rows of a bucket>``: a line a bucket, first the five times of
``HEAD``, then the least value of each channel, then the greatest. Buckets count rows, not time: line ``i`` of level
``n`` stands for rows ``i n`` to ``(i + 1) n``. It is made of the rows while they are recorded and is no part of the
content hash, which is the same with and without it; a hash of its own shows a change.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.errors import UsageError
from benchkit.model.stream import StreamRows
from benchkit.runfile import trusted
from benchkit.runfile.layout import PYRAMID, FloatArray

LEVELS = (64, 512, 4096, 32768)
"""Rows of a bucket; each a multiple of the one before."""
HEAD = ("first", "last", "widest_step", "first_arrival", "last_arrival")
"""Columns before the values: sample time of the first and of the last row, widest step of sample time up to each of its
rows (NaN where there was none), arrival of its first and of its last row; all in seconds."""
_AT_ONCE = 2048
"""Rows that are looked at together: enough to hide the cost of a call, few enough for the cache."""
_FIRST, _LAST, _WIDEST, _ARRIVAL, _LAST_ARRIVAL, _VALUES = range(6)
_INDEX = LEVELS[2]
_PER_INDEX = _INDEX // LEVELS[0]
_KEPT = 1000
"""Stretches of the finest level whose times are kept: 2.6 MB."""


def path_of(source: str, level: int) -> str:
    """Where a level lies in the run file."""
    return f"{PYRAMID}/{source}/{level}"


def paths(sources: Iterable[str]) -> Iterator[str]:
    """Every level of every source, in the order of their hash."""
    return (path_of(source, level) for source in sorted(sources) for level in LEVELS)


def width_of(channels: int) -> int:
    """Columns of a level for a stream of so many channels."""
    return len(HEAD) + 2 * channels


def rows_per_chunk(level: int) -> int:
    """Buckets of one chunk: short runs stay small."""
    return 64 if level == LEVELS[0] else 16


class PyramidBuilder:
    """Buckets of one stream from its rows, in whatever blocks they come.

    ``add`` gives the buckets that became full, by level; ``rest`` those that the end of the stream leaves unfilled.
    """

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._last_s = np.nan
        self._held: dict[int, list[FloatArray]] = {level: [] for level in LEVELS}
        self._rows: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        self._count = 0

    def add(self, time_s: FloatArray, arrival_s: FloatArray, values: FloatArray) -> dict[int, FloatArray]:
        """Rows (n,), (n,), (n, channels), oldest first; full buckets (m, width) by level, some rows later.

        The arrays are kept for a while: do not change them afterwards.
        """
        self._rows.append((time_s, arrival_s, values))
        self._count += len(time_s)
        if self._count < _AT_ONCE:
            return {}
        times, arrivals, held = (_joined(parts) for parts in zip(*self._rows, strict=True))
        cut = self._count // LEVELS[0] * LEVELS[0]
        lines = self._lines(times[:cut], arrivals[:cut], held[:cut], LEVELS[0])
        self._rows = [(times[cut:].copy(), arrivals[cut:].copy(), held[cut:].copy())]
        self._count -= cut
        return self._upward(lines)

    def rest(self) -> dict[int, FloatArray]:
        """What ``add`` still held, and the last, unfilled bucket of each level; nothing may be added after it."""
        line = np.empty((0, width_of(self._channels)))
        found: dict[int, FloatArray] = {}
        if self._rows:
            times, arrivals, held = (_joined(parts) for parts in zip(*self._rows, strict=True))
            cut = self._count // LEVELS[0] * LEVELS[0]
            if cut:
                found = self._upward(self._lines(times[:cut], arrivals[:cut], held[:cut], LEVELS[0]))
            if cut < self._count:
                line = self._lines(times[cut:], arrivals[cut:], held[cut:], self._count - cut)
        for level in LEVELS:
            if level > LEVELS[0]:
                lines = np.concatenate([*self._held[level], line])
                line = _folded(lines, len(lines), self._channels) if len(lines) else line
            found[level] = np.concatenate([found[level], line]) if level in found else line
        return found

    def _lines(self, time_s: FloatArray, arrival_s: FloatArray, values: FloatArray, size: int) -> FloatArray:
        count = len(time_s) // size
        steps = np.diff(time_s, prepend=self._last_s).reshape(count, size)
        self._last_s = float(time_s[-1])
        lines = np.empty((count, width_of(self._channels)))
        lines[:, _FIRST] = time_s[::size]
        lines[:, _LAST] = time_s[size - 1 :: size]
        lines[:, _WIDEST] = np.fmax.reduce(steps, axis=1)
        lines[:, _ARRIVAL] = arrival_s[::size]
        lines[:, _LAST_ARRIVAL] = arrival_s[size - 1 :: size]
        blocks = values.reshape(count, size, self._channels)
        middle = _VALUES + self._channels
        lines[:, _VALUES:middle] = _least(blocks)
        lines[:, middle:] = _greatest(blocks)
        return lines

    def _upward(self, lines: FloatArray) -> dict[int, FloatArray]:
        found = {LEVELS[0]: lines}
        for below, level in pairwise(LEVELS):
            held = self._held[level]
            held.append(lines)
            size = level // below
            if sum(map(len, held)) < size:
                break
            joined = _joined(held)
            cut = len(joined) // size * size
            lines = _folded(joined[:cut], size, self._channels)
            self._held[level] = [joined[cut:]]
            found[level] = lines
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Buckets:
    """Neighbouring buckets of one level: ``first_s``, ``last_s``, ``widest_s`` (m,), ``least``, ``greatest``
    (m, channels); NaN where nothing was measured."""

    first_s: FloatArray
    last_s: FloatArray
    widest_s: FloatArray
    least: FloatArray
    greatest: FloatArray


@dataclass(frozen=True)
class Pyramid:
    """The levels of one stream, in the run file or in memory."""

    path: Path
    rows: int
    channels: int
    levels: Mapping[int, Any]
    """Rows of a bucket: an array or an open dataset (m, width)."""

    @cached_property
    def _index(self) -> FloatArray:
        """Times (m, 5) of a coarse level: enough to know where in the finest one to look, and read at once."""
        with trusted.reading(self.path):
            head: FloatArray = self.levels[_INDEX][:, : len(HEAD)]
        # a clock that was set back must not break the search
        head[:, _FIRST] = np.maximum.accumulate(head[:, _FIRST])
        return head

    @cached_property
    def _looked_up(self) -> dict[int, FloatArray]:
        return {}

    def _finest(self, place: int) -> FloatArray:
        """Times (m, 5) of the finest buckets in one bucket of the index."""
        found = self._looked_up.get(place)
        if found is None:
            if len(self._looked_up) >= _KEPT:
                self._looked_up.clear()
            with trusted.reading(self.path):
                found = self.levels[LEVELS[0]][place * _PER_INDEX : (place + 1) * _PER_INDEX, : len(HEAD)]
            found[:, _FIRST] = np.maximum.accumulate(found[:, _FIRST])
            self._looked_up[place] = found
        return found

    def _begun(self, time_s: float) -> int:
        """How many of the finest buckets begin at a sample time or before it."""
        place = int(np.searchsorted(self._index[:, _FIRST], time_s, side="right")) - 1
        if place < 0:
            return 0
        return place * _PER_INDEX + int(np.searchsorted(self._finest(place)[:, _FIRST], time_s, side="right"))

    def rows_between(self, start_s: float, end_s: float) -> tuple[int, int]:
        """First row and end of the rows that hold all sample times from ``start_s`` to ``end_s`` [s], and up to a
        bucket more on each side."""
        first, last = self._begun(start_s), self._begun(end_s)
        size = LEVELS[0]
        return max(0, first - 1) * size, min(self.rows, last * size)

    def sample_time_at(self, arrival_s: FloatArray) -> FloatArray:
        """Sample times [s] that belong to host times [s], straight between the first rows of the buckets, ends held."""
        times: FloatArray = np.full(np.shape(arrival_s), np.nan)
        if not self.rows:
            return times
        index = self._index
        places = np.maximum(np.searchsorted(index[:, _ARRIVAL], arrival_s, side="right") - 1, 0)
        for place in np.unique(places).tolist():
            head, here = self._finest(place), places == place
            after = index[place + 1, [_ARRIVAL, _FIRST]] if place + 1 < len(index) else head[-1, [_LAST_ARRIVAL, _LAST]]
            known = np.append(head[:, _ARRIVAL], after[0])
            times[here] = np.interp(arrival_s[here], known, np.append(head[:, _FIRST], after[1]))
        return times

    def level_for(self, start_s: float, end_s: float, pixels: int) -> int | None:
        """The coarsest level with two buckets and more a pixel; None where the rows themselves are few enough."""
        first, last = self.rows_between(start_s, end_s)
        fine = [level for level in LEVELS if (last - first) // level >= 2 * pixels]
        return fine[-1] if fine else None

    def buckets(self, level: int, start_s: float, end_s: float) -> Buckets:
        """Buckets of a level from ``start_s`` to ``end_s`` [s], and one more on each side.

        Raises:
            UsageError: no such level.
            RunFileError: they cannot be read.
        """
        if level not in self.levels:
            raise UsageError("no such level", got=level, expected=", ".join(map(str, self.levels)))
        first, last = self.rows_between(start_s, end_s)
        with trusted.reading(self.path):
            lines = self.levels[level][max(0, first // level - 1) : -(-last // level) + 1]
        middle = _VALUES + self.channels
        return Buckets(
            lines[:, _FIRST], lines[:, _LAST], lines[:, _WIDEST], lines[:, _VALUES:middle], lines[:, middle:]
        )


def built(path: Path, stream: StreamRows, channels: int) -> Pyramid:
    """The pyramid of a stream whose file has none, made in memory by reading it once, a block at a time."""
    builder = PyramidBuilder(channels)
    found: dict[int, list[FloatArray]] = {level: [np.empty((0, width_of(channels)))] for level in LEVELS}
    for block in stream.blocks():
        _put(found, builder.add(block.time_s, block.arrival_s, block.values))
        del block
    _put(found, builder.rest())
    return Pyramid(path, len(stream), channels, {level: np.concatenate(parts) for level, parts in found.items()})


def _put(found: Mapping[int, list[FloatArray]], lines: Mapping[int, FloatArray]) -> None:
    for level, part in lines.items():
        found[level].append(part)


def _joined(parts: Iterable[FloatArray]) -> FloatArray:
    parts = list(parts)
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _folded(lines: FloatArray, size: int, channels: int) -> FloatArray:
    """Each ``size`` lines of a level as one of the next."""
    blocks = lines.reshape(-1, size, lines.shape[1])
    middle = _VALUES + channels
    out = blocks[:, 0].copy()
    for column in (_LAST, _LAST_ARRIVAL):
        out[:, column] = blocks[:, -1, column]
    out[:, _WIDEST] = np.fmax.reduce(blocks[:, :, _WIDEST], axis=1)
    out[:, _VALUES:middle] = _least(blocks[:, :, _VALUES:middle])
    out[:, middle:] = _greatest(blocks[:, :, middle:])
    return out


def _least(blocks: FloatArray) -> FloatArray:
    """Least measured value (count, size, channels) -> (count, channels)."""
    return _extreme(np.minimum, np.fmin, blocks)


def _greatest(blocks: FloatArray) -> FloatArray:
    return _extreme(np.maximum, np.fmax, blocks)


def _extreme(quick: np.ufunc, careful: np.ufunc, blocks: FloatArray) -> FloatArray:
    """By halves while the size is even: far quicker than row by row. What meets a NaN is NaN and done again."""
    found, size = blocks, blocks.shape[1]
    while size > 1 and size % 2 == 0:
        size //= 2
        found = quick(found[:, :size], found[:, size:])
    out: FloatArray = quick.reduce(found, axis=1)
    return careful.reduce(blocks, axis=1) if np.isnan(out).any() else out
