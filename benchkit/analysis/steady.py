"""Where a run holds still, and the averages there.

A record is first folded into short blocks of a twentieth of the dwell; block means carry the movement, differences of
neighbouring blocks the noise. All work after that is on blocks, so an hour at 1 kHz costs one pass over the rows.

Two notions are kept apart:

- a **hold** is a longest stretch over which no channel moves by more than its band within any one dwell. Slow thermal
  drift at a constant set-point does not end a hold; heat runs are read from holds.
- a **steady stretch** is what one operating point averages: the last part of a hold, at most ``longest_s``, over which
  no channel moves by more than its band in all. A slow ramp is a hold without a steady stretch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.analysis.derived import derived_mean
from benchkit.analysis.uncertainty import combine, type_a_columns
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.units import Quantity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BLOCKS_PER_DWELL = 20
LONGEST_DWELLS = 3.0
"""Longest averaging window of an operating point in dwells, where nothing else is said."""
MOST_MISSING = 0.2
"""Share of NaN samples above which a channel has no mean in a stretch."""
_RANGE_OF_NOISE = 5.0  # of 20 normal numbers the range exceeds 5 standard deviations in 1 % of cases
_SLOPE_NOISE = 2.0  # standard uncertainties by which a drift must exceed its band to count


def find_holds(
    time_s: npt.ArrayLike,
    columns: npt.ArrayLike,
    bands: Sequence[float],
    dwell_s: float,
    breaks: Sequence[float] = (),
) -> list[tuple[int, int]]:
    """Longest stretches, at least one dwell, over which every column keeps within its band in every dwell.

    Within each window of one dwell the range of the block means, less what noise alone makes of it, and the drift of
    the fitted line, less two of its standard uncertainties, must both be within the band. The noise is taken from the
    differences of neighbouring blocks (median), so a step is not mistaken for it. The settling at either end of a hold
    is cut off: blocks that lie more than a quarter of the band (and three times the noise) off the level further in.

    Args:
        time_s: sample times, shape (n,); a step back in time ends a stretch.
        columns: values (n, columns) that must hold still; NaN is left out. A block without a good sample ends a
            stretch, as does a gap in time.
        bands: widest movement of each column within one dwell, in its unit.
        dwell_s: shortest stretch [s].
        breaks: times at which something was commanded; no stretch spans one.

    Returns:
        Rows (start, stop) of each hold, in order, not overlapping.

    Raises:
        UsageError: a band or the dwell is not positive, or shapes do not fit.
    """
    t, x, limits = _checked(time_s, columns, bands, dwell_s)
    step = np.diff(t)
    # a gap longer than the dwell ends a stretch anyway; cutting there keeps a wild clock from making endless blocks
    cuts = np.concatenate([[0], np.flatnonzero((step < 0.0) | (step > dwell_s)) + 1, [t.size]])
    found: list[tuple[int, int]] = []
    for first, last in pairwise(cuts):
        inner = np.searchsorted(t[first:last], sorted(breaks)) + first
        edges = np.unique(np.concatenate([[first], inner, [last]]))
        for start, stop in pairwise(edges):
            found += [
                (int(start) + a, int(start) + b) for a, b in _holds(t[start:stop], x[start:stop], limits, dwell_s)
            ]
    return found


def find_steady(
    time_s: npt.ArrayLike,
    columns: npt.ArrayLike,
    bands: Sequence[float],
    dwell_s: float,
    breaks: Sequence[float] = (),
    *,
    longest_s: float | None = None,
) -> list[tuple[int, int]]:
    """Steady stretches: parts of holds that keep within the bands as a whole. In order, not overlapping.

    Arguments as :func:`find_holds`; ``longest_s`` [s] caps a stretch, three dwells when not given. A hold that is
    shorter than the cap counts as a whole. Of a longer one the last part is taken, where slow thermal drift has come
    furthest. Where a hold has a ramp in it, each level beside the ramp gives its stillest part; a hold that is nothing
    but a ramp gives nothing.

    >>> t = np.arange(0.0, 60.0, 0.05)
    >>> speed = np.where(t < 20.0, 1000.0, 1500.0)
    >>> [(float(t[a]), float(t[b - 1].round(2))) for a, b in find_steady(t, speed[:, None], [10.0], 10.0)]
    [(0.0, 19.95), (30.0, 59.95)]
    """
    t, x, limits = _checked(time_s, columns, bands, dwell_s)
    cap = LONGEST_DWELLS * dwell_s if longest_s is None else longest_s
    if cap < dwell_s:
        raise UsageError("the longest stretch is shorter than the dwell", got=cap, expected=f"at least {dwell_s} s")
    found = []
    for start, stop in find_holds(t, x, bands, dwell_s, breaks):
        parts = _steady_parts(t[start:stop], x[start:stop], limits, dwell_s, cap)
        found += [(start + a, start + b) for a, b in parts]
    return found


def operating_points(
    stand: Stand, stream: Stream, breaks: Sequence[float] = (), longest_s: float | None = None
) -> tuple[OperatingPoint, ...]:
    """Operating points of one stream, after the steadiness of the stand: means of every channel with uncertainty.

    The mean of a channel carries type A (readings that remember, see :func:`~benchkit.analysis.uncertainty.type_a`)
    and type B (accuracy of its calibration, at the mean). NaN samples are left out; more than 20 % of them, or a
    channel the stand does not know, give NaN. Empty when the stream lacks a channel that must hold still.

    Raises:
        UsageError: a channel that must hold still is neither a speed nor a torque: there is no band for it.
    """
    held = _held_columns(stand, stream)
    if held is None:
        return ()
    stretches = find_steady(stream.time_s, *held, stand.steadiness.dwell_s, breaks, longest_s=longest_s)
    return tuple(
        OperatingPoint(
            index=index,
            stream=stream.source,
            row_start=start,
            row_stop=stop,
            time_start_s=float(stream.time_s[start]),
            time_end_s=float(stream.time_s[stop - 1]),
            means=channel_means(stand, stream, start, stop),
        )
        for index, (start, stop) in enumerate(stretches)
    )


def steady_holds(stand: Stand, stream: Stream, breaks: Sequence[float] = ()) -> list[tuple[int, int]]:
    """Holds (:func:`find_holds`) of one stream after the steadiness of the stand."""
    held = _held_columns(stand, stream)
    return [] if held is None else find_holds(stream.time_s, *held, stand.steadiness.dwell_s, breaks)


def _held_columns(stand: Stand, stream: Stream) -> tuple[FloatArray, list[float]] | None:
    """Columns that must hold still and their bands; None where the stream has not all of them."""
    names = stand.steadiness.channels
    if not names or not set(names) <= set(stream.channels) or len(stream) == 0:
        return None
    return np.stack([stream.column(name) for name in names], axis=1), [_band(stand, name) for name in names]


def channel_means(stand: Stand, stream: Stream, start: int, stop: int) -> dict[str, Estimate]:
    """Mean of every channel over rows ``start`` to ``stop`` with its standard uncertainty, by name.

    Derived channels: see :func:`~benchkit.analysis.derived.derived_mean`.
    """
    values = stream.values[start:stop]
    mean, u, dof = type_a_columns(values)
    missing = np.isnan(values).mean(axis=0) if stop > start else np.ones(len(stream.channels))
    means = {}
    for k, name in enumerate(stream.channels):
        channel = stand.channels.get(name)
        unit = stream.units[k]
        if channel is None or missing[k] > MOST_MISSING:
            means[name] = Estimate(math.nan, math.nan, unit)
            continue
        if channel.derived is not None:
            known = dict(zip(stream.channels, mean.tolist(), strict=True))
            means[name] = derived_mean(stand, channel, known, float(mean[k]), float(u[k]), float(dof[k]))
            continue
        u_b = channel.calibration.accuracy.standard_uncertainty(float(mean[k]))
        means[name] = combine(float(mean[k]), float(u[k]), float(dof[k]), u_b, unit=unit, name=name)
    return means


def _band(stand: Stand, name: str) -> float:
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


def _checked(
    time_s: npt.ArrayLike, columns: npt.ArrayLike, bands: Sequence[float], dwell_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    t = np.asarray(time_s, dtype=np.float64)
    x = np.asarray(columns, dtype=np.float64)
    limits = np.asarray(bands, dtype=np.float64)
    if t.ndim != 1 or x.ndim != 2 or x.shape[0] != t.size or limits.shape != (x.shape[1],):
        raise UsageError(
            "shapes do not fit together",
            got=f"time {t.shape}, columns {x.shape}, bands {limits.shape}",
            expected="(n,), (n, columns), (columns,)",
        )
    if not dwell_s > 0.0 or not bool(np.all(limits > 0.0)):
        raise UsageError("dwell and bands must be positive", got=(dwell_s, limits.tolist()))
    if not bool(np.all(np.isfinite(t))):
        raise UsageError("sample times must be finite numbers")
    return t, x, limits


def _blocks(t: FloatArray, x: FloatArray, length_s: float) -> tuple[IntArray, FloatArray, FloatArray]:
    """First rows of the blocks (b + 1,), their mean times (b,) and means (b, columns), NaN where nothing is good."""
    count = math.floor((t[-1] - t[0]) / length_s * (1.0 + 1e-9)) + 1
    edges = np.searchsorted(t, t[0] + length_s * np.arange(count) - 1e-9 * length_s).astype(np.int64)
    edges = np.append(edges, t.size)
    # numpy's reduceat gives the element itself for an empty block; counts of 0 make it NaN
    first = np.minimum(edges[:-1], t.size - 1)
    rows = np.diff(edges).astype(np.float64)
    good = ~np.isnan(x)
    counts = np.add.reduceat(good, first, axis=0, dtype=np.int64).astype(np.float64)
    counts[rows == 0.0] = 0.0
    shift = np.nan_to_num(np.nanmedian(x, axis=0)) if good.any(axis=0).all() else np.zeros(x.shape[1])
    sums = np.add.reduceat(np.where(good, x - shift, 0.0), first, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = sums / counts + shift
        times = np.add.reduceat(t - t[0], first) / rows + t[0]
    means[counts == 0.0] = np.nan
    times[rows == 0.0] = np.nan
    return edges, times, means


def _noise(means: FloatArray) -> FloatArray:
    """Standard deviation of a block mean without its movement: median difference of neighbours, (windows, columns)."""
    steps = np.abs(np.diff(means, axis=1))
    noise: FloatArray = np.median(steps, axis=1) / (0.6744897501960817 * math.sqrt(2.0))
    return noise


def _movement(times: FloatArray, means: FloatArray, limits: FloatArray, width: int) -> FloatArray:
    """Movement within every window of ``width`` blocks, in bands, the worst column; (blocks - width + 1,).

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


