"""The averages of a stretch that a person chose, made as those of a steady stretch; and whether it was steady.

Source: as :mod:`~benchkit.analysis.steady`.
"""

from __future__ import annotations

import numpy as np

from benchkit.analysis.folding import Folding, Segment
from benchkit.analysis.settled import electrical_label, thermal_label
from benchkit.analysis.steady import ROWS_AT_ONCE, block_means, channel_means
from benchkit.analysis.stillness import BLOCKS_PER_DWELL
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Stand
from benchkit.model.stream import BLOCK_ROWS, StreamRows

HAS_GAPS = "The stretch has a gap in it: whether it was steady is not said."


def stretch_point(stand: Stand, stream: StreamRows, row_start: int, row_stop: int) -> OperatingPoint:
    """Operating point of rows ``row_start`` to ``row_stop``: the mean of every channel with its uncertainty.

    The means are made as in :func:`~benchkit.analysis.steady.operating_points`: type A of readings that remember, and
    type B of the calibration. The rows are taken as they are: nothing is cut to whole electrical periods, and what is
    not steady is averaged all the same, but labelled. The type A part holds for a stretch that does not drift.

    ``electrical`` and ``thermal`` are None where the stream lacks a channel that must hold still, or has a gap in the
    stretch. Memory is bounded for a stream that stays in its file.

    Raises:
        UsageError: fewer than two rows.
    """
    row_start, row_stop = max(0, row_start), min(row_stop, len(stream))
    if row_stop - row_start < 2:
        raise UsageError("a stretch needs at least two rows", got=max(0, row_stop - row_start))
    dwell_s = stand.steadiness.dwell_s
    folding = Folding(dwell_s / BLOCKS_PER_DWELL, dwell_s)
    for first in range(row_start, row_stop, BLOCK_ROWS):
        part = stream.rows(first, min(first + BLOCK_ROWS, row_stop))
        folding.feed(part.time_s, part.values)
        del part  # the next one takes its memory
    segments = folding.finish()
    if row_stop - row_start <= ROWS_AT_ONCE:
        rows = stream.rows(row_start, row_stop)
        means, note = channel_means(stand, rows, 0, len(rows)), ""
    else:
        means, note = _long_means(stand, stream, segments), f"More than {ROWS_AT_ONCE} rows: averaged by blocks."
    is_known = bool(stand.steadiness.channels) and set(stand.steadiness.channels) <= set(stream.channels)
    electrical = thermal = None
    if is_known and len(segments) == 1:
        (segment,) = segments
        blocks = len(segment.times)
        electrical = electrical_label(stand, stream.channels, segment, 0, blocks)
        thermal = thermal_label(stand, stream.channels, segment, 0, blocks)
    elif len(segments) > 1:
        note = f"{note} {HAS_GAPS}".strip()
    first_row, last_row = stream.rows(row_start, row_start + 1), stream.rows(row_stop - 1, row_stop)
    return OperatingPoint(
        index=0,
        stream=stream.source,
        row_start=row_start,
        row_stop=row_stop,
        time_start_s=float(first_row.time_s[0]),
        time_end_s=float(last_row.time_s[0]),
        means=means,
        electrical=electrical,
        thermal=thermal,
        periods_note=note,
    )


def _long_means(stand: Stand, stream: StreamRows, segments: tuple[Segment, ...]) -> dict[str, Estimate]:
    """Means of all segments together, from their blocks."""
    rows = [np.diff(segment.edges) for segment in segments]
    joined = Segment(
        edges=np.concatenate([[0], np.cumsum(np.concatenate(rows))]),
        times=np.concatenate([s.times for s in segments]),
        means=np.concatenate([s.means for s in segments]),
        counts=np.concatenate([s.counts for s in segments]),
        span_s=sum(s.span_s for s in segments),
    )
    return block_means(stand, stream, joined, 0, len(joined.times))
