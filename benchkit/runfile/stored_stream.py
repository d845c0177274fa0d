"""A stream that stays in its run file: read by rows, a block at a time, with the memory of one block."""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchkit.errors import UsageError
from benchkit.model.stream import Stream
from benchkit.runfile import layout
from benchkit.runfile.layout import FloatArray

if TYPE_CHECKING:
    from benchkit.runfile.reader import Run


class StoredStream:
    """:class:`~benchkit.model.stream.StreamRows` of one stream of an open run; the run must stay open."""

    def __init__(self, run: Run, source: str, block_rows: int) -> None:
        if block_rows < 1:
            raise UsageError("a block has at least one row", where=str(run.path), got=block_rows)
        spec = run.spec(source)
        self._run = run
        self._rows = run.rows(source)
        self.block_rows = block_rows
        self.source = source
        self.channels = tuple(c.name for c in spec.channels)
        self.units = tuple(c.unit for c in spec.channels)

    def __len__(self) -> int:
        return self._rows

    def rows(self, start: int, stop: int) -> Stream:
        """Rows ``start`` to ``stop`` in memory."""
        return self._run.stream(self.source, start, stop)

    def blocks(self) -> Iterator[Stream]:
        """All rows in order. A block is not kept here: drop it before asking for the next, and one is in memory.

        Each column of its values lies in one piece: what looks at a block looks at one channel after the other.
        """
        for start in range(0, self._rows, self.block_rows):
            yield self._run.stream(self.source, start, start + self.block_rows, by_column=True)

    def times(self) -> Iterator[tuple[int, FloatArray]]:
        """Sample times of all rows in order, a block at a time, each with its first row."""
        for start in range(0, self._rows, self.block_rows):
            yield start, self._run.times(self.source, layout.TIME, start, start + self.block_rows)

    def row_at(self, arrival_s: float) -> int:
        """First row that arrived at a host time or later. Arrival never falls within a source."""
        return bisect.bisect_left(range(self._rows), arrival_s, key=self._arrival)

    def time_at(self, arrival_s: float) -> float:
        """Sample time that belongs to a host time: straight between the rows before and after it, ends held."""
        if self._rows == 0:
            return float("nan")
        after = bisect.bisect_right(range(self._rows), arrival_s, key=self._arrival)
        return self.rows(max(0, after - 1), after + 1).time_at(arrival_s)

    def _arrival(self, row: int) -> float:
        return float(self._run.times(self.source, layout.ARRIVAL, row, row + 1)[0])
