"""Where a heat run at a held load ends, averaged over all networks of one to three nodes that its readings allow.

At a held load the loss is a line over the temperature, ``P = p + s T``: the growth only moves resistances and time
constants of the network (its feedback), and what drives it is the constant p. So no noise of the power meter gets into
the curve, which a network driven by the measured loss would sum up. With u = 1 + what the load moved off its line
over p, reference T_ref and g = 1/(1 - R s)::

    T(t) - T_ref(0) = y_0 + sum_i A_i lag_i(u) + g sum_i w_i lag_i(T_ref - T_ref(0)) + noise                (1)

and the end lies at ``T_ref(0) + g (T_ref - T_ref(0)) + y_0 + u sum_i A_i`` (2). How many nodes there are is not known,
and one too few stops short of the end. Instead of choosing, all are weighed by how probable they are (3)::

    p(end | readings) = sum_n P(n | readings) integral p(end | n, tau) p(tau | n, readings) d tau

- Noise: an autoregression fitted to what the best of the networks leaves over.
- Prior of time constants: even in their logarithm, from half a row to :data:`LONGEST` records: a part that takes longer
  than that has hardly shown itself and is in no estimate.
- Prior of A_i: what a lag has risen *within the record* is of the size of what was seen to rise, either way. A further
  node has to earn its place against this: that is all the penalty there is.
- The slowest lag goes the way the run goes: in a passive network the slowest mode has one sign at all nodes, so what
  warms all of it warms each part in the end. (A body that begins hotter than this load will leave it breaks this.)

The A_i are integrated in closed form, the time constants by importance sampling: draws of Student's t about the mode,
its shape fitted anew from the weights twice. Rows enter by their products alone, which are smooth in ln tau and are
interpolated between time constants of a fixed grid.

Source: (1), (2) derived here; model averaging (3) after J. A. Hoeting et al., Statistical Science 14 (1999) 382, doi
10.1214/ss/1009212519; sampling after O. Cappé et al., J. Comput. Graph. Stat. 13 (2004) 907, doi
10.1198/106186004X12803 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.lags import Steps
from benchkit.analysis.thermal.memory import Memory
from benchkit.analysis.thermal.networks import reference_weights

FloatArray = npt.NDArray[np.float64]

ORDERS = (1, 2, 3)
"""Networks that are weighed."""
LONGEST = 4.0
"""Longest time constant, in lengths of the record."""
LEAST_RATIO = 1.25
"""Neighbouring time constants are at least this factor apart."""
_SPACING = 0.05
_COARSE = {1: 2, 2: 3, 3: 6}
"""Every so many of the grid are tried together first."""
_BEST, _TRIES, _ROUNDS = 30, 8, 12
_DRAWS = 600
_EACH = 4
_TAIL = 4.0
"""Degrees of freedom of the draws: heavier tails than what they stand for."""
_HOPELESS = 25.0
"""An order whose best is less probable by e to this is left out."""


@dataclass(frozen=True, slots=True, eq=False)
class HeldRun:
    """A heat run as (1) sees it: times (n,) [s], rise (n,) [K] over the first reference (NaN: not measured), drive u
    (n,) [1], ``moving`` (n,) [K] the reference over its first value, times g."""

    time_s: FloatArray
    rise_k: FloatArray
    drive: FloatArray
    moving_k: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Weighted draws of ``y_0 + u_end sum A_i`` [K]: ``rise_k`` (m,), ``weight`` (m,), sum 1, and ``slow_s`` (m,), the
    slowest time constant [s]. ``probability`` of each order; ``centre_k`` its median [K]."""

    rise_k: FloatArray
    weight: FloatArray
    slow_s: FloatArray
    probability: dict[int, float]
    centre_k: dict[int, float]

    def quantile(self, share: float) -> float:
        """Rise [K] below which this share of the probability lies."""
        return weighted_quantile(self.rise_k, self.weight, share)

    def between_k(self) -> float:
        """Standard deviation of the medians of the orders: what not knowing the number of nodes costs [K]."""
        p = np.array([self.probability[n] for n in self.centre_k])
        x = np.array(list(self.centre_k.values()))
        return math.sqrt(max(float(p @ (x - p @ x / p.sum()) ** 2 / p.sum()), 0.0))


def weighted_quantile(values: FloatArray, weight: FloatArray, share: float) -> float:
    """Value below which a share [1] of the weight lies; unit of the values."""
    order = np.argsort(values)
    below = np.cumsum(weight[order])
    return float(values[order][min(int(np.searchsorted(below, share * below[-1])), values.size - 1)])


