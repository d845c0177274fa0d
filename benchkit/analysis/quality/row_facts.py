"""What the checks need of all rows of a stream, gathered a block at a time: memory is that of a second of rows and of
the seconds' means, however long the stream is. The same, but for the last bit of a mean, however the rows are cut.

Source: rules of this project; its thresholds are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream, StreamRows
from benchkit.units import Quantity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Rows = tuple[int, int]

STANDS_STILL_RPM = 5.0
"""A shaft below this stands still (common practice, no source)."""
REST_S = 2.0
"""Shortest stretch at rest that tells a zero."""
SECOND_S = 1.0
"""Length of the pieces whose means the slow checks look at."""
TURNING_RPM = 100.0
"""Below it a pulse more or less says nothing."""
MOST_SPEEDS = 100_000
"""Readings of the speed that are kept to find its step."""
DOUBLED, MISSED = "pulses_doubled", "pulses_missed"
_ODD = {DOUBLED: (1.8, 2.2), MISSED: (0.4, 0.6)}
RAIL_SHARE = 0.01
"""Part of the span at either end of a temperature's range that counts as the end."""
_SHOWN_ROWS = 10_000


@dataclass(frozen=True, slots=True)
class Odd:
    """Single readings that fit neither neighbour: how many, the first row and the last."""

    count: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Spell:
    """The longest stretch at an end of the range, or without a value: first row, rows, level (NaN: no value)."""

    first: int
    length: int
    level: float


@dataclass(frozen=True, slots=True, eq=False)
class RowFacts:
    """Of one stream; rows are half open and count from its start."""

    interval_s: float
    """Usual step of time, of the first block."""
    rest: tuple[Rows, ...]
    """Stretches in which the shaft stands still."""
    second_edges: IntArray
    """First rows of pieces of one second (m + 1,)."""
    seconds: FloatArray
    """Means of those pieces (m, channels); NaN where a piece has no good sample."""
    odd_speeds: Mapping[str, Odd] = field(default_factory=dict)
    """By code: readings of twice, or of half, the speed on either side."""
    turning_rpm: FloatArray = field(default_factory=lambda: np.empty(0))
    """Speeds while turning, every so many rows."""
    at_the_end: Mapping[str, Spell] = field(default_factory=dict)
    """By temperature channel."""