def _holds(t: FloatArray, x: FloatArray, limits: FloatArray, dwell_s: float) -> list[tuple[int, int]]:
    if t.size < BLOCKS_PER_DWELL or t[-1] - t[0] < 0.9 * dwell_s:
        return []
    edges, times, means = _blocks(t, x, dwell_s / BLOCKS_PER_DWELL)
    moved = _movement(times, means, limits, BLOCKS_PER_DWELL)
    found = []
    for first, last in _runs(moved <= 1.0, BLOCKS_PER_DWELL):
        stop = last + BLOCKS_PER_DWELL - 1
        a, b = _trimmed(means, first, stop, limits)
        if b - a >= BLOCKS_PER_DWELL:
            found.append((int(edges[a]), int(edges[b])))
    return found


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


def _steady_parts(
    t: FloatArray, x: FloatArray, limits: FloatArray, dwell_s: float, cap_s: float
) -> list[tuple[int, int]]:
    edges, times, means = _blocks(t, x, dwell_s / BLOCKS_PER_DWELL)
    count = means.shape[0]
    if count > 1 and edges[-1] - edges[-2] < 0.5 * (edges[1] - edges[0]):
        count -= 1  # a last block that is mostly beyond the stretch
    width = count if math.isinf(cap_s) else min(count, round(cap_s / dwell_s * BLOCKS_PER_DWELL))
    moved = _movement(times[:count], means[:count], limits, width)
    parts = []
    for first, stop in _runs(moved <= 1.0, width):
        at_end = stop == moved.size
        start = stop - 1 if at_end else first + int(np.argmin(moved[first:stop]))
        parts.append((int(edges[start]), int(edges[-1] if at_end else edges[start + width])))
    return parts
