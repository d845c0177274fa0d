"""What reaches the screen of a long trace: the least and the greatest value of each pixel column, gaps as NaN."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.runfile.pyramid import Buckets

FloatArray = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]


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
    lows = _per_pixel(np.fmin, values, left, right)
    highs = _per_pixel(np.fmax, values, left, right)
    before = np.clip(left - 1, 0, len(time_s) - 1)
    after = np.clip(left, 0, len(time_s) - 1)
    in_gap = (time_s[after] - time_s[before] > gap_s) | (left == 0) | (left == len(time_s))
    keep = filled | in_gap
    return _upright(0.5 * (edges[:-1] + edges[1:])[keep], lows[keep], highs[keep])


def decimate_buckets(
    buckets: Buckets, columns: Sequence[int], *, start_s: float, end_s: float, pixels: int, gap_s: float
) -> tuple[FloatArray, FloatArray]:
    """The same from buckets, for views of so many rows that a pixel has two buckets or more.

    Returns:
        x (2 pixels,) and y (2 pixels, columns), least value first. A column is NaN where nothing was measured, and
        inside a bucket with a step of time wider than ``gap_s``; the bucket's values are at its start.
    """
    edges = np.linspace(start_s, end_s, pixels + 1)
    centres = 0.5 * (edges[:-1] + edges[1:])
    places = np.searchsorted(buckets.first_s, edges)
    left, right = places[:-1], places[1:]
    lows = _per_pixel(np.fmin, buckets.least[:, columns], left, right)
    highs = _per_pixel(np.fmax, buckets.greatest[:, columns], left, right)
    # slow rows: one bucket can cover several pixels
    over = np.maximum(left - 1, 0)
    inside = (right == left) & (left > 0) & (buckets.last_s[over] >= centres) & ~(buckets.widest_s[over] > gap_s)
    lows[inside] = buckets.least[over[inside]][:, columns]
    highs[inside] = buckets.greatest[over[inside]][:, columns]
    return _upright(centres, lows, highs)


def _per_pixel(extreme: np.ufunc, values: FloatArray, left: Places, right: Places) -> FloatArray:
    """Least or greatest of rows ``left`` to ``right`` of each pixel; NaN where it has none."""
    out = np.full((len(left), values.shape[1]), np.nan)
    filled = right > left
    if filled.any():
        # rows behind the last edge must not fall into the last column
        out[filled] = extreme.reduceat(values[: right[filled][-1]], left[filled], axis=0)
    return out


def _upright(centres: FloatArray, lows: FloatArray, highs: FloatArray) -> tuple[FloatArray, FloatArray]:
    # both points of a column stand at one x: a line shorter than a pixel is not drawn without antialiasing
    y = np.empty((2 * len(centres), lows.shape[1]))
    y[0::2], y[1::2] = lows, highs
    return np.repeat(centres, 2), y


def _with_gaps(time_s: FloatArray, values: FloatArray, gap_s: float) -> tuple[FloatArray, FloatArray]:
    jumps = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    if len(jumps) == 0:
        return time_s, values
    middle = 0.5 * (time_s[jumps - 1] + time_s[jumps])
    return np.insert(time_s, jumps, middle), np.insert(values, jumps, np.nan, axis=0)
