"""What may be wrong with a static thrust run: a zero that moved, air that comes back, up that is not down.

Corrections for interference are made only when asked for, each with its name, factor and source; none by default.

Source: common practice (no single source); t and F distributions as in the NIST/SEMATECH e-Handbook.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import coverage_factor, propagate, type_a
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

LEAST_FALL = 0.01
"""A fall of thrust smaller than this share is not called recirculation, however certain (rule of this project)."""


# ------------------------------------------------------------------------------------------------------ zero
@dataclass(frozen=True, slots=True, eq=False)
class ZeroLine:
    """A zero that moves evenly between two readings at rest, ``before`` at ``start_s`` and ``after`` at ``stop_s``."""

    before: Estimate
    after: Estimate
    start_s: float
    stop_s: float

    @property
    def drift(self) -> Estimate:
        """After less before, in the unit of the reading."""
        return propagate(lambda a, b: b - a, [self.before, self.after], names=["zero before", "zero after"],
                         unit=self.before.unit)  # fmt: skip

    @property
    def has_moved(self) -> bool:
        """True where the drift is outside its 95 % interval about zero."""
        return abs(self.drift.value) > coverage_factor(max(self.drift.dof, 1.0)) * self.drift.u

    def at(self, time_s: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Zero and its standard uncertainty at times [s]; NaN outside the two readings: nothing is extrapolated.

        ``z(t) = (1 - s) z_1 + s z_2``, ``u² = ((1 - s) u_1)² + (s u_2)²``, ``s = (t - t_1)/(t_2 - t_1)`` (1).
        """
        s = (np.asarray(time_s, dtype=np.float64) - self.start_s) / (self.stop_s - self.start_s)
        s = np.where((s >= 0.0) & (s <= 1.0), s, np.nan)
        zero = (1.0 - s) * self.before.value + s * self.after.value
        return np.asarray(zero), np.asarray(np.hypot((1.0 - s) * self.before.u, s * self.after.u))


def corrected_for_zero(reading: Estimate, time_s: float, line: ZeroLine) -> Estimate:
    """A reading less the zero at its time [s], in the unit of the reading; the budget says what the zero adds.

    >>> from benchkit.model.results import Estimate
    >>> line = ZeroLine(Estimate(1.0, 0.1, "N"), Estimate(3.0, 0.1, "N"), 0.0, 100.0)
    >>> found = corrected_for_zero(Estimate(50.0, 0.2, "N"), 50.0, line)
    >>> found.value, round(found.u, 4)
    (48.0, 0.2121)
    """
    zero, u = line.at(time_s)
    inputs = [reading, Estimate(float(zero), float(u), reading.unit)]
    return propagate(lambda y, z: y - z, inputs, names=["reading", "zero"], unit=reading.unit)


# ------------------------------------------------------------------------------------------------ corrections
@dataclass(frozen=True, slots=True)
class Correction:
    """A factor on a result that somebody asked for, such as blockage by the stand behind the propeller."""

    name: str
    factor: Estimate
    source: str


def corrected(value: Estimate, corrections: Sequence[Correction]) -> Estimate:
    """The value times every factor [1], each a line of the budget; without corrections the value itself.

    Raises:
        UsageError: a correction without name or source, or a factor that is not positive.
    """
    for correction in corrections:
        if not correction.name.strip() or not correction.source.strip() or not correction.factor.value > 0.0:
            raise UsageError(
                "a correction needs a name, a source and a positive factor",
                got=f"{correction.name!r}, {correction.source!r}, {correction.factor.value:g}",
                remedy="Say where the factor comes from, or leave the correction out.",
            )
    if not corrections:
        return value
    names = ["before correction", *(f"correction {c.name}" for c in corrections)]
    return propagate(lambda *x: math.prod(x), [value, *(c.factor for c in corrections)], names=names, unit=value.unit)


# ---------------------------------------------------------------------------------------------- recirculation
@dataclass(frozen=True, slots=True)
class Recirculation:
    """Thrust over n² in the last part of a hold against the first: ``change`` is relative (1), negative: it fell."""

    change: Estimate
    falls: bool


