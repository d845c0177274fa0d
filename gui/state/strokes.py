"""From the points of a trace to the line segments that are painted, in pixels; dashes follow the time axis.

A trace of a noisy channel goes up and down in every pixel column. Dashes along such a path are thousands of crumbs a
frame, and look like none. Here a dashed trace leaves out pixel columns: it costs less than a solid one, and as the
columns are counted in time, the dashes stand still on the trace while it moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Places:
    """Where the points of several traces lie across the plot: ``px`` in pixels, ``number`` the columns in time.

    ``is_paired``: the points come in pairs of one x, the least and the greatest value of a pixel column.
    """

    px: FloatArray
    number: npt.NDArray[np.int64]
    is_paired: bool


def places(x: FloatArray, factor: float, offset: float) -> Places:
    """Places of the times ``x`` (m,): ``px = factor x + offset``."""
    is_paired = len(x) >= 4 and len(x) % 2 == 0 and bool((x[0::2] == x[1::2]).all())
    if is_paired:
        x = x[0::2]
    return Places(x * factor + offset, np.floor(x * factor + 1e-6).astype(np.int64), is_paired)


def segments(at: Places, y: FloatArray, factor: float, offset: float, dashes: tuple[float, ...] = ()) -> FloatArray:
    """Segments (n, 4) as x1, y1, x2, y2 in pixels of a trace ``y`` (m,); NaN makes a gap.

    ``factor`` and ``offset`` lead from values to pixels, which run down. A pixel column is one upright segment that
    reaches to its neighbour's. ``dashes`` are lengths in pixels, drawn and left out in turns.
    """
    lines, drawn = all_segments(at, y[None, :], factor, offset)
    return shown_segments(at, lines[0], drawn[0], dashes)


def all_segments(at: Places, y: FloatArray, factor: float, offset: float) -> tuple[FloatArray, BoolArray]:
    """Segments (k, n, 4) of several traces ``y`` (k, m), gaps among them, and which of them are no gaps (k, n)."""
    py = y * factor + offset
    if at.is_paired:
        one, other = py[:, 0::2], py[:, 1::2]
        upper, lower = np.minimum(one, other), np.maximum(one, other)
        out = np.empty((*upper.shape, 4))
        out[:, :, 0] = out[:, :, 2] = at.px
        out[:, 0, 1], out[:, 0, 3] = upper[:, 0], lower[:, 0]
        # reach up or down to the column before, where there is one
        np.fmin(upper[:, 1:], lower[:, :-1], out=out[:, 1:, 1])
        np.fmax(lower[:, 1:], upper[:, :-1], out=out[:, 1:, 3])
        out[:, :, 3] += 1.0
        return out, np.isfinite(upper)
    out = np.empty((len(py), max(py.shape[1] - 1, 0), 4))
    out[:, :, 0], out[:, :, 1], out[:, :, 2], out[:, :, 3] = at.px[:-1], py[:, :-1], at.px[1:], py[:, 1:]
    return out, np.isfinite(out[:, :, 1]) & np.isfinite(out[:, :, 3])


def shown_segments(at: Places, lines: FloatArray, drawn: BoolArray, dashes: tuple[float, ...] = ()) -> FloatArray:
    """What is painted of the segments (n, 4) of one trace."""
    numbers = at.number if at.is_paired else at.number[:-1]
    if dashes and len(numbers):
        steps = _pattern(dashes)
        drawn = drawn & steps[numbers % len(steps)]
    return lines if drawn.all() else lines[drawn]


@cache
def _pattern(dashes: tuple[float, ...]) -> BoolArray:
    return np.repeat(np.arange(len(dashes)) % 2 == 0, np.asarray(dashes, dtype=np.intp))
