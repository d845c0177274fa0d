"""The search for time constants, with everything that enters in a straight way solved for (variable projection).

Source: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, doi 10.1137/0710036; slopes in the form of
L. Kaufman, BIT 15 (1975) 49, doi 10.1007/BF01932995 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.lags import Steps
from benchkit.analysis.thermal.networks import reference_weights
from benchkit.analysis.thermal.runs import LEAST_SAMPLES, ThermalRun, part_of

FloatArray = npt.NDArray[np.float64]

LEAST_RATIO = 1.25
"""Neighbouring time constants are at least this factor apart: closer ones cannot be told apart by any record."""
_GRID = 16
_STARTS = 2
_MOST_AT_ONCE = 2_000_000


def to_theta(tau: FloatArray) -> FloatArray:
    """Unknowns [1] (k,) of time constants [s] (k,): ln of the fastest, then ln of what each ratio has above
    LEAST_RATIO. So no unknowns are out of order.
    """
    ratios = np.maximum(tau[1:] / tau[:-1] - LEAST_RATIO, 1e-2)
    return np.concatenate([[math.log(tau[0])], np.log(ratios)])


def _to_tau(theta: FloatArray) -> FloatArray:
    bounded = np.clip(theta, -25.0, 25.0)
    return np.asarray(np.exp(bounded[0]) * np.concatenate([[1.0], np.cumprod(LEAST_RATIO + np.exp(bounded[1:]))]))


class Problem:
    """Columns of the linear part for given time constants, over all runs, weighted."""

    def __init__(self, runs: Sequence[ThermalRun]) -> None:
        self.runs = runs
        self.kinds = runs[0].loss_w.shape[1]
        self.good = [np.isfinite(run.temp_c) for run in runs]
        # the fit works in rises above the first reference: no digits lost to a common temperature
        self.y = np.concatenate(
            [(run.temp_c[good] - run.reference_c[0]) / run.u_temp_k for run, good in zip(runs, self.good, strict=True)]
        )
        self.moving = [run.reference_c - run.reference_c[0] for run in runs]
        self.moves = [bool(moving.any()) for moving in self.moving]
        self.dt = [np.diff(run.time_s) for run in runs]
        self.loss = [[np.ascontiguousarray(run.loss_w[:, j]) for j in range(self.kinds)] for run in runs]
        self.width = self.kinds + len(runs)

    def of_one(self, tau: float) -> tuple[FloatArray, FloatArray]:
        """Columns (readings, width) of one time constant [s], and the lag of the reference (readings,).

        Both over ``u_temp_k``: columns of losses [W/K], then of starts [1/K]; the lag [1].
        """
        X = np.zeros((self.y.size, self.width), order="F")
        known = np.zeros(self.y.size)
        row = 0
        for r, (run, good, moving) in enumerate(zip(self.runs, self.good, self.moving, strict=True)):
            rows = slice(row, row + int(np.count_nonzero(good)))
            row = rows.stop
            steps = Steps(self.dt[r], tau)
            for j in range(self.kinds):
                X[rows, j] = steps.lag(self.loss[r][j], 0.0)[good] / run.u_temp_k
            if not run.from_rest:
                X[rows, self.kinds + r] = steps.decays()[good] / run.u_temp_k
            if self.moves[r]:
                known[rows] = steps.lag(moving)[good] / run.u_temp_k
        return X, known

    def split(self, values: FloatArray) -> tuple[FloatArray, ...]:
        """Weighted residuals (readings,) [1] back to one array a run [K], NaN where nothing was measured."""
        out, row = [], 0
        for run, good in zip(self.runs, self.good, strict=True):
            n = int(np.count_nonzero(good))
            whole = np.full(run.time_s.size, np.nan)
            whole[good] = values[row : row + n] * run.u_temp_k
            out.append(whole)
            row += n
        return tuple(out)


class At:
    """A problem at given time constants: linear parameters ``c`` (order, width), residuals ``left``, columns ``X``."""

    def __init__(self, problem: Problem, tau: FloatArray) -> None:
        self.problem, self.tau = problem, tau
        parts = [problem.of_one(float(one)) for one in tau]
        self.X = np.concatenate([X for X, _ in parts], axis=1)
        self.lags = np.column_stack([known for _, known in parts])
        self.length = np.sqrt(np.einsum("ij,ij->j", self.X, self.X))
        self.length[self.length == 0.0] = 1.0
        self.inverse = _pseudo_inverse((self.X.T @ self.X) / np.outer(self.length, self.length))
        target = problem.y - self.lags @ reference_weights(tau)
        c = self.project(target)
        left = target - self.X @ c
        more = self.project(left)  # one step of refinement: the products have lost half the digits
        self.c = (c + more).reshape(tau.size, problem.width)
        self.left = left - self.X @ more

    def project(self, columns: FloatArray) -> FloatArray:
        """Linear parameters of weighted ``columns`` (readings, ...) [1]: by tau, resistances [K/W], then starts [K]."""
        scale = self.length if columns.ndim == 1 else self.length[:, None]
        return np.asarray(self.inverse @ ((self.X.T @ columns) / scale) / scale)

    def slopes(self) -> FloatArray:
        """Derivatives (readings, order) [1] of the weighted model by ln tau_i, the linear parameters held, by
        differences."""
        step = 1e-5
        out = np.empty((self.left.size, self.tau.size), order="F")
        weights = reference_weights(self.tau)
        for i in range(self.tau.size):
            moved = self.tau.copy()
            moved[i] *= math.exp(step)
            X, known = self.problem.of_one(float(moved[i]))
            width = self.problem.width
            out[:, i] = (X - self.X[:, i * width : (i + 1) * width]) @ self.c[i]
            if known.any():
                lags = self.lags.copy()
                lags[:, i] = known
                out[:, i] += lags @ reference_weights(moved) - self.lags @ weights
        out /= step
        return out


def _pseudo_inverse(products: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.pinv(products, rcond=1e-13, hermitian=True))


def search(problem: Problem, theta: FloatArray, most: int = 60) -> tuple[FloatArray, At]:
    """Best unknowns [1] (k,) from a start: residuals with the linear part solved for (Kaufman's form of the slopes)."""
    from scipy.optimize import least_squares

    seen: dict[bytes, At] = {}

    def at(x: FloatArray) -> At:
        key = x.tobytes()
        if key not in seen:
            if len(seen) > 1:
                seen.clear()
            seen[key] = At(problem, _to_tau(x))
        return seen[key]

    def slopes(x: FloatArray) -> FloatArray:
        here = at(x)
        by_tau = here.slopes()
        by_tau -= here.X @ here.project(by_tau)
        return -by_tau @ _tau_by_theta(x)

    def left(x: FloatArray) -> FloatArray:
        return at(x).left

    found = least_squares(left, theta, jac=slopes, method="trf", xtol=1e-9, ftol=1e-11, max_nfev=most)
    x = np.asarray(found.x, dtype=np.float64)
    return x, at(x)


def _tau_by_theta(theta: FloatArray) -> FloatArray:
    """Derivatives of ln tau by theta (order, order)."""
    out = np.zeros((theta.size, theta.size))
    out[:, 0] = 1.0
    for k in range(1, theta.size):
        grown = math.exp(float(np.clip(theta[k], -25.0, 25.0)))
        out[k:, k] = grown / (LEAST_RATIO + grown)
    return out


def grid_starts(problem: Problem, order: int) -> list[FloatArray]:
    """Unknowns [1] of the best few of a grid of time constants; all sums come from one table of products."""
    runs = problem.runs
    span = max(float(run.time_s[-1] - run.time_s[0]) for run in runs)
    step = max(float(np.median(np.diff(run.time_s))) for run in runs)
    grid = np.geomspace(max(span / 1000.0, 0.5 * step), span * 2.0, _GRID)
    blocks = [problem.of_one(float(tau)) for tau in grid]
    width = problem.width
    table = np.column_stack([*(X for X, _ in blocks), *(known for _, known in blocks), problem.y])
    products = table.T @ table
    first_known, target = _GRID * width, _GRID * (width + 1)
    picks = np.array(list(combinations(range(_GRID), order)), dtype=np.intp)
    left = []
    size = (order * width) ** 2
    for some in np.array_split(picks, max(picks.shape[0] * size // _MOST_AT_ONCE, 1)):
        # residual = [target - sum_i w_i known_i] - X c, all by products
        rows = np.concatenate([np.full((some.shape[0], 1), target), first_known + some], axis=1)
        weights = np.stack([reference_weights(grid[one]) for one in some])
        known = np.concatenate([np.ones((some.shape[0], 1)), -weights], axis=1)
        columns = (some[:, :, None] * width + np.arange(width)).reshape(some.shape[0], -1)
        A = products[columns[:, :, None], columns[:, None, :]]
        b = (products[columns[:, :, None], rows[:, None, :]] @ known[:, :, None])[..., 0]
        square = np.einsum("ki,kij,kj->k", known, products[rows[:, :, None], rows[:, None, :]], known)
        scale = np.sqrt(np.einsum("kii->ki", A))
        scale[~(scale > 0.0)] = 1.0
        A = A / (scale[:, :, None] * scale[:, None, :]) + 1e-10 * np.eye(columns.shape[1])
        b = b / scale
        left.append(square - np.sum(b * np.linalg.solve(A, b[..., None])[..., 0], axis=1))
    found = grid[picks[np.argsort(np.concatenate(left), kind="stable")]]
    starts: list[FloatArray] = []
    for tau in found:
        if all(float(np.max(np.abs(np.log(tau / other)))) > 1.0 for other in starts):
            starts.append(tau)
        if len(starts) == _STARTS:
            break
    return starts


def thinned(run: ThermalRun, most: int) -> ThermalRun:
    step = max(run.time_s.size // most, 1)
    keep = slice(None, None, step)
    if step == 1 or np.count_nonzero(np.isfinite(run.temp_c[keep])) < LEAST_SAMPLES:
        return run
    return part_of(run, keep)
