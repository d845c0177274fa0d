"""Where a run holds still, and the averages there.

A record is first folded into short blocks of a twentieth of the dwell (:mod:`~benchkit.analysis.folding`); block means
carry the movement, differences of neighbouring blocks the noise. All work after that is on blocks, so an hour at 1 kHz
costs one pass over the rows.

Two notions are kept apart:

- a **hold** is a longest stretch over which no channel moves by more than its band within any one dwell. Slow thermal
  drift at a constant set-point does not end a hold; heat runs are read from holds.
- a **steady stretch** is what one operating point averages: the last part of a hold, at most ``longest_s``, over which
  no channel moves by more than its band in all. A slow ramp is a hold without a steady stretch.

Whether a point may be called steady, electrically and thermally, is said by its labels
(:mod:`~benchkit.analysis.settled`).

Source: rules of this project; means and their uncertainty after JCGM 100:2008.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.derived import derived_mean
from benchkit.analysis.folding import Folding, Segment, fold
from benchkit.analysis.periods import whole_periods
from benchkit.analysis.settled import electrical_label, thermal_label
from benchkit.analysis.stillness import BLOCKS_PER_DWELL, band_of, hold_blocks, steady_blocks
from benchkit.analysis.uncertainty import combine, type_a_columns
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream, StreamRows

FloatArray = npt.NDArray[np.float64]

LONGEST_DWELLS = 3.0
"""Longest averaging window of an operating point in dwells, where nothing else is said."""
MOST_MISSING = 0.2
"""Share of NaN samples above which a channel has no mean in a stretch."""
ROWS_AT_ONCE = 50_000
"""A longer stretch is averaged from its blocks, so that it need not be in memory."""


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
    return [
        (int(segment.edges[a]), int(segment.edges[b]))
        for segment in fold(t, x, dwell_s / BLOCKS_PER_DWELL, dwell_s, breaks)
        for a, b in hold_blocks(segment, segment.means, limits, dwell_s)
    ]


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
    most = _most_blocks(dwell_s, longest_s)
    return [
        (int(segment.edges[a]), int(segment.edges[b]))
        for segment in fold(t, x, dwell_s / BLOCKS_PER_DWELL, dwell_s, breaks)
        for hold in hold_blocks(segment, segment.means, limits, dwell_s)
        for a, b in steady_blocks(segment, segment.means, limits, hold, most)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Hold:
    """Blocks ``first`` to ``stop`` of a segment: one hold of a stream."""

    segment: Segment
    first: int
    stop: int

    @property
    def row_start(self) -> int:
        """First row."""
        return int(self.segment.edges[self.first])

    @property
    def row_stop(self) -> int:
        """Row behind the last."""
        return int(self.segment.edges[self.stop])


def folding_of(stand: Stand, breaks: Sequence[float] = ()) -> Folding:
    """An empty folding with the blocks of the stand's steadiness; feed it every row of one stream, all channels."""
    dwell_s = stand.steadiness.dwell_s
    return Folding(dwell_s / BLOCKS_PER_DWELL, dwell_s, breaks)


def fold_stream(stand: Stand, stream: StreamRows, breaks: Sequence[float] = ()) -> tuple[Segment, ...]:
    """Blocks of a whole stream, all channels."""
    folding = folding_of(stand, breaks)
    for block in stream.blocks():
        folding.feed(block.time_s, block.values)
        del block  # the next one takes its memory
    return folding.finish()


def operating_points(
    stand: Stand,
    stream: StreamRows,
    breaks: Sequence[float] = (),
    longest_s: float | None = None,
    *,
    segments: Sequence[Segment] | None = None,
) -> tuple[OperatingPoint, ...]:
    """Operating points of one stream, after the steadiness of the stand.

    Each has the mean of every channel, in its bench unit, with uncertainty.

    The mean of a channel carries type A (readings that remember, see :func:`~benchkit.analysis.uncertainty.type_a`)
    and type B (accuracy of its calibration, at the mean). NaN samples are left out; more than 20 % of them, or a
    channel the stand does not know, give NaN. Empty when the stream lacks a channel that must hold still.

    Where the stand names a channel of electrical frequency, the window is cut at its start to whole periods. Where the
    stand asks for a time of stabilisation, no reading is from before it. ``segments`` are the blocks of the stream
    (:func:`fold_stream`), where they are there already.

    Raises:
        UsageError: a channel that must hold still is neither a speed nor a torque: there is no band for it.
    """
    rules = stand.steadiness
    holds = steady_holds(stand, stream, breaks, segments=segments)
    most = _most_blocks(rules.dwell_s, longest_s)
    waited = math.ceil(rules.stabilise_s / rules.dwell_s * BLOCKS_PER_DWELL - 1e-9)
    which, bands = _held(stand, stream) or ([], [])
    limits = np.array(bands)
    points: list[OperatingPoint] = []
    for hold in holds:
        if hold.stop - hold.first - waited < BLOCKS_PER_DWELL:
            continue
        rest = (hold.first + waited, hold.stop)
        for a, b in steady_blocks(hold.segment, hold.segment.columns(which), limits, rest, most):
            points.append(_point(stand, stream, hold, a, b, len(points)))
    return tuple(points)


