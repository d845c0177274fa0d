"""Tests of means with exact small-sample intervals, equivalence, power, and what to do about many tests at once.

All of them are for normal errors. Nothing here knows what a run is.

Source: t tests, analysis of variance and power of the t test, textbook statistics; B. L. Welch, Biometrika 34 (1947) 28
for unequal variances (from memory); others beside their functions. Checked in tests/published.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

ALPHA = 0.05
POWER = 0.8
"""Power at which "the smallest difference that could have been shown" is stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class MeanDifference:
    """A difference of means with its standard uncertainty and Student's t; ``low``, ``high`` bound the 95 % interval.

    ``p_value`` is two-sided. In the unit of the values.
    """

    difference: float
    u: float
    dof: float
    t: float
    p_value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests: ``p_low`` against "at or below the lower margin", ``p_high`` "at or above the upper".

    ``p_value`` is the larger one: below α the difference lies between the margins.
    """

    p_low: float
    p_high: float

    @property
    def p_value(self) -> float:
        """Larger of the two [1]."""
        return max(self.p_low, self.p_high)


@dataclass(frozen=True, slots=True)
class Anova:
    """One-way analysis of variance: mean squares, degrees of freedom, F and its p-value."""

    between: float
    within: float
    dof_between: int
    dof_within: int
    f: float
    p_value: float

    @property
    def residual_sd(self) -> float:
        """Standard deviation within groups, in the unit of the values: ``sqrt(within)``."""
        return math.sqrt(self.within)


# ------------------------------------------------------------------------------------------------------- t
def p_two_sided(t: npt.ArrayLike, dof: npt.ArrayLike) -> FloatArray:
    """Two-sided p-value [1] of Student's t [1] with ``dof`` degrees of freedom (may be infinite); broadcasts.

    ``P(|T| > |t|)``; NaN without degrees of freedom.
    """
    from scipy.special import ndtr, stdtr

    value, nu = np.broadcast_arrays(np.asarray(t, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    size = -np.abs(value)
    with np.errstate(invalid="ignore"):
        tail = np.where(np.isinf(nu), ndtr(size), stdtr(np.where(np.isinf(nu), 1.0, nu), size))
    return np.asarray(np.where(nu > 0.0, 2.0 * tail, np.nan))


def p_above(t: npt.ArrayLike, dof: npt.ArrayLike) -> FloatArray:
    """One-sided p-value [1] ``P(T > t)`` of Student's t [1]; broadcasts; NaN without degrees of freedom."""
    from scipy.special import ndtr, stdtr

    value, nu = np.broadcast_arrays(np.asarray(t, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    tail = np.where(np.isinf(nu), ndtr(-value), stdtr(np.where(np.isinf(nu), 1.0, nu), -value))
    return np.asarray(np.where(nu > 0.0, tail, np.nan))


def t_quantile(probability: float, dof: npt.ArrayLike) -> FloatArray:
    """Quantile [1] of Student's t at a probability [1]; NaN without degrees of freedom.

    >>> round(float(t_quantile(0.975, 9)), 4)
    2.2622
    """
    from scipy.special import ndtri, stdtrit

    nu = np.asarray(dof, dtype=np.float64)
    finite = np.where(np.isfinite(nu) & (nu > 0.0), nu, 1.0)
    return np.asarray(
        np.where(nu > 0.0, np.where(np.isinf(nu), ndtri(probability), stdtrit(finite, probability)), np.nan)
    )


def of_t(difference: float, u: float, dof: float) -> MeanDifference:
    """Test and 95 % interval of a difference whose standard uncertainty has ``dof`` degrees of freedom.

    ``d ± t(0.975, dof) u``; ``u`` and the interval in the unit of the difference, t and p-value [1].
    """
    t = difference / u if u > 0.0 else math.nan
    half = float(t_quantile(1.0 - ALPHA / 2.0, dof)) * u
    return MeanDifference(difference, u, dof, t, float(p_two_sided(t, dof)), difference - half, difference + half)


def paired(a: npt.ArrayLike, b: npt.ArrayLike) -> MeanDifference:
    """Mean of b - a over pairs, with n - 1 degrees of freedom, in the unit of the values.

    Args:
        a, b: values of each pair, shape (n,), n of 2 or more; a pair with a NaN is left out.

    Raises:
        UsageError: shapes differ, or fewer than two whole pairs.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise UsageError(
            "pairs need two rows of the same length", got=f"{x.shape} and {y.shape}", expected="(n,), (n,)"
        )
    d = (y - x)[np.isfinite(y - x)]
    if d.size < 2:
        raise UsageError("a paired test needs two pairs or more", got=d.size, remedy="Measure again.")
    return of_t(float(d.mean()), float(d.std(ddof=1)) / math.sqrt(d.size), d.size - 1.0)


def two_samples(a: npt.ArrayLike, b: npt.ArrayLike, *, equal_variance: bool = False) -> MeanDifference:
    """Mean of b less mean of a, of independent samples (Welch; Student with a pooled variance if ``equal_variance``).

    ``a`` (n,), ``b`` (m,) and the result are in one unit; NaN in them is left out.

    Raises:
        UsageError: fewer than two values on a side.
    """
    x, y = (v[np.isfinite(v)] for v in (np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)))
    if min(x.size, y.size) < 2:
        raise UsageError("two values or more on either side", got=f"{x.size} and {y.size}", remedy="Measure again.")
    va, vb = float(x.var(ddof=1)) / x.size, float(y.var(ddof=1)) / y.size
    if equal_variance:
        dof = x.size + y.size - 2.0
        pooled = ((x.size - 1) * float(x.var(ddof=1)) + (y.size - 1) * float(y.var(ddof=1))) / dof
        return of_t(float(y.mean() - x.mean()), math.sqrt(pooled * (1.0 / x.size + 1.0 / y.size)), dof)
    total = va + vb
    dof = total**2 / (va**2 / (x.size - 1) + vb**2 / (y.size - 1)) if total > 0.0 else math.nan
    return of_t(float(y.mean() - x.mean()), math.sqrt(total), dof)


def equivalence(
    difference: float, u: float, dof: float, margin: float, margin_high: float | None = None
) -> Equivalence:
    """Two one-sided tests of a difference against ``-margin … margin`` (or ``margin … margin_high``).

    Margins and u are in the unit of the difference; p-values [1], NaN where u is not above zero.

    Source: D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657, doi 10.1007/BF01068419.

    Raises:
        UsageError: margins in the wrong order, or a margin that is not positive.
    """
    low, high = (-margin, margin) if margin_high is None else (margin, margin_high)
    if not low < high:
        raise UsageError(
            "the margin of equivalence is above zero", got=margin, remedy="State what would still be equal."
        )
    if not u > 0.0:
        return Equivalence(math.nan, math.nan)
    return Equivalence(float(p_above((difference - low) / u, dof)), float(p_above((high - difference) / u, dof)))


def one_way(values: npt.ArrayLike, groups: npt.ArrayLike) -> Anova:
    """One-way analysis of variance, two-pass about the grand mean so that leading digits do not cancel.

    Args:
        values: shape (n,), in any unit; mean squares are in its square.
        groups: label of each value, shape (n,).

    Raises:
        UsageError: one group, or no group with more than one value.
    """
    from scipy.special import fdtrc

    y = np.asarray(values, dtype=np.float64)
    y = y - y[0]  # exact where all values are alike in their leading digits
    y = y - y.mean()
    _, index = np.unique(np.asarray(groups), return_inverse=True)
    count = np.bincount(index)
    k, n = count.size, y.size
    if k < 2 or n <= k:
        raise UsageError("an analysis of variance needs groups that repeat", got=f"{k} groups, {n} values")
    means = np.bincount(index, y) / count
    rest = y - means[index]
    means = means + np.bincount(index, rest) / count  # what rounding left
    rest = y - means[index]
    between = float(np.sum(count * (means - y.mean()) ** 2)) / (k - 1)
    within = float(rest @ rest) / (n - k)
    f = between / within if within > 0.0 else math.inf
    return Anova(between, within, k - 1, n - k, f, float(fdtrc(k - 1, n - k, f)) if within > 0.0 else 0.0)


# ------------------------------------------------------------------------------------------- many tests at once
def holm(p_values: npt.ArrayLike) -> FloatArray:
    """p-values [1] adjusted so that any false claim among all has probability α at most (Holm).

    ``p~_(i) = max_{j<=i} min(1, (m - j + 1) p_(j))`` (1). Valid whatever the dependence of the tests.
    Along the last axis; NaN stays NaN and is not counted.

    Source: S. Holm, Scand. J. Statist. 6 (1979) 65.

    >>> holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p, order, ordered, place, count = _in_order(p_values)
    scaled = np.maximum.accumulate(np.maximum(count - place, 1) * ordered, axis=-1)
    return _put_back(p, order, scaled)


def benjamini_hochberg(p_values: npt.ArrayLike) -> FloatArray:
    """p-values [1] adjusted so that of all claims a share α at most is false on average.

    ``p~_(i) = min_{j>=i} min(1, m/j p_(j))`` (2). For independent or positively dependent tests.
    Along the last axis; NaN stays NaN and is not counted.

    Source: Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289, doi 10.1111/j.2517-6161.1995.tb02031.x.

    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    p, order, ordered, place, count = _in_order(p_values)
    scaled = ordered * count / (place + 1)
    return _put_back(p, order, np.minimum.accumulate(scaled[..., ::-1], axis=-1)[..., ::-1])


def _in_order(
    p_values: npt.ArrayLike,
) -> tuple[FloatArray, npt.NDArray[np.intp], FloatArray, npt.NDArray[np.intp], FloatArray]:
    """p-values, their order along the last axis, sorted (NaN as infinite), places, and how many are known."""
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, axis=-1, kind="stable")  # NaN last
    ordered = np.take_along_axis(p, order, axis=-1)
    count = np.sum(np.isfinite(p), axis=-1, keepdims=True).astype(np.float64)
    return p, order, np.where(np.isnan(ordered), np.inf, ordered), np.arange(p.shape[-1]), count


def _put_back(p: FloatArray, order: npt.NDArray[np.intp], adjusted: FloatArray) -> FloatArray:
    found = np.empty(p.shape)
    np.put_along_axis(found, order, np.minimum(adjusted, 1.0), axis=-1)
    return np.asarray(np.where(np.isnan(p), np.nan, found))


# ----------------------------------------------------------------------------------------------------- power
@lru_cache(maxsize=1)
def _legendre() -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(160)


def power_of(difference: float, u: float, dof: float, alpha: float = ALPHA) -> float:
    """Probability [1] that a true ``difference`` is shown by a two-sided t test at level ``alpha``.

    ``P(|T| > t) = E[Phi(d/u - t s) + Phi(-d/u - t s)]`` (3), s² a chi² over its ``dof`` degrees of freedom: the
    noncentral t distribution, integrated over s (Gauss-Legendre in the probability of s).

    >>> round(power_of(3.0, 1.0, 10.0), 2)
    0.77
    """
    from scipy.special import ndtr

    if not (u > 0.0 and dof > 0.0):
        return math.nan
    critical, shift = float(t_quantile(1.0 - alpha / 2.0, dof)), abs(difference) / u
    s, weight = _spread_nodes(dof)
    return float(weight @ (ndtr(shift - critical * s) + ndtr(-shift - critical * s)))


@lru_cache(maxsize=512)
def _spread_nodes(dof: float) -> tuple[FloatArray, FloatArray]:
    """Values of s with their probabilities."""
    from scipy.special import gammaincinv

    if math.isinf(dof) or dof > 1e6:
        return np.ones(1), np.ones(1)
    x, w = _legendre()
    return np.sqrt(gammaincinv(0.5 * dof, 0.5 * (x + 1.0)) * 2.0 / dof), 0.5 * w


def smallest_shown(u: float, dof: float, alpha: float = ALPHA, power: float = POWER) -> float:
    """Smallest true difference that a two-sided t test at ``alpha`` shows with probability ``power``; same unit as u.

    NaN where there are no degrees of freedom.
    """
    return u * _smallest_shift(dof, alpha, power) if u > 0.0 and dof > 0.0 else math.nan


@lru_cache(maxsize=1024)
def _smallest_shift(dof: float, alpha: float, power: float) -> float:
    """In standard uncertainties."""
    from scipy.optimize import brentq

    top = float(t_quantile(1.0 - alpha / 2.0, dof)) + 2.0
    while power_of(top, 1.0, dof, alpha) < power:
        top *= 2.0
    return float(brentq(lambda shift: power_of(shift, 1.0, dof, alpha) - power, 0.0, top, xtol=1e-6))
