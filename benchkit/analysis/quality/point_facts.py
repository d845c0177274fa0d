"""What the checks need of the rows of one operating point, read once: spectra, scatter, drift.

Source: means, lines and products, textbook statistics; the factor of :func:`scatter` derived there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchkit.analysis.quality.row_facts import FloatArray
from benchkit.analysis.quality.spectrum import Line, strongest_line
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream
from benchkit.units import Quantity

WITH_LINES = (
    Role.DC_VOLTAGE,
    Role.DC_CURRENT,
    Role.AC_POWER,
    Role.PHASE_CURRENT,
    Role.THRUST,
    Role.TORQUE,
)
_PIECES = 10


@dataclass(frozen=True, slots=True, eq=False)
class PointFacts:
    """Of the last rows of one point. NaN: not measured, or too few rows."""

    lines: Mapping[Role, Line]
    """The strongest line of each role that has one."""
    covariance_w: float
    """Mean of products less product of means of DC voltage and current [W], trends taken off."""
    winding_drift_k: float
    """What the winding moves over the rows, after the straight line through it."""
    scatter_k: Mapping[str, float]
    """By temperature channel: standard deviation of single readings without their movement."""
    thrust_noise_n: float
    """The same of the thrust."""
    thrust_spread_n: float
    """Standard deviation of the means of ten pieces of the thrust."""


def facts_of(stand: Stand, part: Stream, interval_s: float) -> PointFacts:
    """Facts of the rows of ``part``, taken every ``interval_s`` [s]."""

    def column(role: Role) -> FloatArray | None:
        name = stand.roles.get(role)
        if name is None or name not in part.channels:
            return None
        return np.ascontiguousarray(part.column(name))  # columns lie apart in memory: read them once

    lines = {}
    for role in WITH_LINES:
        values = column(role)
        line = None if values is None else strongest_line(values, 1.0 / interval_s)
        if line is not None:
            lines[role] = line
    winding, thrust = column(Role.WINDING_TEMP), column(Role.THRUST)
    drift = math.nan if winding is None else trend(part.time_s, winding) * float(part.time_s[-1] - part.time_s[0])
    pieces = [] if thrust is None else [x for p in np.array_split(thrust, _PIECES) if (x := _mean(p)) is not None]
    return PointFacts(
        lines=lines,
        covariance_w=_covariance(column(Role.DC_VOLTAGE), column(Role.DC_CURRENT)),
        winding_drift_k=drift,
        scatter_k={c: scatter(part.column(c)) for c in temperatures_of(stand, part.channels)},
        thrust_noise_n=math.nan if thrust is None else scatter(thrust),
        thrust_spread_n=float(np.std(pieces)) if pieces else math.nan,
    )


def temperatures_of(stand: Stand, channels: tuple[str, ...]) -> list[str]:
    """Measured temperatures among the channels of a stream, in their order."""
    known = (stand.channels.get(name) for name in channels)
    return [c.name for c in known if c is not None and c.quantity is Quantity.TEMPERATURE and c.derived is None]


def scatter(values: FloatArray) -> float:
    """Standard deviation of single readings without their movement, in the unit of ``values`` (n,).

    ``median |y_(k+1) - y_k| / (0.6745 sqrt 2)``: exact for independent normal readings, whose differences have sqrt 2
    of their deviation and half of them within 0.6745 of it (derived). NaN below 50 differences.
    """
    steps = np.abs(np.diff(values))
    if np.isnan(steps).any():
        steps = steps[~np.isnan(steps)]
    return float(np.median(steps)) / (0.6744897501960817 * math.sqrt(2.0)) if steps.size >= 50 else math.nan


def trend(time_s: FloatArray, values: FloatArray) -> float:
    """Slope of the straight line through good samples (n,), in the unit of ``values`` per second: least squares,
    ``sum (t - mean t) y / sum (t - mean t)²``; NaN of fewer than three."""
    good = ~np.isnan(values)
    if np.count_nonzero(good) < 3:
        return float("nan")
    t = time_s[good] - time_s[good].mean()
    square = float(np.sum(t**2))
    return float(np.sum(t * values[good]) / square) if square > 0.0 else float("nan")


def _mean(values: FloatArray) -> float | None:
    return float(np.nanmean(values)) if np.any(~np.isnan(values)) else None


def _covariance(u: FloatArray | None, i: FloatArray | None) -> float:
    if u is None or i is None:
        return math.nan
    good = ~(np.isnan(u) | np.isnan(i))
    if np.count_nonzero(good) < 100:
        return math.nan
    u, i = u[good] - u[good].mean(), i[good] - i[good].mean()
    along = np.arange(u.size) - 0.5 * (u.size - 1)
    square = np.sum(along**2)
    u, i = u - along * (np.sum(along * u) / square), i - along * (np.sum(along * i) / square)
    return float(np.mean(u * i))