def _point(stand: Stand, stream: StreamRows, hold: Hold, a: int, b: int, index: int) -> OperatingPoint:
    segment = hold.segment
    start, stop = int(segment.edges[a]), int(segment.edges[b])
    periods, note = 0, ""
    if stop - start <= ROWS_AT_ONCE:
        part = stream.rows(start, stop)
        frequency = stand.channel_for(Role.ELECTRICAL_FREQUENCY)
        if frequency is not None and frequency.name in part.channels:
            kept, periods, note = whole_periods(part.time_s, part.column(frequency.name))
            part, start = part.rows(stop - start - kept, stop - start), stop - kept
        means = channel_means(stand, part, 0, len(part))
        ends = part.time_s[[0, -1]].tolist()
    else:
        means = block_means(stand, stream, segment, a, b)
        ends = [float(stream.rows(row, row + 1).time_s[0]) for row in (start, stop - 1)]
        note = f"More than {ROWS_AT_ONCE} rows: averaged by blocks, not cut to whole periods."
    return OperatingPoint(
        index=index,
        stream=stream.source,
        row_start=start,
        row_stop=stop,
        time_start_s=ends[0],
        time_end_s=ends[1],
        means=means,
        electrical=electrical_label(stand, stream.channels, segment, a, b),
        thermal=thermal_label(stand, stream.channels, segment, hold.first, b),
        whole_periods=periods,
        periods_note=note,
    )


def steady_holds(
    stand: Stand, stream: StreamRows, breaks: Sequence[float] = (), *, segments: Sequence[Segment] | None = None
) -> list[Hold]:
    """Holds (:func:`find_holds`) of one stream after the steadiness of the stand."""
    held = _held(stand, stream)
    if held is None:
        return []
    which, bands = held
    folded = fold_stream(stand, stream, breaks) if segments is None else segments
    return [
        Hold(segment, a, b)
        for segment in folded
        for a, b in hold_blocks(segment, segment.columns(which), np.array(bands), stand.steadiness.dwell_s)
    ]


def _held(stand: Stand, stream: StreamRows) -> tuple[list[int], list[float]] | None:
    """Columns that must hold still and their bands; None where the stream has not all of them."""
    names = stand.steadiness.channels
    if not names or not set(names) <= set(stream.channels) or len(stream) == 0:
        return None
    return [stream.channels.index(name) for name in names], [band_of(stand, name) for name in names]


def _most_blocks(dwell_s: float, longest_s: float | None) -> int | None:
    cap = LONGEST_DWELLS * dwell_s if longest_s is None else longest_s
    if cap < dwell_s:
        raise UsageError("the longest stretch is shorter than the dwell", got=cap, expected=f"at least {dwell_s} s")
    return None if math.isinf(cap) else round(cap / dwell_s * BLOCKS_PER_DWELL)


def channel_means(stand: Stand, stream: Stream, start: int, stop: int) -> dict[str, Estimate]:
    """Mean of every channel over rows ``start`` to ``stop``, in its bench unit, with its standard uncertainty, by name.

    Derived channels: see :func:`~benchkit.analysis.derived.derived_mean`.
    """
    values = stream.values[start:stop]
    missing = np.isnan(values).mean(axis=0) if stop > start else np.ones(len(stream.channels))
    return _estimates(stand, stream.channels, stream.units, type_a_columns(values), missing)


def block_means(stand: Stand, stream: StreamRows, segment: Segment, a: int, b: int) -> dict[str, Estimate]:
    """As :func:`channel_means` over blocks ``a`` to ``b`` of a long stretch, from the blocks alone.

    The mean weighs each block by its good samples; type A comes from the block means, which is what
    :func:`~benchkit.analysis.uncertainty.type_a` itself makes of a long record.
    """
    counts = segment.counts[a:b].astype(np.float64)
    _, u, dof = type_a_columns(segment.means[a:b])
    good = counts.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.sum(np.where(counts > 0.0, segment.means[a:b], 0.0) * counts, axis=0) / good
    missing = 1.0 - good / float(segment.edges[b] - segment.edges[a])
    return _estimates(stand, stream.channels, stream.units, (mean, u, dof), missing)


def _estimates(
    stand: Stand,
    channels: Sequence[str],
    units: Sequence[str],
    found: tuple[FloatArray, FloatArray, FloatArray],
    missing: FloatArray,
) -> dict[str, Estimate]:
    mean, u, dof = (array.tolist() for array in found)
    known = dict(zip(channels, mean, strict=True))
    means = {}
    for k, name in enumerate(channels):
        channel = stand.channels.get(name)
        if channel is None or missing[k] > MOST_MISSING:
            means[name] = Estimate(math.nan, math.nan, units[k])
        elif channel.derived is not None:
            means[name] = derived_mean(stand, channel, known, mean[k], u[k], dof[k])
        else:
            u_b = channel.calibration.accuracy.standard_uncertainty(mean[k])
            means[name] = combine(mean[k], u[k], dof[k], u_b, unit=units[k], name=name)
    return means


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