def recirculation(
    time_s: npt.ArrayLike, thrust_n: npt.ArrayLike, speed_rpm: npt.ArrayLike, part: float = 0.2
) -> Recirculation:
    """Does thrust fall while the speed is held? The jet that comes back through the disc takes it away.

    ``change = mean(T/n²) of the last part / mean of the first part - 1`` (2). Within a part a straight drift is
    signal, not scatter: the type A uncertainty is that of the readings about it, their memory counted. It falls
    where the upper end of the 95 % interval is below zero and the fall is 1 % or more.

    Args:
        time_s: stream time [s] from the moment the speed was reached, shape (n,).
        thrust_n: [N], shape (n,); NaN rows are left out.
        speed_rpm: [rpm], shape (n,).
        part: share of the hold that is averaged at either end.

    Raises:
        UsageError: fewer than ten rows at either end.
    """
    t, thrust, n = (np.asarray(x, dtype=np.float64) for x in (time_s, thrust_n, speed_rpm))
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(n > 0.0, thrust / n**2, np.nan)
    good = np.isfinite(k)
    t, k = t[good], k[good]
    span = float(t[-1] - t[0]) if t.size else 0.0
    first, last = k[t <= t[0] + part * span] if t.size else k, k[t >= t[-1] - part * span] if t.size else k
    if min(first.size, last.size) < 10:
        raise UsageError("too few rows to see thrust fall", got=f"{first.size} and {last.size}", expected="10 or more")
    ends = [_mean_of_a_drift(x) for x in (first, last)]
    change = propagate(lambda a, b: b / a - 1.0, ends, names=["first part", "last part"])
    upper = change.value + coverage_factor(max(change.dof, 1.0)) * change.u
    return Recirculation(change, upper < 0.0 and change.value <= -LEAST_FALL)


def _mean_of_a_drift(values: FloatArray) -> Estimate:
    along = np.arange(values.size) - 0.5 * (values.size - 1)
    about = values - values.mean() - along * (np.sum(along * values) / np.sum(along**2))
    _, u, dof = type_a(about)
    return Estimate(float(values.mean()), u, "N/rpm²", dof)


# ------------------------------------------------------------------------------------------------- hysteresis
@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Down less up at the speeds they share: weighted mean difference, chi² test that all differences are zero."""

    speeds_rpm: tuple[float, ...]
    differences: tuple[Estimate, ...]
    mean: Estimate
    p: float
    is_significant: bool


def hysteresis(
    up_rpm: Sequence[float],
    up: Sequence[Estimate],
    down_rpm: Sequence[float],
    down: Sequence[Estimate],
    alpha: float = 0.05,
) -> Hysteresis | None:
    """Is the way down another than the way up? For coefficients, which hardly change with speed; None where the two
    ways share no speed.

    The way down is read at the speeds of the way up, straight between its points, nowhere beyond them.
    ``chi² = sum (d_i/u(d_i))²`` (3) over the differences. The uncertainties are those that differ from point to
    point (scatter): a calibration error is the same both ways.

    Args:
        up_rpm, up: speeds [rpm] and coefficients on the way up.
        down_rpm, down: the same on the way down.
        alpha: probability of a false alarm.
    """
    from scipy.special import chdtrc

    pairs = [(n, e, found) for n, e in zip(up_rpm, up, strict=True) if (found := between(down_rpm, down, n))]
    if not pairs:
        return None
    differences = tuple(Estimate(d.value - e.value, math.hypot(d.u, e.u), e.unit) for _, e, d in pairs)
    weights = np.array([1.0 / d.u**2 for d in differences])
    values = np.array([d.value for d in differences])
    mean = Estimate(float(np.sum(weights * values) / weights.sum()), float(weights.sum() ** -0.5), up[0].unit)
    p = float(chdtrc(len(differences), float(np.sum(weights * values**2))))
    return Hysteresis(tuple(n for n, _, _ in pairs), differences, mean, p, p < alpha)


def between(speeds_rpm: Sequence[float], values: Sequence[Estimate], speed_rpm: float) -> Estimate | None:
    """Value at a speed [rpm], straight between the two points next to it; None beyond the first and the last."""
    order = np.argsort(speeds_rpm)
    n = np.asarray(speeds_rpm, dtype=np.float64)[order]
    if n.size == 0 or not n[0] <= speed_rpm <= n[-1]:
        return None
    j = min(max(int(np.searchsorted(n, speed_rpm, side="right")), 1), n.size - 1)
    a, b = values[int(order[j - 1])], values[int(order[j])]
    s = (speed_rpm - n[j - 1]) / (n[j] - n[j - 1]) if n[j] > n[j - 1] else 0.0
    return Estimate(float((1.0 - s) * a.value + s * b.value), math.hypot((1.0 - s) * a.u, s * b.u), a.unit)
