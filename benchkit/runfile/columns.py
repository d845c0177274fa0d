"""One growing dataset, written chunk by whole chunk.

Rows collect in a buffer of exactly one chunk. A full buffer, and at ``flush`` a half-full one too, goes to the file
as one whole chunk past HDF5's selection machinery and chunk cache; that is what keeps the speed of the disk. A
chunk that is written again has the same bytes in front, so a row that once was flushed is never at risk.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt


class GrowingDataset:
    """Append-only writer of one chunked, unfiltered dataset. The first axis grows.

    ``make_room`` and ``flush`` write and may fail; ``take`` only copies. If a write fails, nothing is forgotten and the
    next call tries again.
    """

    def __init__(self, dataset: Any) -> None:
        self._id = dataset.id
        chunk = tuple(int(n) for n in dataset.chunks)
        self._size = chunk[0]
        self._tail: tuple[int, ...] = chunk[1:]
        self._fill = dataset.fillvalue
        self._buffer: npt.NDArray[np.generic] = np.full(chunk, self._fill, dtype=dataset.dtype)
        self._base = int(dataset.shape[0])
        self._filled = 0
        self._written = 0

    @property
    def rows(self) -> int:
        """Rows appended so far."""
        return self._base + self._filled

    @property
    def room(self) -> int:
        """Rows that ``take`` has room for."""
        return self._size - self._filled

    def make_room(self) -> None:
        """Write the buffer if it is full."""
        if self._filled == self._size:
            self._write()
            self._base += self._size
            self._filled = self._written = 0

    def take(self, rows: npt.NDArray[np.generic]) -> None:
        """Copy at most ``room`` rows into the buffer."""
        self._buffer[self._filled : self._filled + len(rows)] = rows
        self._filled += len(rows)

    def flush(self) -> None:
        """Write what the buffer holds; the rest of its chunk is fill values beyond the end of the dataset."""
        if self._filled > self._written:
            self._buffer[self._filled :] = self._fill
            self._write()

    def _write(self) -> None:
        if self._filled == self._written:
            return
        self._id.set_extent((self._base + self._filled, *self._tail))
        self._id.write_direct_chunk((self._base, *(0 for _ in self._tail)), self._buffer)
        self._written = self._filled


def append_together(columns: Mapping[str, GrowingDataset], arrays: Mapping[str, npt.NDArray[np.generic]]) -> None:
    """Append arrays of equal length to their datasets so that all hold the same rows, even when a write fails."""
    n = len(next(iter(arrays.values())))
    done = 0
    while done < n:
        for column in columns.values():
            column.make_room()
        end = min(n, done + min(column.room for column in columns.values()))
        for name, column in columns.items():
            column.take(arrays[name][done:end])
        done = end
