"""Long records thinned for drawing: the least and the greatest value of each stretch are kept, gaps stay gaps."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
STRETCHES = 450
GAP_FACTOR = 8.0
"""A step in time this many times the usual one is drawn as a gap."""


def thinned(
    time_s: FloatArray, values: FloatArray, stretches: int = STRETCHES
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Thin a record (n,) to at most about ``2 * stretches`` points.

    Each stretch of rows gives its least and its greatest value, in the order in which they came, at their own times.
    A stretch of NaN stays NaN. Where time jumps, a NaN is put between, so that no line bridges the gap.
    """
    n = int(values.shape[0])
    if n < 2:
        return tuple(map(float, time_s)), tuple(map(float, values))
    steps = np.diff(time_s)
    gaps = np.flatnonzero(steps > GAP_FACTOR * float(np.median(steps)))
    keep = np.arange(n) if n <= 2 * stretches else _extremes(values, stretches)
    # The NaN stands between the last kept row before the gap and the first after it.
    at = np.unique(np.searchsorted(keep, gaps, side="right"))
    at = at[(at > 0) & (at < keep.shape[0])]
    middle = 0.5 * (time_s[keep[at - 1]] + time_s[keep[at]])
    return (
        tuple(map(float, np.insert(time_s[keep], at, middle))),
        tuple(map(float, np.insert(values[keep], at, np.nan))),
    )


def _extremes(values: FloatArray, stretches: int) -> npt.NDArray[np.int64]:
    """Rows of the least and the greatest value of each stretch and both ends, rising; of a stretch of NaN its first."""
    edges = np.linspace(0, values.shape[0], stretches + 1).astype(np.int64)
    keep: list[int] = []
    for start, stop in pairwise(edges):
        block = values[start:stop]
        if np.isnan(block).all():
            keep.append(int(start))
        else:
            keep.extend(sorted({int(start + np.nanargmin(block)), int(start + np.nanargmax(block))}))
    return np.unique([0, *keep, values.shape[0] - 1])
