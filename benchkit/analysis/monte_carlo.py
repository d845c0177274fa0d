"""Propagation of distributions by the Monte Carlo method, and what it says about the linear (GUM) result.

Source: JCGM 101:2008, *Supplement 1 to the GUM: Propagation of distributions using a Monte Carlo method*. Numbers of
clauses in the docstrings are those of that document.

The linear form of :mod:`benchkit.analysis.uncertainty` is quick and gives a budget; it is wrong where a result bends
within the uncertainty of its inputs: a quotient of two powers near zero, a coefficient of a tiny thrust. Here the
inputs are drawn from their distributions and sent through the same formula, and the linear interval is held against
what comes out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import checked_correlation, interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]
VectorFunction = Callable[..., Sequence[npt.ArrayLike]]
"""Takes one array (n,) per input, returns one array (n,) per result."""

MOST_TRIALS = 1_000_000
"""Where the adaptive procedure stops even if the tolerance is not met; ``has_settled`` then says so."""
LEAST_BLOCK = 10_000
"""Trials of one block, 7.9.4 b."""
MOST_UNDEFINED = 0.1
"""Share of the tail probability (1 - p) in which a formula may have no value: beyond it no interval is stated."""


class Shape(StrEnum):
    """Distributions of JCGM 101, table 1, that a calibration or a reading calls for."""

    NORMAL = "normal"
    STUDENT = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"
    CURVILINEAR = "curvilinear trapezoid"


@dataclass(frozen=True, slots=True)
class Distribution:
    """What is known about an input. ``scale`` is u for normal, the scale of t, else the half-width of the limits.

    ``inexact`` is how far either limit of a curvilinear trapezoid may be from where it is said to be.
    """

    shape: Shape
    centre: float
    scale: float
    dof: float = math.inf
    inexact: float = 0.0

    @property
    def u(self) -> float:
        """Standard deviation in the unit of the input, by shape.

        Normal ``s``, t ``s sqrt(nu/(nu-2))`` (infinite for nu <= 2), rectangle ``a/√3``, triangle ``a/√6``, arcsine
        ``a/√2``, curvilinear trapezoid ``sqrt(a²/3 + d²/9)``.
        """
        if self.shape is Shape.STUDENT:
            return self.scale * math.sqrt(self.dof / (self.dof - 2.0)) if self.dof > 2.0 else math.inf
        if self.shape is Shape.CURVILINEAR:
            return math.sqrt(self.scale**2 / 3.0 + self.inexact**2 / 9.0)
        divisor = {Shape.RECTANGULAR: 3.0, Shape.TRIANGULAR: 6.0, Shape.ARCSINE: 2.0}.get(self.shape, 1.0)
        return self.scale / math.sqrt(divisor)

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """``count`` draws (count,) in the unit of the input, by the recipes of 6.4."""
        if self.shape is Shape.NORMAL:
            unit = rng.standard_normal(count)
        elif self.shape is Shape.STUDENT:
            unit = rng.standard_t(self.dof, count)
        elif self.shape is Shape.RECTANGULAR:
            unit = rng.uniform(-1.0, 1.0, count)
        elif self.shape is Shape.TRIANGULAR:
            unit = rng.random(count) + rng.random(count) - 1.0
        elif self.shape is Shape.CURVILINEAR:  # both limits move by the same amount, outwards or inwards
            half = self.scale + self.inexact * rng.uniform(-1.0, 1.0, count)
            return np.asarray(self.centre + half * rng.uniform(-1.0, 1.0, count), dtype=np.float64)
        else:
            unit = np.sin(2.0 * math.pi * rng.random(count))
        return np.asarray(self.centre + self.scale * unit, dtype=np.float64)


def normal(mean: float, u: float) -> Distribution:
    """Normal distribution with standard deviation ``u`` in the unit of ``mean`` (6.4.7)."""
    return _checked(Distribution(Shape.NORMAL, mean, u))


def student(centre: float, scale: float, dof: float) -> Distribution:
    """Scaled and shifted t (6.4.9): a mean of ``dof + 1`` readings, ``scale = s/sqrt(n)`` in their unit."""
    if not dof > 0.0:
        raise UsageError("degrees of freedom are positive", got=dof, expected="such as 9 for ten readings")
    return _checked(Distribution(Shape.NORMAL if math.isinf(dof) else Shape.STUDENT, centre, scale, dof))


def rectangular(low: float, high: float) -> Distribution:
    """Equally likely between two limits in the unit of the input (6.4.2)."""
    return _between(Shape.RECTANGULAR, low, high)


def triangular(low: float, high: float) -> Distribution:
    """Symmetric triangle between two limits in the unit of the input (6.4.5): the sum of two equal rectangles."""
    return _between(Shape.TRIANGULAR, low, high)


def arcsine(low: float, high: float) -> Distribution:
    """U-shaped between two limits in the unit of the input (6.4.6): a sinusoid, such as of a cycling cooler."""
    return _between(Shape.ARCSINE, low, high)


def curvilinear_trapezoid(low: float, high: float, inexact: float) -> Distribution:
    """Between two limits, known to ± ``inexact`` only, all in the unit of the input (6.4.3): "about ±0.05 K"."""
    found = _between(Shape.CURVILINEAR, low, high)
    if not 0.0 <= inexact <= found.scale:
        raise UsageError(
            "limits cannot be less exact than they are apart", got=inexact, expected=f"0 … {found.scale:g}"
        )
    return replace(found, inexact=inexact)


def of_estimate(estimate: Estimate) -> Distribution:
    """Normal where the degrees of freedom are infinite, else t scaled by u, in the unit of the estimate (6.4.9.7)."""
    return student(estimate.value, estimate.u, estimate.dof)


def _between(shape: Shape, low: float, high: float) -> Distribution:
    if not low <= high:
        raise UsageError("limits of a distribution in the wrong order", got=f"{low:g} … {high:g}")
    return _checked(Distribution(shape, 0.5 * (low + high), 0.5 * (high - low)))


def _checked(found: Distribution) -> Distribution:
    if not (math.isfinite(found.centre) and math.isfinite(found.scale) and found.scale >= 0.0):
        raise UsageError(
            "a distribution needs a finite centre and width",
            got=f"{found.centre:g}, {found.scale:g}",
            remedy="Leave out results of inputs that were not measured.",
        )
    return found


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """One result of :func:`propagate_distributions`.

    ``value`` and ``u`` are mean and standard deviation of the trials; ``symmetric`` leaves (1-p)/2 on either side,
    ``shortest`` is the narrowest interval with probability p. ``tolerance`` is delta of 7.9.2; ``noise`` twice the
    largest standard deviation of the four averages, what is left of chance in the numbers.
    """

    value: float
    u: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    probability: float
    trials: int
    tolerance: float
    noise: float
    undefined: float
    """Share of the trials for which the formula has no value."""

    @property
    def has_settled(self) -> bool:
        """True where the numerical tolerance was met."""
        return self.noise < self.tolerance


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Half a unit of the last of ``digits`` significant digits of ``u``: ``u = c 10^l``, ``delta = 10^l / 2`` (7.9.2).

    >>> numerical_tolerance(0.0754), numerical_tolerance(0.0754, 1), numerical_tolerance(32.0)
    (0.0005, 0.005, 0.5)
    """
    if not (math.isfinite(u) and u > 0.0):
        return math.nan
    exponent = int(f"{u:.{digits - 1}e}".partition("e")[2]) - (digits - 1)
    return float(0.5 * 10.0**exponent)


