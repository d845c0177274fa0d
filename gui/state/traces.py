"""One stream of a recorded run as it is drawn: hours from the pyramid of its file, seconds from the rows themselves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.model.stream import Stream, StreamRows
from benchkit.runfile.pyramid import Buckets
from benchkit.runfile.reader import Run
from gui.state.decimate import decimate, decimate_buckets

FloatArray = npt.NDArray[np.float64]


class Traces:
    """A stream of an open run. Nothing of it is kept in memory but what was last read."""

    def __init__(self, run: Run, source: str) -> None:
        self._rows = run.stream_rows(source)
        self._pyramid = run.pyramid(source)
        self._read: tuple[object, Stream | Buckets] | None = None
        self.source = source
        self.channels = self._rows.channels
        ends = self._rows.rows(0, 1).time_s, self._rows.rows(len(self._rows) - 1, len(self._rows)).time_s
        self.start_s, self.end_s = (float(end[0]) if len(end) else np.nan for end in ends)

    def __len__(self) -> int:
        return len(self._rows)

    def between(self, start_s: float, end_s: float) -> Stream:
        """The rows between two sample times [s], and up to a bucket more on each side."""
        first, stop = self._pyramid.rows_between(start_s, end_s)
        found = self._kept((first, stop))
        if not isinstance(found, Stream):
            found = self._rows.rows(first, stop)
            self._read = (first, stop), found
        return found

    @property
    def stream(self) -> StreamRows:
        """The stream itself, by rows."""
        return self._rows

    def exact_rows(self, start_s: float, end_s: float) -> tuple[int, int]:
        """First row and end of the rows with sample times from ``start_s`` to ``end_s`` [s], for times that rise."""
        found = []
        for time_s, side in ((start_s, "left"), (end_s, "right")):
            first, stop = self._pyramid.rows_between(time_s, time_s)
            times = self._rows.rows(first, stop).time_s
            found.append(first + int(np.searchsorted(times, time_s, side=side)))  # type: ignore[call-overload]
        return found[0], max(found)

    def rows_in(self, start_s: float, end_s: float) -> int:
        """About how many rows there are between two sample times [s]."""
        first, stop = self._pyramid.rows_between(start_s, end_s)
        return stop - first

    def view(
        self, names: Sequence[str], start_s: float, end_s: float, pixels: int, gap_s: float
    ) -> tuple[FloatArray, FloatArray]:
        """Points to draw of some channels: x (m,), y (m, len(names)); NaN makes a gap."""
        columns = [self.channels.index(name) for name in names]
        span = {"start_s": start_s, "end_s": end_s, "gap_s": gap_s}
        level = self._pyramid.level_for(start_s, end_s, pixels)
        if level is None:
            rows = self.between(start_s, end_s)
            return decimate(rows.time_s, rows.values[:, columns], pixels=pixels, **span)
        key = level, start_s, end_s
        found = self._kept(key)
        if not isinstance(found, Buckets):
            found = self._pyramid.buckets(level, start_s, end_s)
            self._read = key, found
        return decimate_buckets(found, columns, pixels=pixels, **span)

    def sample_time_at(self, arrival_s: FloatArray) -> FloatArray:
        """Sample times [s] that belong to host times [s]."""
        return self._pyramid.sample_time_at(arrival_s)

    def greatest_s(self, one: str, other: str, stretch_s: float) -> float:
        """About where the product of two channels is greatest [s], in stretches of some ``stretch_s``.

        Taken from the middles between least and greatest value of each bucket: a place to look at, not a result.
        """
        pixels = max(1, int((self.end_s - self.start_s) / (2.0 * stretch_s)))
        level = self._pyramid.level_for(self.start_s, self.end_s, pixels) or min(self._pyramid.levels)
        buckets = self._pyramid.buckets(level, self.start_s, self.end_s)
        columns = [self.channels.index(name) for name in (one, other)]
        product = np.prod(0.5 * (buckets.least[:, columns] + buckets.greatest[:, columns]), axis=1)
        best = int(np.argmax(np.nan_to_num(product, nan=-np.inf)))
        return float(0.5 * (buckets.first_s[best] + buckets.last_s[best]))

    def _kept(self, key: object) -> Stream | Buckets | None:
        """What was read last, if it is this: six plots ask for the same stretch one after the other."""
        return self._read[1] if self._read is not None and self._read[0] == key else None