class RowGathering:
    """``feed`` every block of a stream in order, then ``finish``."""

    def __init__(self, stand: Stand, stream: StreamRows) -> None:
        self._rows = len(stream)
        channels = stream.channels
        speed = stand.channel_for(Role.SPEED)
        self._speed = channels.index(speed.name) if speed is not None and speed.name in channels else None
        self._ends = {
            name: _End(channels.index(name), channel.low, channel.high)
            for name in channels
            if (channel := stand.channels.get(name)) is not None
            and channel.quantity is Quantity.TEMPERATURE
            and channel.derived is None
        }
        self._interval_s = math.nan
        self._seconds: _Seconds | None = None
        self._row = 0
        self._last_s = math.nan
        self._still: tuple[int, float] | None = None  # first row and its time
        self._rest: list[Rows] = []
        self._tail = np.empty(0)
        self._odd: dict[str, Odd] = {}
        self._stride = max(1, self._rows // MOST_SPEEDS)
        self._turning: list[FloatArray] = []

    def feed(self, block: Stream) -> None:
        """The next rows."""
        if len(block) == 0:
            return
        if self._seconds is None:
            if len(block) > 1:
                self._interval_s = float(np.median(np.diff(block.time_s)))
            span = self._interval_s
            rows = max(1, round(SECOND_S / span)) if span > 0.0 else max(1, self._rows // 60)
            self._seconds = _Seconds(rows, block.values.shape[1])
        self._seconds.feed(block.values)
        if self._speed is not None:
            speed = np.ascontiguousarray(block.values[:, self._speed])
            self._rests(block.time_s, speed)
            self._pulses(speed)
            turning = np.abs(speed[(-self._row) % self._stride :: self._stride])
            self._turning.append(turning[turning > TURNING_RPM])  # NaN is not above anything
        for end in self._ends.values():
            end.feed(block.values[:, end.place], self._row)
        self._row += len(block)
        self._last_s = float(block.time_s[-1])

    def finish(self) -> RowFacts:
        """All that was gathered."""
        if self._still is not None:
            self._end_rest(self._row, self._last_s)
        seconds = self._seconds if self._seconds is not None else _Seconds(1, 0)
        edges, means = seconds.finish(self._row)
        return RowFacts(
            interval_s=self._interval_s,
            rest=tuple(self._rest),
            second_edges=edges,
            seconds=means,
            odd_speeds=dict(self._odd),
            turning_rpm=np.concatenate(self._turning) if self._turning else np.empty(0),
            at_the_end={name: spell for name, end in self._ends.items() if (spell := end.finish()) is not None},
        )

    def _rests(self, time_s: FloatArray, speed: FloatArray) -> None:
        starts, stops = edges_of(np.abs(speed) < STANDS_STILL_RPM)  # NaN is not at rest
        if self._still is not None and not (starts.size and starts[0] == 0):
            self._end_rest(self._row, self._last_s)
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if self._still is None:
                self._still = (self._row + start, float(time_s[start]))
            if stop < speed.size:
                self._end_rest(self._row + stop, float(time_s[stop - 1]))

    def _end_rest(self, stop: int, last_s: float) -> None:
        assert self._still is not None
        start, start_s = self._still
        if last_s - start_s >= REST_S:
            self._rest.append((start, stop))
        self._still = None

    def _pulses(self, speed: FloatArray) -> None:
        n = np.concatenate([self._tail, speed])
        first = self._row - self._tail.size
        self._tail = n[-2:].copy()
        for code, rows in odd_rows(n).items():
            seen = self._odd.get(code)
            start = first + int(rows[0]) if seen is None else seen.first
            self._odd[code] = Odd(rows.size + (0 if seen is None else seen.count), start, first + int(rows[-1]))


def odd_rows(speed_rpm: FloatArray) -> dict[str, IntArray]:
    """Rows of single readings of twice or of half the speed on either side, by code; codes without any are left out."""
    if speed_rpm.size < 3:
        return {}
    before, here, after = speed_rpm[:-2], speed_rpm[1:-1], speed_rpm[2:]
    level = 0.5 * (before + after)
    # a reading that fits its neighbours is none: nearly all rows stop here
    with np.errstate(invalid="ignore"):
        far = np.flatnonzero(np.abs(here - level) > 0.3 * np.abs(level))
    before, here, after, level = before[far], here[far], after[far], level[far]
    calm = (np.abs(level) > TURNING_RPM) & (np.abs(after - before) < 0.2 * np.abs(level))
    ratio, at = here[calm] / level[calm], far[calm] + 1
    found = {code: at[(ratio > low) & (ratio < high)] for code, (low, high) in _ODD.items()}
    return {code: rows for code, rows in found.items() if rows.size}


class _Seconds:
    """Sums over pieces of so many rows; the last piece takes what is left."""

    def __init__(self, rows: int, columns: int) -> None:
        self._size = rows
        self._sums: list[FloatArray] = []
        self._counts: list[FloatArray] = []
        self._open = np.zeros(columns), np.zeros(columns)
        self._filled = 0

    def feed(self, values: FloatArray) -> None:
        head = min(self._size - self._filled, values.shape[0]) if self._filled else 0
        if head:
            self._add(values[:head])
        if self._filled == self._size:
            self._close()
        pieces = (values.shape[0] - head) // self._size
        if pieces:
            sums, counts = _piece_sums(values[head : head + pieces * self._size], pieces, self._size)
            self._sums.append(sums)
            self._counts.append(counts)
        if head + pieces * self._size < values.shape[0]:
            self._add(values[head + pieces * self._size :])

    def finish(self, rows: int) -> tuple[IntArray, FloatArray]:
        """Edges (m + 1,) and means (m, columns)."""
        sums, counts = [*self._sums], [*self._counts]
        if not sums:
            sums, counts = [self._open[0][None]], [self._open[1][None]]
        elif self._filled:
            sums[-1], counts[-1] = sums[-1].copy(), counts[-1].copy()
            sums[-1][-1] += self._open[0]
            counts[-1][-1] += self._open[1]
        total, count = np.concatenate(sums), np.concatenate(counts)
        edges = np.append(np.arange(total.shape[0]) * self._size, rows).astype(np.int64)
        with np.errstate(invalid="ignore", divide="ignore"):
            return edges, np.where(count > 0.0, total / count, np.nan)

    def _add(self, part: FloatArray) -> None:
        sums, counts = _piece_sums(part, 1, part.shape[0])
        self._open = self._open[0] + sums[0], self._open[1] + counts[0]
        self._filled += part.shape[0]

    def _close(self) -> None:
        self._sums.append(self._open[0][None])
        self._counts.append(self._open[1][None])
        self._open = np.zeros_like(self._open[0]), np.zeros_like(self._open[1])
        self._filled = 0


def _piece_sums(values: FloatArray, pieces: int, size: int) -> tuple[FloatArray, FloatArray]:
    """Sums and numbers of good samples (pieces, columns) of rows (pieces * size, columns)."""
    columns = values.shape[1]
    if columns and values.strides[0] < values.strides[1]:  # column by column in memory
        sums = np.ascontiguousarray(values.T.reshape(columns, pieces, size).sum(axis=2).T)
    else:
        sums = values.reshape(pieces, size, columns).sum(axis=1)
    counts = np.full(sums.shape, float(size))
    piece, column = np.nonzero(np.isnan(sums))
    for k in np.unique(piece).tolist():
        of = column[piece == k]
        part = values[k * size : (k + 1) * size, of]
        good = ~np.isnan(part)
        counts[k, of] = good.sum(axis=0)
        sums[k, of] = np.where(good, part, 0.0).sum(axis=0)
    return sums, counts


class _End:
    """The longest stretch at an end of the range or without a value, of one temperature."""

    def __init__(self, place: int, low: float, high: float) -> None:
        self.place = place
        rail = RAIL_SHARE * (high - low)
        self._low, self._high = low + rail, high - rail
        self._longest: Spell | None = None
        self._open: Spell | None = None

    def feed(self, values: FloatArray, row: int) -> None:
        if values.min() > self._low and values.max() < self._high:  # NaN is in no order: not true then
            self._close()
            return
        starts, stops = edges_of(np.isnan(values) | (values >= self._high) | (values <= self._low))
        if starts.size and starts[0] == 0 and self._open is not None:
            self._open = Spell(self._open.first, self._open.length + int(stops[0]), self._open.level)
            if stops[0] == values.size:
                return
            starts, stops = starts[1:], stops[1:]
        self._close()
        if not starts.size:
            return
        last = int(starts[-1]), int(stops[-1])
        k = int(np.argmax(stops - starts))
        self._open = self._spell(values, row, int(starts[k]), int(stops[k]))
        if last[1] == values.size and last[0] != starts[k]:
            self._close()
            self._open = self._spell(values, row, *last)
        elif last[1] != values.size:
            self._close()

    def finish(self) -> Spell | None:
        self._close()
        return self._longest

    @staticmethod
    def _spell(values: FloatArray, row: int, start: int, stop: int) -> Spell:
        shown = values[start : min(stop, start + _SHOWN_ROWS)]
        level = math.nan if np.isnan(shown).all() else float(np.nanmedian(shown))
        return Spell(row + start, stop - start, level)

    def _close(self) -> None:
        if self._open is not None and (self._longest is None or self._open.length > self._longest.length):
            self._longest = self._open
        self._open = None


def gathered(stand: Stand, stream: StreamRows) -> RowFacts:
    """Facts of a whole stream, in one pass."""
    gathering = RowGathering(stand, stream)
    for block in stream.blocks():
        gathering.feed(block)
        del block  # the next one takes its memory
    return gathering.finish()


def edges_of(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First rows [1] of all runs of True (m,) and the rows behind them (m,), half open."""
    change = np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)