def left_over(columns: Columns, *, seed: int = 0) -> tuple[FloatArray, FloatArray]:
    """What the most probable network of the most nodes leaves over (n,) [K], NaN where nothing was measured, and its
    time constants (order,) [ln s]; noise without memory. The same readings give the same answer for a ``seed``."""
    rise = columns.run.rise_k[columns.good]
    noise = max(float(np.mean(np.diff(rise) ** 2)) / 2.0, (1e-4 * columns.seen_k) ** 2)
    memory = Memory(rise.size, np.full(1, noise), 1.0)
    products = _Products(columns, memory, 1.0)
    ln, _ = _mode(products, ORDERS[-1], np.random.default_rng(seed))
    mean = products.posterior(ln[None]).mean[0]
    run, dt, tau = columns.run, np.diff(columns.run.time_s), np.exp(ln)
    fitted = np.full(run.time_s.size, mean[0])
    for one, A, w in zip(tau, mean[1:], reference_weights(tau), strict=True):
        steps = Steps(dt, float(one))
        fitted += A * steps.lag(run.drive, 0.0) + w * steps.lag(run.moving_k)
    return run.rise_k - fitted, ln


def average_ends(
    columns: Columns, memory: Memory, u_end: float, begin: FloatArray, *, seed: int = 0, inflate: float = 1.0
) -> Ends:
    """Where a held load ends, over networks of :data:`ORDERS` nodes (3).

    Args:
        columns: the readings.
        memory: noise of the readings, from :func:`~benchkit.analysis.thermal.memory.memory_of`.
        u_end: drive that counts for the end [1].
        begin: time constants of the most nodes (order,) [ln s] to begin the search at, from :func:`left_over`.
        seed: of the draws; the same readings give the same answer.
        inflate: factor on the variance of the noise, for residuals of a fit being smaller than errors.
    """
    rng = np.random.default_rng(seed)
    products = _Products(columns, memory, inflate)
    modes = {n: _mode(products, n, rng, begin if n == ORDERS[-1] else None) for n in ORDERS}
    top = max(value for _, value in modes.values())
    parts = []
    for n, (mode, value) in modes.items():
        if value < top - _HOPELESS:
            continue
        ln, log_weight, evidence = _sampled(products, n, mode, rng)
        found = products.posterior(ln)
        e = rng.standard_normal((*found.mean.shape, _EACH))
        drawn = found.mean[..., None] + np.linalg.solve(np.swapaxes(found.L, 1, 2), e) * found.scale[..., None]
        rise = drawn[:, 0] + u_end * drawn[:, 1:].sum(axis=1)
        log_free = log_weight - found.log_sign
        weight = (np.exp(log_free - log_free.max())[:, None] * (drawn[:, -1] * products.way > 0.0)).ravel()
        slow = np.repeat(np.exp(ln[:, -1]), _EACH)
        parts.append((n, rise.ravel(), weight / weight.sum(), slow, evidence))
    best = max(part[4] for part in parts)
    total = sum(math.exp(part[4] - best) for part in parts)
    probability = {part[0]: math.exp(part[4] - best) / total for part in parts}
    return Ends(
        np.concatenate([rise for _, rise, _, _, _ in parts]),
        np.concatenate([weight * probability[n] for n, _, weight, _, _ in parts]),
        np.concatenate([slow for _, _, _, slow, _ in parts]),
        probability,
        {n: weighted_quantile(rise, weight, 0.5) for n, rise, weight, _, _ in parts},
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Posterior:
    """Log of the density ``log_p`` (m,), of which ``log_sign`` is the part of the sign; means (m, order + 1) [K] of y_0
    and A; Cholesky factor ``L`` and ``scale`` of their precision."""

    log_p: FloatArray
    log_sign: FloatArray
    mean: FloatArray
    L: FloatArray
    scale: FloatArray


class Columns:
    """What (1) is made of, over a grid of time constants: two columns each, and one for y_0 and for the rise."""

    def __init__(self, run: HeldRun) -> None:
        t, dt = run.time_s, np.diff(run.time_s)
        self.run = run
        self.span = float(t[-1] - t[0])
        first = max(0.5 * float(np.median(dt)), self.span / 2000.0)
        size = int(math.log(LONGEST * self.span / first) / _SPACING) + 1
        self.ln = np.linspace(math.log(first), math.log(LONGEST * self.span), size)
        columns = np.zeros((t.size, 2 * size + 2), order="F")
        moves = bool(np.any(run.moving_k))
        for i, ln in enumerate(self.ln):
            steps = Steps(dt, math.exp(ln))
            columns[:, 2 * i] = steps.lag(run.drive, 0.0)
            if moves:
                columns[:, 2 * i + 1] = steps.lag(run.moving_k)
        columns[:, -2], columns[:, -1] = 1.0, run.rise_k
        self.good = np.isfinite(run.rise_k)
        self.measured = columns[self.good]
        rise = run.rise_k[self.good]
        self.seen_k = max(float(np.ptp(rise)), 1e-6)  # a record that stands still is divided by it
        self.way = 1.0 if float(np.mean(rise[-max(rise.size // 5, 1) :])) >= float(rise[0]) else -1.0


class _Products:
    """Products of all whitened columns; posteriors of the A_i follow from these."""

    def __init__(self, columns: Columns, memory: Memory, inflate: float) -> None:
        self.ln, self.span, self.seen_k, self.way = columns.ln, columns.span, columns.seen_k, columns.way
        self.step = float(self.ln[1] - self.ln[0])
        white = memory.whiten(columns.measured) / math.sqrt(inflate)
        self.table = white.T @ white

    def possible(self, ln: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether time constants (m, order) [ln s] lie in order and within the grid."""
        inside = (ln[:, 0] >= self.ln[1]) & (ln[:, -1] <= self.ln[-2])
        return np.asarray(inside & np.all(np.diff(ln, axis=1) >= math.log(LEAST_RATIO), axis=1))

    def of(self, ln: FloatArray) -> FloatArray:
        """Products (m, order + 2, order + 2) of the columns of y_0 and of A, and of what they are to meet."""
        m, n = ln.shape
        place = (ln - self.ln[0]) / self.step
        node = np.clip(np.floor(place).astype(np.intp) - 1, 0, self.ln.size - 4)
        f = place - node - 1.0  # cubic through four neighbours
        cubic = np.stack(
            [
                -f * (f - 1.0) * (f - 2.0) / 6.0,
                (f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0,
                -(f + 1.0) * f * (f - 2.0) / 2.0,
                (f + 1.0) * f * (f - 1.0) / 6.0,
            ],
            axis=-1,
        )
        four = node[..., None] + np.arange(4)
        last = self.table.shape[0] - 1
        picks = [(2 * four + c).reshape(m, -1) for c in (0, 1)] + [np.full((m, 1), last - 1), np.full((m, 1), last)]
        at = np.concatenate(picks, axis=1)
        weights = np.ones((m, n))
        tau = np.exp(ln)
        for i in range(n):
            for k in range(n):
                if k != i:
                    weights[:, i] *= tau[:, i] / (tau[:, i] - tau[:, k])
        mix = np.zeros((m, at.shape[1], n + 2))
        for i in range(n):
            mix[:, 4 * i : 4 * i + 4, i + 1] = cubic[:, i]
            mix[:, 4 * (n + i) : 4 * (n + i) + 4, n + 1] = -weights[:, i, None] * cubic[:, i]
        mix[:, -2, 0] = mix[:, -1, n + 1] = 1.0
        return np.asarray(np.swapaxes(mix, 1, 2) @ (self.table[at[:, :, None], at[:, None, :]] @ mix))

    def posterior(self, ln: FloatArray) -> _Posterior:
        """What time constants (m, order) [ln s] are worth, with y_0 and the A_i integrated."""
        from scipy.special import log_ndtr

        m, n = ln.shape
        found = self.of(ln)
        H, b, square = found[:, : n + 1, : n + 1], found[:, : n + 1, n + 1], found[:, n + 1, n + 1]
        shown = -np.expm1(-self.span / np.exp(ln))
        precision = np.concatenate([np.full((m, 1), 0.01), shown**2], axis=1) / self.seen_k**2
        H = H + np.eye(n + 1) * precision[:, :, None]
        scale = 1.0 / np.sqrt(np.einsum("bii->bi", H))
        L = np.linalg.cholesky(H * scale[:, :, None] * scale[:, None, :])
        half = np.linalg.solve(L, (b * scale)[..., None])
        mean = np.linalg.solve(np.swapaxes(L, 1, 2), half)[..., 0] * scale
        chi2 = square - np.sum(half[..., 0] ** 2, axis=1)
        log_det = 2.0 * np.log(np.einsum("bii->bi", L)).sum(axis=1) - 2.0 * np.log(scale).sum(axis=1)
        # twice the share of the slowest A that goes the way of the run
        log_sign = math.log(2.0) + log_ndtr(self.way * mean[:, -1] * L[:, -1, -1] / scale[:, -1])
        log_p = 0.5 * (np.log(precision).sum(axis=1) - log_det - chi2) + log_sign
        log_p += math.lgamma(n + 1) - n * math.log(self.ln[-2] - self.ln[1])
        return _Posterior(log_p, log_sign, mean, L, scale)


def _mode(
    products: _Products, n: int, rng: np.random.Generator, begin: FloatArray | None = None
) -> tuple[FloatArray, float]:
    """Most probable time constants (n,) [ln s]: the best of a coarse grid and ``begin``, moved about in ever smaller
    steps."""
    pick = products.ln[1:-1][:: _COARSE[n] * (1 if begin is None else 2)]
    ln = pick[np.array(list(combinations(range(pick.size), n)))]
    if begin is not None:
        ln = np.concatenate([ln, begin + 0.1 * rng.standard_normal((_BEST, n)), begin[None]])
    ln = ln[products.possible(ln)]
    parts = np.array_split(ln, ln.shape[0] // 1500 + 1)
    value = np.concatenate([products.posterior(some).log_p for some in parts])
    keep = np.argsort(value)[-_BEST:]
    ln, value = ln[keep], value[keep]
    for k in range(_ROUNDS):
        tried = np.repeat(ln, _TRIES, axis=0)
        moved = 0.25 * 0.72**k * rng.standard_normal(tried.shape)
        # half of the steps along where the best lie: ridges are narrow
        spread = np.linalg.cholesky(np.atleast_2d(np.cov(ln.T)) + 1e-10 * np.eye(n))
        moved[::2] = rng.standard_normal(moved[::2].shape) @ spread.T
        tried = tried + moved
        tried = tried[products.possible(tried)]
        if tried.shape[0]:
            ln, value = np.concatenate([ln, tried]), np.concatenate([value, products.posterior(tried).log_p])
        keep = np.argsort(value)[-_BEST:]
        ln, value = ln[keep], value[keep]
    return ln[-1], float(value[-1])


def _curvature(products: _Products, mode: FloatArray) -> FloatArray:
    """Covariance (n, n) of the normal density of the same curvature at the mode."""
    n, h = mode.size, 1e-3
    points = []
    for i in range(n):
        for j in range(i, n):
            for a, b in ((h, h), (h, -h), (-h, h), (-h, -h)):
                point = mode.copy()
                point[i] += a
                point[j] += b
                points.append(point)
    value = products.posterior(np.array(points)).log_p.reshape(-1, 4)
    bent = -(value[:, 0] - value[:, 1] - value[:, 2] + value[:, 3]) / (4.0 * h * h)
    H = np.zeros((n, n))
    H[np.triu_indices(n)] = bent
    H = H + np.triu(H, 1).T
    size, axes = np.linalg.eigh(H)
    return np.asarray((axes / np.clip(size, 0.3, None)) @ axes.T)


def _sampled(
    products: _Products, n: int, mode: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, float]:
    """Draws (m, n) [ln s] of the time constants, log of their weights (m,), log of the evidence of the order."""
    centre, covariance = mode, _curvature(products, mode)
    for size in (_DRAWS, _DRAWS, 2 * _DRAWS):
        L = np.linalg.cholesky(covariance)
        stretch = np.sqrt(rng.chisquare(_TAIL, size) / _TAIL)
        e = rng.standard_normal((size, n)) / stretch[:, None]
        ln = centre + e @ L.T
        log_q = math.lgamma(0.5 * (_TAIL + n)) - math.lgamma(0.5 * _TAIL) - 0.5 * n * math.log(_TAIL * math.pi)
        drawn = log_q - np.log(np.diag(L)).sum() - 0.5 * (_TAIL + n) * np.log1p((e**2).sum(axis=1) / _TAIL)
        good = products.possible(ln)
        ln, drawn = ln[good], drawn[good]
        log_weight = products.posterior(ln).log_p - drawn
        weight = np.exp(log_weight - log_weight.max())
        # no single draw may shape the next ones
        share = np.minimum(weight / weight.sum(), 0.05)
        share /= share.sum()
        centre = share @ ln
        off = ln - centre
        covariance = 1.3 * (off * share[:, None]).T @ off + 1e-8 * np.eye(n)
    evidence = float(log_weight.max()) + math.log(float(weight.sum()) / size)
    return ln, log_weight, evidence
