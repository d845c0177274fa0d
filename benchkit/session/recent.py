"""The last rows of one source, for requests that look back."""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from benchkit.model.samples import FloatArray


class Recent:
    """Rows of the last ``span_ns`` of arrival, and at most about ``most_rows`` of them where that is given."""

    def __init__(self, span_ns: int, most_rows: int | None = None) -> None:
        self._span_ns = span_ns
        self._most_rows = most_rows
        self._rows = 0
        self._parts: deque[tuple[npt.NDArray[np.int64], FloatArray]] = deque()

    def add(self, arrival_ns: npt.NDArray[np.int64], values: FloatArray) -> None:
        """Rows in order; what has become too old or too much is let go."""
        if arrival_ns.size == 0:
            return
        self._parts.append((arrival_ns, values))
        self._rows += arrival_ns.size
        oldest = int(arrival_ns[-1]) - self._span_ns
        while self._parts and (int(self._parts[0][0][-1]) < oldest or self._is_full()):
            self._rows -= self._parts.popleft()[0].size

    def since(self, start_ns: int) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Arrival (n,) and values (n, columns) of the rows since ``start_ns``."""
        if not self._parts:
            return np.empty(0, dtype=np.int64), np.empty((0, 0))
        arrival = np.concatenate([part[0] for part in self._parts])
        values = np.concatenate([part[1] for part in self._parts])
        return arrival[arrival >= start_ns], values[arrival >= start_ns]

    def column_since(self, start_ns: int, column: int) -> FloatArray:
        """One column (n,) of the rows since ``start_ns``, without a look at the others."""
        parts = [part for part in self._parts if int(part[0][-1]) >= start_ns]
        if not parts:
            return np.empty(0)
        first = int(np.searchsorted(parts[0][0], start_ns))
        return np.concatenate([parts[0][1][first:, column], *(part[1][:, column] for part in parts[1:])])

    @property
    def oldest_ns(self) -> int | None:
        """Arrival of the oldest row that is kept; None without any."""
        return int(self._parts[0][0][0]) if self._parts else None

    def clear(self) -> None:
        """Forget all: the offsets have changed."""
        self._parts.clear()
        self._rows = 0

    def _is_full(self) -> bool:
        return self._most_rows is not None and self._rows > self._most_rows and len(self._parts) > 1
