"""One stream of a run: the arrays of one source on its own time base, in memory or read by rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BLOCK_ROWS = 250_000
"""Rows of one block of :meth:`StreamRows.blocks` of a stream that is not in memory: 56 MB of 24 channels and times."""


class StreamRows(Protocol):
    """A stream that can be read by rows: :class:`Stream`, or one that stays in its file.

    Rows count from the start of the stream everywhere; a :class:`Stream` that is handed out counts from its own start.
    """

    @property
    def source(self) -> str: ...
    @property
    def channels(self) -> tuple[str, ...]: ...
    @property
    def units(self) -> tuple[str, ...]: ...
    def __len__(self) -> int: ...
    def rows(self, start: int, stop: int) -> Stream:
        """Rows ``start`` to ``stop`` in memory."""
        ...

    def blocks(self) -> Iterator[Stream]:
        """All rows in order, a block at a time. Let go of a block before the next is asked for."""
        ...

    def times(self) -> Iterator[tuple[int, FloatArray]]:
        """Sample times of all rows in order, a block at a time, each with its first row."""
        ...

    def time_at(self, arrival_s: float) -> float:
        """Sample time that belongs to a host time."""
        ...

    def row_at(self, arrival_s: float) -> int:
        """First row that arrived at a host time or later."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """Samples of one source. Row i of every array belongs to the same instant.

    ``time_s`` (n,) is sample time since the start of the run: from the device clock where there is one, else arrival.
    ``arrival_s`` (n,) is host time since the start of the run. ``device_time_s`` and ``counter`` are as received
    (NaN and -1 where the source has none). ``values`` (n, channels) are calibrated, in bench units, NaN where not
    measured; ``channels`` names their columns.
    """

    source: str
    channels: tuple[str, ...]
    units: tuple[str, ...]
    time_s: FloatArray
    arrival_s: FloatArray
    device_time_s: FloatArray
    counter: IntArray
    values: FloatArray

    def __len__(self) -> int:
        return int(self.time_s.shape[0])

    def column(self, channel: str) -> FloatArray:
        """Values of one channel (n,)."""
        return self.values[:, self.channels.index(channel)]

    def rows(self, start: int, stop: int) -> Stream:
        """Rows ``start`` to ``stop``, as views."""
        part = slice(start, stop)
        return Stream(
            self.source,
            self.channels,
            self.units,
            self.time_s[part],
            self.arrival_s[part],
            self.device_time_s[part],
            self.counter[part],
            self.values[part],
        )

    def blocks(self) -> Iterator[Stream]:
        """The stream itself, once; nothing where it is empty."""
        if len(self):
            yield self

    def times(self) -> Iterator[tuple[int, FloatArray]]:
        """Sample times, once; nothing where it is empty."""
        if len(self):
            yield 0, self.time_s

    def row_at(self, arrival_s: float) -> int:
        """First row that arrived at a host time or later."""
        return int(np.searchsorted(self.arrival_s, arrival_s))

    def time_at(self, arrival_s: float) -> float:
        """Sample time that belongs to a host time; events are placed on the axis of the samples by it."""
        if len(self) == 0:
            return float("nan")
        return float(np.interp(arrival_s, self.arrival_s, self.time_s))
