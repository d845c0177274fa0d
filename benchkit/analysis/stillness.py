"""How much block means move, and where they hold still: the tests behind holds, steady stretches and the live form.

Within each window the range of the block means, less what noise alone makes of it, and the drift of the fitted line,
less two of its standard uncertainties, must both be within the band. The noise is taken from the differences of
neighbouring blocks (median), so a step is not mistaken for it.

Source: rules of this project, tried out on simulated runs (tests/analysis/test_steady.py).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchkit.analysis.folding import Segment
from benchkit.errors import UsageError
from benchkit.model.stand import Stand
from benchkit.units import Quantity

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BLOCKS_PER_DWELL = 20
_RANGE_OF_NOISE = 5.0  # of 20 normal numbers the range exceeds 5 standard deviations in 1 % of cases
_SLOPE_NOISE = 2.0  # standard uncertainties by which a drift must exceed its band to count


def band_of(stand: Stand, name: str) -> float:
    """Widest movement of a channel within one steady stretch, in its unit."""
    quantity = stand.channels[name].quantity
    if quantity is Quantity.SPEED:
        return stand.steadiness.speed_band_rpm
    if quantity is Quantity.TORQUE:
        return stand.steadiness.torque_band_nm
    raise UsageError(
        f"no steadiness band for a {quantity.value}",
        where=f"steadiness.channels: {name}",
        expected="channels of speed or torque",
        remedy="Take the channel out of the list.",
    )


def hold_blocks(segment: Segment, means: FloatArray, limits: FloatArray, dwell_s: float) -> list[tuple[int, int]]:
    """Holds of one segment as blocks (start, stop); ``means`` (blocks, columns) of what must hold still within
    ``limits`` (columns,), both in the unit of the column, in every dwell [s]. The settling at either end is cut off."""
    if segment.rows < BLOCKS_PER_DWELL or segment.span_s < 0.9 * dwell_s:
        return []
    moved = movement(segment.times, means, limits, BLOCKS_PER_DWELL)
    found = []
    for first, last in _runs(moved <= 1.0, BLOCKS_PER_DWELL):
        a, b = _trimmed(means, first, last + BLOCKS_PER_DWELL - 1, limits)
        if b - a >= BLOCKS_PER_DWELL:
            found.append((a, b))
    return found


def steady_blocks(
    segment: Segment, means: FloatArray, limits: FloatArray, hold: tuple[int, int], most: int | None
) -> list[tuple[int, int]]:
    """Parts of a hold of at most ``most`` blocks (None: any number) that keep within ``limits`` as a whole.

    Means and limits are in the unit of their column. Of a hold, or of a level beside a ramp in it, the
    last part where it is still, else the stillest.
    """
    first, stop = hold
    times, x, edges = segment.times[first:stop], means[first:stop], segment.edges[first : stop + 1]
    count = stop - first
    if count > 1 and edges[-1] - edges[-2] < 0.5 * (edges[1] - edges[0]):
        count -= 1  # a last block that is mostly beyond the stretch
    width = count if most is None else min(count, most)
    moved = movement(times[:count], x[:count], limits, width)
    parts = []
    for begin, end in _runs(moved <= 1.0, width):
        at_end = end == moved.size
        start = end - 1 if at_end else begin + int(np.argmin(moved[begin:end]))
        parts.append((first + start, stop if at_end else first + start + width))
    return parts


def _noise(means: FloatArray) -> FloatArray:
    """Standard deviation of a block mean without its movement: median difference of neighbours, (windows, columns)."""
    steps = np.abs(np.diff(means, axis=1))
    noise: FloatArray = np.median(steps, axis=1) / (0.6744897501960817 * math.sqrt(2.0))
    return noise


def movement(times: FloatArray, means: FloatArray, limits: FloatArray, width: int) -> FloatArray:
    """Movement within every window of ``width`` blocks, in bands [1], the worst column; (blocks - width + 1,).

    At most 1 where every column keeps within its band, infinite where a block is empty.
    """
    if means.shape[0] < width:
        return np.zeros(0)
    view = np.lib.stride_tricks.sliding_window_view
    x = np.moveaxis(view(means, width, axis=0), -1, 1)  # (windows, width, columns)
    t = view(times, width)
    whole = ~(np.isnan(x).any(axis=(1, 2)) | np.isnan(t).any(axis=1))
    moved = np.full(whole.size, np.inf)
    rows = np.flatnonzero(whole)
    for part in np.array_split(rows, max(1, rows.size * width // 2_000_000)):
        if part.size == 0:
            continue
        xs, ts = x[part], t[part]
        noise = _noise(xs)
        spread = xs.max(axis=1) - xs.min(axis=1) - _RANGE_OF_NOISE * noise
        centred = ts - ts.mean(axis=1, keepdims=True)
        square = np.sum(centred**2, axis=1)
        slope = np.einsum("wb,wbc->wc", centred, xs) / square[:, None]
        length = (ts[:, -1] - ts[:, 0]) * width / max(width - 1, 1)
        drift = np.abs(slope) * length[:, None]
        u_drift = noise * (length / np.sqrt(square))[:, None]
        moved[part] = np.max(np.maximum(spread, drift - _SLOPE_NOISE * u_drift) / limits, axis=1)
    return moved


def _runs(mask: BoolArray, width: int) -> list[tuple[int, int]]:
    """Runs of windows of ``width`` blocks that are True, as (start, stop), clear of the blocks of the run before."""
    padded = np.concatenate([[False], mask, [False]]).astype(np.int8)
    starts, stops = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    runs: list[tuple[int, int]] = []
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        begin = max(start, runs[-1][1] + width - 1) if runs else start
        if begin < stop:
            runs.append((begin, stop))
    return runs


def _trimmed(means: FloatArray, first: int, stop: int, limits: FloatArray) -> tuple[int, int]:
    """Cut the settling off both ends: within half a dwell, blocks up to the last that is off the level further in."""
    half = BLOCKS_PER_DWELL // 2
    level_noise = _noise(means[None, first:stop])[0]
    allowed = 0.25 * limits + 3.0 * level_noise
    inner_start = np.median(means[first + half : first + 2 * half], axis=0)
    off = np.any(np.abs(means[first : first + half] - inner_start) > allowed, axis=1)
    begin = first + (int(np.flatnonzero(off)[-1]) + 1 if off.any() else 0)
    inner_end = np.median(means[stop - 2 * half : stop - half], axis=0)
    off = np.any(np.abs(means[stop - half : stop] - inner_end) > allowed, axis=1)
    end = stop - half + int(np.flatnonzero(off)[0]) if off.any() else stop
    return begin, end
