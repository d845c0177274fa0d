"""Runs in blocks (days, or halves of a day): the difference of two sides when every block has an effect of its own.

``y_r = block + side + slope of the block x time + e_r`` (1), one value a run. Where the blocks hold both sides, the
block effects drop out of the difference, be they fixed or random, and Student's t is exact. Where they hold one side
each, blocks are the units. In between, the block effects are random and estimated by restricted likelihood.

Sources: G. E. P. Box, J. S. Hunter and W. G. Hunter, *Statistics for Experimenters*, chapters 3 and 4; F. E.
Satterthwaite, Biometrics Bull. 2 (1946) 110, doi 10.2307/3002019. From memory.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.statistics import p_two_sided, two_samples
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SLOPE_FROM = 4
"""Runs that a block must have before a slope over time is fitted in it."""
BALANCED = 0.15
"""Mean times of the two sides within this share of the block's length count as balanced against drift."""
MOST_EXACT = 5000
"""Up to so many rearrangements all are tried; beyond, so many are drawn."""


@dataclass(frozen=True, slots=True, eq=False)
class BlockedDifference:
    """B less A of k quantities: ``difference``, ``u`` (k,), ``dof`` of u, ``sd`` of one run (k,) and the method.

    All in the unit of the values, ``dof`` [1].
    """

    difference: FloatArray
    u: FloatArray
    dof: float
    sd: FloatArray
    method: str
    slopes: int = 0
    """Blocks in which a slope over time was fitted."""

    @property
    def p_value(self) -> FloatArray:
        """Two-sided p-value [1] (k,) of ``difference / u`` by Student's t."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return p_two_sided(self.difference / self.u, self.dof)


@dataclass(frozen=True, eq=False)
class Order:
    """Runs in the order taken: ``is_b`` (r,), ``block`` number (r,), ``time_h`` (r,) within whatever zero."""

    is_b: npt.NDArray[np.bool_]
    block: IntArray
    time_h: FloatArray

    def nuisance(self, slopes: bool) -> tuple[FloatArray, int]:
        """Columns (r, c) of the blocks [1] and, with ``slopes``, of time within those that allow it [h]; and how many
        slopes."""
        columns = [(self.block == b).astype(np.float64) for b in np.unique(self.block)]
        fitted = self.with_slope if slopes else ()
        for b in fitted:
            here = self.block == b
            columns.append(np.where(here, self.time_h - self.time_h[here].mean(), 0.0))
        return np.stack(columns, axis=1), len(fitted)

    def is_balanced(self, block: int) -> bool:
        """Both sides at the same time on average, so that a straight drift falls out of their difference."""
        here = self.block == block
        a, b = self.time_h[here & ~self.is_b], self.time_h[here & self.is_b]
        if not (a.size and b.size):
            return False
        return bool(abs(b.mean() - a.mean()) <= BALANCED * max(float(np.ptp(self.time_h[here])), 1e-9))

    @cached_property
    def with_slope(self) -> tuple[int, ...]:
        """Blocks in which a slope over time can be fitted beside the sides: balanced, four runs or more."""
        return tuple(
            int(b)
            for b in np.unique(self.block)
            if np.sum(self.block == b) >= SLOPE_FROM
            and self.is_balanced(int(b))
            and np.ptp(self.time_h[self.block == b]) > 0.0
        )


def within_blocks(values: npt.ArrayLike, order: Order, *, slopes: bool = False) -> BlockedDifference:
    """Least squares of (1) with the blocks taken out: exact where blocks hold both sides.

    Args:
        values: one row a run, shape (r, k), in any unit; the result is in the same.
        order: sides, blocks and times of the runs.
        slopes: a straight drift over time in every balanced block of four runs or more.

    Raises:
        UsageError: the side goes with the blocks (or with drift) and cannot be told from them.
    """
    y = np.asarray(values, dtype=np.float64)
    z, fitted = order.nuisance(slopes)
    q, kept = _basis(z)
    side = _without(order.is_b.astype(np.float64)[:, None], q)[:, 0]
    size = float(side @ side)
    if size < 1e-9:
        raise UsageError(
            "the side goes with the blocks: the difference cannot be told from that of the days",
            remedy="Run both firmwares on every day.",
        )
    rest = _without(y, q)
    delta = side @ rest / size
    dof = y.shape[0] - kept - 1
    squares = np.sum((rest - side[:, None] * delta[None, :]) ** 2, axis=0)
    variance = squares / dof if dof > 0 else np.full(delta.shape, np.nan)
    method = "within blocks" + (", drift of each block as a straight line" if fitted else "")
    return BlockedDifference(delta, np.sqrt(variance / size), float(dof), np.sqrt(variance), method, fitted)


def residuals(values: npt.ArrayLike, order: Order, *, slopes: bool = False) -> tuple[FloatArray, int]:
    """What blocks, side and drift leave of each run (r, k), in the unit of the values, and its degrees of freedom."""
    y = np.asarray(values, dtype=np.float64)
    q, kept = _basis(np.hstack([order.nuisance(slopes)[0], order.is_b.astype(np.float64)[:, None]]))
    return _without(y, q), y.shape[0] - kept


def block_by_block(values: npt.ArrayLike, order: Order) -> BlockedDifference:
    """The difference of each block is one value; the scatter of these values is the yardstick (paired t).

    For differences that are not the same from block to block. All blocks must hold both sides. ``values`` (r, k) and
    the result are in one unit: ``u = s / sqrt(blocks)``.

    Raises:
        UsageError: fewer than two blocks.
    """
    y = np.asarray(values, dtype=np.float64)
    blocks = [order.block == b for b in np.unique(order.block)]
    if len(blocks) < 2:
        raise UsageError("one block alone does not tell how blocks differ", remedy="Run both firmwares on another day.")
    d = np.stack([y[b & order.is_b].mean(axis=0) - y[b & ~order.is_b].mean(axis=0) for b in blocks])
    sd = d.std(axis=0, ddof=1)
    return BlockedDifference(d.mean(axis=0), sd / math.sqrt(len(blocks)), len(blocks) - 1.0, sd, "block by block")


def between_blocks(values: npt.ArrayLike, order: Order) -> BlockedDifference:
    """Blocks that hold one side each: their means are the sample, the scatter of blocks is the yardstick.

    Student's t with a pooled variance; ``values`` (r, k) and the result are in one unit.

    Raises:
        UsageError: fewer than two blocks on a side.
    """
    y = np.asarray(values, dtype=np.float64)
    blocks = np.unique(order.block)
    means = np.stack([y[order.block == b].mean(axis=0) for b in blocks])
    is_b = np.array([bool(order.is_b[order.block == b][0]) for b in blocks])
    found = [two_samples(means[~is_b, k], means[is_b, k], equal_variance=True) for k in range(y.shape[1])]
    sd = np.array([f.u / math.sqrt(1.0 / np.sum(is_b) + 1.0 / np.sum(~is_b)) for f in found])
    return BlockedDifference(
        np.array([f.difference for f in found]), np.array([f.u for f in found]), found[0].dof, sd, "between blocks"
    )


@dataclass(frozen=True, slots=True)
class RandomBlocks:
    """Random block effects by restricted likelihood: difference, its u and dof, the two standard deviations."""

    difference: float
    u: float
    dof: float
    sd_block: float
    sd_run: float


def random_blocks(values: npt.ArrayLike, order: Order) -> RandomBlocks:
    """Difference of one quantity with random block effects: generalised least squares at the REML variances.

    Degrees of freedom by Satterthwaite, from the curvature of the restricted likelihood. For blocks that are not
    balanced; for balanced ones :func:`within_blocks` gives the same difference, exactly.

    Args:
        values: one a run, shape (r,), in any unit; the result is in the same.

    Raises:
        UsageError: fewer than four runs or two blocks, or one side alone.
    """
    from scipy.optimize import minimize_scalar

    y = np.asarray(values, dtype=np.float64)
    side = order.is_b.astype(np.float64)
    blocks = np.unique(order.block)
    if y.size < 4 or blocks.size < 2 or not 0.0 < side.mean() < 1.0:
        raise UsageError("random blocks need four runs, two blocks and both sides", got=f"{y.size}, {blocks.size}")
    X = np.stack([np.ones(y.size), side], axis=1)
    Z = (order.block[:, None] == blocks[None, :]).astype(np.float64)
    scale = float(np.std(y)) or 1.0
    y = y / scale

    def solved(run: float, block: float) -> tuple[float, FloatArray, FloatArray]:
        """-2 ln L (restricted), coefficients, their covariance, for the two variances."""
        V = run * np.eye(y.size) + block * Z @ Z.T
        inverse = np.linalg.inv(V)
        information = X.T @ inverse @ X
        covariance = np.linalg.inv(information)
        b = covariance @ X.T @ inverse @ y
        r = y - X @ b
        score = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1] + float(r @ inverse @ r)
        return float(score), b, covariance

    def of_ratio(log_ratio: float) -> tuple[float, float]:
        """Profile over the ratio of the variances: -2 ln L and the variance of a run that belongs to it."""
        ratio = math.exp(log_ratio)
        inverse = np.linalg.inv(np.eye(y.size) + ratio * Z @ Z.T)
        information = X.T @ inverse @ X
        b = np.linalg.solve(information, X.T @ inverse @ y)
        r = y - X @ b
        run = float(r @ inverse @ r) / (y.size - 2)
        return solved(run, ratio * run)[0], run

    best = minimize_scalar(
        lambda x: of_ratio(float(x))[0], bounds=(-14.0, 14.0), method="bounded", options={"xatol": 1e-10}
    )
    ratio, run = math.exp(float(best.x)), of_ratio(float(best.x))[1]
    if ratio < 1e-5:
        # on the edge: no scatter of blocks was seen. They are left in as the runs of one population.
        plain = two_samples(y[side == 0.0] * scale, y[side == 1.0] * scale, equal_variance=True)
        return RandomBlocks(plain.difference, plain.u, plain.dof, 0.0, math.sqrt(run) * scale)
    at = np.array([run, ratio * run])
    _, b, covariance = solved(float(at[0]), float(at[1]))
    step = 1e-3 * at
    gradient = np.array([
        (solved(*(at + e))[2][1, 1] - solved(*(at - e))[2][1, 1]) / (2.0 * e.sum()) for e in np.diag(step)
    ])  # fmt: skip
    hessian = np.empty((2, 2))
    for i, j in itertools.product(range(2), repeat=2):
        ei, ej = np.eye(2)[i] * step[i], np.eye(2)[j] * step[j]
        corners = (
            solved(*(at + ei + ej))[0],
            solved(*(at + ei - ej))[0],
            solved(*(at - ei + ej))[0],
            solved(*(at - ei - ej))[0],
        )
        hessian[i, j] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4.0 * step[i] * step[j])
    spread = float(gradient @ np.linalg.pinv(0.5 * hessian) @ gradient)
    variance = float(covariance[1, 1])
    most = y.size - 2.0
    dof = min(2.0 * variance**2 / spread, most) if spread > 0.0 else most
    return RandomBlocks(
        float(b[1]) * scale,
        math.sqrt(variance) * scale,
        max(dof, 1.0),
        math.sqrt(ratio * run) * scale,
        math.sqrt(run) * scale,
    )


def difference_of_sides(values: npt.ArrayLike, order: Order, *, slopes: bool = False) -> BlockedDifference:
    """B less A by the method that the order of the runs allows; see the head of this module.

    ``values`` (r, k), one row a run, and the result are in one unit.

    Raises:
        UsageError: one side alone, or one run of each side on days of their own.
    """
    y = np.asarray(values, dtype=np.float64)
    both = [np.unique(order.is_b[order.block == b]).size == 2 for b in np.unique(order.block)]
    if all(both):
        return within_blocks(y, order, slopes=slopes)
    if not any(both):
        return between_blocks(y, order)
    found = [random_blocks(y[:, k], order) for k in range(y.shape[1])]
    return BlockedDifference(
        np.array([f.difference for f in found]),
        np.array([f.u for f in found]),
        float(np.median([f.dof for f in found])),
        np.array([f.sd_run for f in found]),
        "random block effects (restricted likelihood)",
    )


@dataclass(frozen=True, slots=True, eq=False)
class Rearranged:
    """Permutation test: p-values (k,), those adjusted for all k by the largest t (k,), and the smallest possible p."""

    p_value: FloatArray
    p_adjusted: FloatArray
    arrangements: int
    is_exact: bool

    @property
    def least_p(self) -> float:
        """No arrangement of the labels can give less than ``1/arrangements`` [1]."""
        return 1.0 / self.arrangements


def rearranged(values: npt.ArrayLike, order: Order, *, slopes: bool = False, seed: int = 1) -> Rearranged | None:
    """Permutation test of the sides within their blocks: how often labels drawn at random give as large a t.

    The sides are exchanged within blocks only. All arrangements where they are few, :data:`MOST_EXACT` drawn else.
    None where blocks hold one side each: nothing can be exchanged. A check of the t test that does not need normal
    errors; with few runs it cannot give a small p-value, see ``least_p``.

    Source: P. H. Westfall and S. S. Young, *Resampling-Based Multiple Testing*, Wiley 1993 (from memory).
    """
    y = np.asarray(values, dtype=np.float64)
    labels = _arrangements(order, seed)
    if labels is None:
        return None
    arranged, is_exact = labels
    q, _ = _basis(order.nuisance(slopes)[0])
    rest = _without(y, q)
    sides = arranged - (arranged @ q) @ q.T
    size = np.sum(sides**2, axis=1)
    usable = size > 1e-9
    delta = sides @ rest / np.where(usable, size, 1.0)[:, None]
    squares = np.sum(rest**2, axis=0)[None, :] - delta**2 * size[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(delta) * np.sqrt(size[:, None] / np.maximum(squares, 1e-300))
    t = np.where(usable[:, None], t, 0.0)
    reached = t >= t[0][None, :] * (1.0 - 1e-9)
    largest = np.max(t, axis=1)[:, None] >= t[0][None, :] * (1.0 - 1e-9)
    return Rearranged(reached.mean(axis=0), largest.mean(axis=0), len(arranged), is_exact)


def _arrangements(order: Order, seed: int) -> tuple[FloatArray, bool] | None:
    """Rows of labels (p, r), the true one first; None where nothing can be exchanged."""
    rows = [np.flatnonzero(order.block == b) for b in np.unique(order.block)]
    counts = [math.comb(len(r), int(order.is_b[r].sum())) for r in rows]
    if math.prod(counts) < 2:
        return None
    true = order.is_b.astype(np.float64)
    if math.prod(counts) <= MOST_EXACT:
        picks = [list(itertools.combinations(r.tolist(), int(order.is_b[r].sum()))) for r in rows]
        found = np.zeros((math.prod(counts), true.size))
        for i, chosen in enumerate(itertools.product(*picks)):
            found[i, list(itertools.chain.from_iterable(chosen))] = 1.0
        same = int(np.flatnonzero(np.all(found == true, axis=1))[0])
        found[[0, same]] = found[[same, 0]]
        return found, True
    rng = np.random.default_rng(seed)
    drawn = np.tile(true, (MOST_EXACT, 1))
    for r in rows:
        drawn[1:, r] = rng.permuted(drawn[1:, r], axis=1)
    return drawn, False


def interaction(values: npt.ArrayLike, order: Order) -> float:
    """p-value [1] of "the difference is another from block to block" (F test); NaN where blocks do not repeat sides.

    Args:
        values: one a run, shape (r,), in any unit.
    """
    from scipy.special import fdtrc

    y = np.asarray(values, dtype=np.float64)[:, None]
    z, _ = order.nuisance(False)
    side = order.is_b.astype(np.float64)[:, None]
    small, p_small = _basis(np.hstack([z, side]))
    large, p_large = _basis(np.hstack([z, z * side]))
    extra, dof = p_large - p_small, y.shape[0] - p_large
    if extra < 1 or dof < 1:
        return math.nan
    rest_small, rest_large = (float(np.sum(_without(y, q) ** 2)) for q in (small, large))
    if rest_large <= 0.0:
        return math.nan
    return float(fdtrc(extra, dof, (rest_small - rest_large) / extra / (rest_large / dof)))


def _basis(columns: FloatArray) -> tuple[FloatArray, int]:
    """Orthonormal basis of the columns and their rank."""
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    rank = int(np.sum(s > 1e-9 * s[0]))
    return u[:, :rank], rank


def _without(values: FloatArray, basis: FloatArray) -> FloatArray:
    return np.asarray(values - basis @ (basis.T @ values))