def symmetric_interval(ordered: npt.ArrayLike, probability: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval of ordered trials (n,), in the unit of the trials (7.7.2).

    With M trials, ``q = pM`` and ``r = (M - q)/2``, both rounded: from trial r to trial r + q, counted from 1.
    """
    y = np.asarray(ordered, dtype=np.float64)
    q = int(probability * y.size + 0.5)
    r = max(int(0.5 * (y.size - q) + 0.5), 1)
    return float(y[r - 1]), float(y[min(r + q, y.size) - 1])


def shortest_interval(ordered: npt.ArrayLike, probability: float = 0.95) -> tuple[float, float]:
    """Shortest coverage interval of ordered trials (n,), in the unit of the trials (7.7.4).

    The least ``y_(r+q) - y_(r)`` over all r.

    >>> shortest_interval([0.0, 1.0, 1.1, 1.2, 1.3, 9.0], 0.5)
    (1.0, 1.3)
    """
    y = np.asarray(ordered, dtype=np.float64)
    q = min(int(probability * y.size + 0.5), y.size - 1)
    first = int(np.argmin(y[q:] - y[: y.size - q]))
    return float(y[first]), float(y[first + q])


def propagate_distributions(
    function: VectorFunction,
    inputs: Sequence[Distribution | Estimate],
    correlation: npt.ArrayLike | None = None,
    *,
    seed: int,
    digits: int = 2,
    fraction: float = 1.0,
    probability: float = 0.95,
    most_trials: int = MOST_TRIALS,
) -> tuple[MonteCarlo, ...]:
    """Results of ``function`` over the distributions of its inputs, with as many trials as the tolerance takes.

    Adaptive procedure of 7.9.4: blocks of max(100/(1-p), 10 000) trials; after each, mean, standard deviation and the
    ends of the intervals of all blocks are averaged; done when twice the standard deviation of every average is below
    ``fraction`` times the numerical tolerance of its result. The final numbers are those of all trials together.

    Args:
        function: the formula as for ``propagate_many``, but on arrays: k arrays (n,) in, m arrays (n,) out.
        inputs: k distributions; an estimate stands for :func:`of_estimate`.
        correlation: (k, k) correlation coefficients; correlated inputs must be normal (6.4.8).
        seed: the same seed gives the same numbers, bit for bit.
        digits: significant digits of u that are to be right (1 or 2), for the tolerance.
        fraction: 0.2 where the result is to judge the linear one (8.2).
        probability: of the intervals.
        most_trials: an end all the same.

    Returns:
        m results, each in the unit of its formula. Where a formula has no value (NaN) in more than a tenth of 1 - p of
        the trials, the intervals are NaN: what happens in the tail is then not known.

    Raises:
        UsageError: an input that is not measured, correlation that is none or of an input that is not normal.

    >>> four, = propagate_distributions(lambda a, b, c, d: (a + b + c + d,), [normal(0.0, 1.0)] * 4, seed=1)
    >>> round(four.u, 1), four.has_settled
    (2.0, True)
    """
    if not 0.0 < probability < 1.0:
        raise UsageError("a coverage probability lies between 0 and 1", got=probability, expected="such as 0.95")
    known = [of_estimate(x) if isinstance(x, Estimate) else x for x in inputs]
    root = _root(checked_correlation(correlation, len(known)), known)
    rng = np.random.default_rng(seed)
    block = max(math.ceil(100.0 / (1.0 - probability)), LEAST_BLOCK)
    trials: list[FloatArray] = []
    figures: list[FloatArray] = []  # per block (m, 6)
    while True:
        results = function(*_draw(known, root, rng, block))
        drawn = np.stack([np.broadcast_to(np.asarray(y, dtype=np.float64), block) for y in results])
        drawn.sort(axis=1)  # NaN last
        trials.append(drawn)
        figures.append(np.stack([_figures(row, probability) for row in drawn]))
        if len(figures) < 2:
            continue
        table = np.stack(figures)
        noise = 2.0 * np.max(table.std(axis=0, ddof=1), axis=1) / math.sqrt(len(figures))
        u = np.sqrt(np.mean(table[:, :, 1] ** 2, axis=0))
        tolerance = np.array([fraction * numerical_tolerance(float(x), digits) for x in u])
        if not np.any(noise >= tolerance) or (len(figures) + 1) * block > most_trials:
            break
    together = np.sort(np.concatenate(trials, axis=1), axis=1)
    return tuple(
        _result(row, probability, float(d), float(s)) for row, d, s in zip(together, tolerance, noise, strict=True)
    )


def _root(r: FloatArray | None, known: Sequence[Distribution]) -> FloatArray | None:
    """A with ``A Aᵀ = r``, by eigenvalues: full correlation (±1) has no Cholesky factor."""
    if r is None:
        return None
    tied = np.any((r != 0.0) & ~np.eye(len(known), dtype=bool), axis=1)
    for i, (is_tied, x) in enumerate(zip(tied, known, strict=True)):
        if is_tied and x.shape is not Shape.NORMAL:
            raise UsageError(
                f"input {i + 1} is correlated and not normal",
                got=x.shape.value,
                expected="normal (JCGM 101, 6.4.8)",
                remedy="Model what the inputs share as an input of its own.",
            )
    values, vectors = np.linalg.eigh(r)
    if values.min() < -1e-9:
        raise UsageError(
            "correlation is no correlation matrix", got=f"eigenvalue {values.min():.3g}", expected="none below 0"
        )
    scaled: FloatArray = vectors * np.sqrt(np.maximum(values, 0.0))
    return scaled


def _draw(known: Sequence[Distribution], root: FloatArray | None, rng: np.random.Generator, n: int) -> list[FloatArray]:
    if root is None:
        return [x.draw(rng, n) for x in known]
    joint = root @ rng.standard_normal((len(known), n))
    return [
        x.centre + x.scale * row if x.shape is Shape.NORMAL else x.draw(rng, n)
        for x, row in zip(known, joint, strict=True)
    ]


def _defined(ordered: FloatArray, probability: float) -> FloatArray | None:
    """The trials that have a value, NaN being last; None where too many have none."""
    count = ordered.size - int(np.count_nonzero(np.isnan(ordered)))
    if count < 2 or 1.0 - count / ordered.size > MOST_UNDEFINED * (1.0 - probability):
        return None
    return ordered[:count]


def _figures(ordered: FloatArray, probability: float) -> FloatArray:
    y = _defined(ordered, probability)
    if y is None:
        return np.full(6, np.nan)
    ends = (*symmetric_interval(y, probability), *shortest_interval(y, probability))
    return np.array([y.mean(), y.std(ddof=1), *ends])


def _result(ordered: FloatArray, probability: float, tolerance: float, noise: float) -> MonteCarlo:
    undefined = float(np.count_nonzero(np.isnan(ordered))) / ordered.size
    mean, u, *ends = _figures(ordered, probability).tolist()
    return MonteCarlo(
        value=mean,
        u=u,
        symmetric=(ends[0], ends[1]),
        shortest=(ends[2], ends[3]),
        probability=probability,
        trials=ordered.size,
        tolerance=tolerance,
        noise=noise,
        undefined=undefined,
    )


# ------------------------------------------------------------------------------- judging the linear result
@dataclass(frozen=True, slots=True)
class LinearCheck:
    """The linear interval held against the Monte Carlo one, clause 8; all in the unit of the result."""

    linear: Estimate
    found: MonteCarlo
    bounds: tuple[float, float]
    """The Monte Carlo interval that was compared with."""
    distance_low: float
    distance_high: float
    tolerance: float
    """delta of 8.1."""
    is_valid: bool

    @property
    def largest_share(self) -> float:
        """The larger distance over the half-width of the Monte Carlo interval [1]."""
        half = 0.5 * (self.bounds[1] - self.bounds[0])
        return max(self.distance_low, self.distance_high) / half if half > 0.0 else math.nan

    def replaced(self) -> Estimate:
        """The estimate to be shown: the linear one; if it failed, with the Monte Carlo interval instead of its own.

        Value and interval are in the unit of the linear result. Where there is no such interval u is NaN: not known.
        """
        if self.is_valid:
            return self.linear
        if math.isnan(self.bounds[0]):
            return replace(self.linear, u=math.nan)
        return replace(self.linear, interval95=self.bounds)


def validate_linear(linear: Estimate, found: MonteCarlo, *, digits: int = 2, use_shortest: bool = False) -> LinearCheck:
    """Hold the linear interval against the Monte Carlo one by the criterion of clause 8.

    ``d_low = |y - U_p - y_low|``, ``d_high = |y + U_p - y_high|``; the linear result is validated where neither is
    more than ``delta``, the numerical tolerance of u with ``digits`` digits (8.1). What chance leaves in the trials
    (``found.noise``) is allowed for, so that it takes more than noise to fail. A linear interval or a Monte Carlo
    interval that is not a number fails. Both are in the unit of the result.

    Args:
        linear: the result of ``propagate``.
        found: the result for the same formula and inputs, preferably with ``fraction=0.2`` (8.2).
        digits: significant digits of u that matter.
        use_shortest: compare with the shortest interval instead of the symmetric one.
    """
    bounds = found.shortest if use_shortest else found.symmetric
    low, high = interval(linear, found.probability)
    d_low, d_high = abs(low - bounds[0]), abs(high - bounds[1])
    delta = numerical_tolerance(linear.u if linear.u > 0.0 else found.u, digits)
    valid = d_low <= delta + found.noise and d_high <= delta + found.noise
    return LinearCheck(linear, found, bounds, d_low, d_high, delta, bool(valid))


def bending(function: VectorFunction, inputs: Sequence[Estimate]) -> FloatArray:
    """How much each result bends within two standard uncertainties of its inputs, over its own u (m,) [1].

    Second differences along every input and every pair of inputs, from one call of the formula on all these points:
    ``max |f(x+h) + f(x-h) - 2 f(x)| / (2 u(f))`` (1), h = 2u along one input or 2u/√2 along each of two. Zero for a
    linear formula; infinite where the formula has no value there. Below about a tenth the ends of a 95 % interval
    move by no more than a few per cent (a rule of this project): no Monte Carlo is needed to say so.

    >>> bending(lambda a, b: (a + b, a / b), [Estimate(1.0, 0.001, "W"), Estimate(1.0, 0.001, "W")]).round(4).tolist()
    [0.0, 0.0028]
    """
    x = np.array([e.value for e in inputs])
    u = np.array([e.u for e in inputs])
    k = x.size
    steps = [2.0 * np.eye(k)[i] for i in range(k) if u[i] > 0.0]
    for i in range(k):
        for j in range(i + 1, k):
            if u[i] > 0.0 and u[j] > 0.0:
                steps += [math.sqrt(2.0) * (np.eye(k)[i] + sign * np.eye(k)[j]) for sign in (1.0, -1.0)]
    if not steps:
        return np.zeros(len(function(*x[:, None])))
    h = np.stack(steps).T * u[:, None]  # (k, steps)
    points = np.concatenate([x[:, None], x[:, None] + h, x[:, None] - h], axis=1)
    y = np.stack([np.asarray(v, dtype=np.float64) + np.zeros(points.shape[1]) for v in function(*points)])
    count = h.shape[1]
    centre, up, down = y[:, :1], y[:, 1 : count + 1], y[:, count + 1 :]
    singles = int(np.count_nonzero(u > 0.0))
    spread = np.sqrt(np.sum((0.25 * (up - down)[:, :singles]) ** 2, axis=1))
    bent = np.max(np.abs(up + down - 2.0 * centre), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(bent == 0.0, 0.0, bent / (2.0 * spread))
    return np.asarray(np.where(np.isnan(share), np.inf, share))
