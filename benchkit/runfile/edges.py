"""The offset of two sources' times in a recorded run, from an edge that both have seen. Nothing is written."""

from __future__ import annotations

import numpy as np

from benchkit.decode.common_edge import EdgeOffset, offset_between
from benchkit.errors import UsageError
from benchkit.runfile.layout import FloatArray
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import choose, pieces


def common_edge(
    run: Run, channels: tuple[str, str], *, start_s: float | None = None, stop_s: float | None = None
) -> tuple[EdgeOffset, tuple[str, str]]:
    """Offset of the second channel's times against the first's over ``start_s <= time_s < stop_s``, and the sources.

    Raises:
        UsageError: an unknown channel, two channels of one source, or no common edges in that stretch.
    """
    signals = [_signal(run, channel, start_s, stop_s) for channel in channels]
    (first, time_a, a), (second, time_b, b) = signals
    if first == second:
        raise UsageError(
            "both channels are of one source: their times are the same",
            where=str(run.path),
            got=first,
            expected="channels of two sources",
        )
    return offset_between(time_a, a, time_b, b), (first, second)


def _signal(run: Run, channel: str, start_s: float | None, stop_s: float | None) -> tuple[str, FloatArray, FloatArray]:
    (part,) = choose(run, channels=[channel], start_s=start_s, stop_s=stop_s)
    read = [(stream.time_s, stream.values[:, 0]) for stream in pieces(run, part)]
    if not read:
        return part.source, np.empty(0), np.empty(0)
    return part.source, np.concatenate([time for time, _ in read]), np.concatenate([values for _, values in read])
