"""What reaches the screen of a long trace: the least and the greatest value of each pixel column, gaps as NaN."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def decimate(
    time_s: FloatArray, values: FloatArray, *, start_s: float, end_s: float, pixels: int, gap_s: float
) -> tuple[FloatArray, FloatArray]:
    """Reduce traces to at most two points per pixel column.

    Args:
        time_s: (n,) rising times [s].
        values: (n, channels), NaN where not measured.
        start_s: left edge of the view [s].
        end_s: right edge of the view [s], after ``start_s``.
        pixels: pixel columns of the view.
        gap_s: two neighbouring rows further apart than this have a gap between them [s].

    Returns:
        x (m,) and y (m, channels). With few rows these are the rows themselves, with a row of NaN in each gap; else
        two rows per column, least value first. A column is NaN where none of its values was measured, and where it
        lies in a gap. One row outside each edge is kept so that lines run to the edge.
    """
    first = max(int(np.searchsorted(time_s, start_s, side="left")) - 1, 0)
    last = min(int(np.searchsorted(time_s, end_s, side="right")) + 1, len(time_s))
    time_s, values = time_s[first:last], values[first:last]
    if len(time_s) <= pixels:
        return _with_gaps(time_s, values, gap_s)
    edges = np.linspace(start_s, end_s, pixels + 1)
    places = np.searchsorted(time_s, edges)
    left, right = places[:-1], places[1:]
    filled = right > left
    lows = np.full((pixels, values.shape[1]), np.nan)
    highs = np.full_like(lows, np.nan)
    if filled.any():
        # rows behind the last edge must not fall into the last column
        inside = values[: right[filled][-1]]
        lows[filled] = np.fmin.reduceat(inside, left[filled], axis=0)
        highs[filled] = np.fmax.reduceat(inside, left[filled], axis=0)
    before = np.clip(left - 1, 0, len(time_s) - 1)
    after = np.clip(left, 0, len(time_s) - 1)
    in_gap = (time_s[after] - time_s[before] > gap_s) | (left == 0) | (left == len(time_s))
    keep = filled | in_gap
    # both points of a column stand at one x: a line shorter than a pixel is not drawn without antialiasing
    x = np.repeat(0.5 * (edges[:-1] + edges[1:])[keep], 2)
    y = np.empty((len(x), values.shape[1]))
    y[0::2], y[1::2] = lows[keep], highs[keep]
    return x, y


def _with_gaps(time_s: FloatArray, values: FloatArray, gap_s: float) -> tuple[FloatArray, FloatArray]:
    jumps = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    if len(jumps) == 0:
        return time_s, values
    middle = 0.5 * (time_s[jumps - 1] + time_s[jumps])
    return np.insert(time_s, jumps, middle), np.insert(values, jumps, np.nan, axis=0)
