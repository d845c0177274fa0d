"""Thermal networks fitted to runs: measured losses and coolant temperature in, one temperature out.

The temperature of one node is a sum of lags of each loss, of the coolant, and of what each run started with::

    T(t) = sum_i w_i lag_i(T_ref) + sum_j sum_i R_ij lag_i(P_j) + sum_i a_i exp(-t/tau_i)          (1)

Only the time constants enter it in a bent way. For given ones the resistances and starts follow by linear least
squares, so the search runs over one to four numbers however many runs there are (variable projection).

Readings of one sensor remember, and no network is exact: the covariance is
``(JᵀJ)⁻¹ JᵀΓJ (JᵀJ)⁻¹`` (2) with Γ the autocovariance of an autoregression fitted to the residuals.

Source of (1): Foster synthesis, textbook; of the projection: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10
(1973) 413, doi 10.1137/0710036; of (2): H. White, *Asymptotic Theory for Econometricians*, rev. ed. 2001 (from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.lags import Steps, check_times
from benchkit.analysis.thermal.memory import Memory, memory_of
from benchkit.analysis.thermal.networks import Foster, reference_weights
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

MOST_NODES = 4
LEAST_RATIO = 1.25
"""Neighbouring time constants are at least this factor apart: closer ones cannot be told apart by any record."""
WORST_CONDITION = 1e4
"""Beyond this condition number of the scaled Jacobian the parameters are not determined by the record."""
WORST_U_TAU = 0.5
"""Nor where a time constant is uncertain by more than this share (k = 1)."""
_GRID = 16
_STARTS = 2
_THIN = 1500
_LEAST_SAMPLES = 20


@dataclass(frozen=True, slots=True, eq=False)
class ThermalRun:
    """One stretch of record: times (n,) [s], temperature (n,) [°C], reference (n,) [°C], losses (n, kinds) [W].

    NaN in ``temp_c`` is a reading that was not taken; reference and losses must be whole (split the run where they are
    not). ``u_temp_k`` [K] weights runs against each other. ``from_rest``: everything had the temperature of the
    reference when the run began and no loss was before it, so its start is no unknown. At a constant loss only such a
    run tells the resistances apart.
    """

    time_s: FloatArray
    temp_c: FloatArray
    reference_c: FloatArray
    loss_w: FloatArray
    name: str = "run"
    u_temp_k: float = 1.0
    from_rest: bool = False


def thermal_run(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    reference_c: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    *,
    name: str = "run",
    u_temp_k: float = 1.0,
    from_rest: bool = False,
) -> ThermalRun:
    """A checked :class:`ThermalRun`; a scalar reference or loss holds for the whole run.

    Times (n,) [s], temperature (n,) [°C] with NaN where it was not measured, reference (n,) [°C], losses (n,) or
    (n, kinds) [W]; ``u_temp_k`` [K] weights runs against each other.

    Raises:
        UsageError: times that do not rise, too few readings, a gap in losses or reference, a weight not positive.
    """
    t, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    check_times(t)
    reference = np.broadcast_to(np.asarray(reference_c, dtype=np.float64), t.shape)
    loss = np.asarray(loss_w, dtype=np.float64)
    if loss.ndim < 2:
        loss = np.broadcast_to(loss, t.shape)[:, None]
    if loss.shape[0] != t.size or temp.shape != t.shape:
        raise UsageError("shapes do not fit together", where=name, got=f"{t.shape}, {temp.shape}, {loss.shape}")
    if np.count_nonzero(np.isfinite(temp)) < _LEAST_SAMPLES:
        raise UsageError("too few temperatures for a thermal fit", where=name, expected=f"at least {_LEAST_SAMPLES}")
    for what, column in (("reference temperature", reference), ("loss", loss)):
        if not np.all(np.isfinite(column)):
            row = int(np.argmin(np.isfinite(column.reshape(t.size, -1)).all(axis=1)))
            raise UsageError(
                f"{what} was not measured all the time",
                where=f"{name}, row {row}",
                remedy="A network cannot be driven across a gap: split the run there.",
            )
    if not u_temp_k > 0.0:
        raise UsageError("a weight must be positive", where=name, got=u_temp_k)
    return ThermalRun(t, temp, reference, loss, name, u_temp_k, from_rest)


@dataclass(frozen=True, slots=True, eq=False)
class NetworkFit:
    """A fitted network of ``order`` nodes.

    ``parameters`` are ln tau (order,), then R (kinds * order,) [K/W], loss by loss, fastest first; ``covariance`` is
    that of these, calibration included. ``starts`` (runs, order) [K] are the a_i of (1). ``dof`` counts independent
    readings. ``condition`` is that of the Jacobian with columns of length one.
    """

    order: int
    kinds: int
    parameters: FloatArray
    covariance: FloatArray
    dof: float
    starts: FloatArray
    residuals: tuple[FloatArray, ...] = field(repr=False)
    """Per run, NaN where nothing was measured [K]."""
    residual_rms_k: float
    readings_per_independent: float
    condition: float
    rank: int
    notes: tuple[str, ...] = ()

    @property
    def tau_s(self) -> FloatArray:
        """Time constants (order,) [s], fastest first."""
        return np.exp(self.parameters[: self.order])

    @property
    def resistance_k_w(self) -> FloatArray:
        """R (kinds, order) [K/W]."""
        return self.parameters[self.order :].reshape(self.kinds, self.order)

    @property
    def is_identifiable(self) -> bool:
        """Whether the record determines every parameter."""
        return not self.notes

    def tau(self, i: int) -> Estimate:
        """Time constant i with its uncertainty; the interval is that of its logarithm."""
        value, u = float(self.tau_s[i]), math.sqrt(max(float(self.covariance[i, i]), 0.0))
        k = _factor(self.dof)
        ends = (value * math.exp(-k * u), value * math.exp(k * u)) if k * u < 20.0 else (0.0, math.inf)
        return Estimate(value, value * u, "s", self.dof, interval95=ends)

    def resistance(self, i: int, kind: int = 0) -> Estimate:
        """Resistance i of one loss."""
        k = self.order + kind * self.order + i
        return Estimate(float(self.parameters[k]), math.sqrt(max(float(self.covariance[k, k]), 0.0)), "K/W", self.dof)

    def total(self, kind: int = 0) -> Estimate:
        """Steady rise per watt of one loss."""
        row = np.zeros(self.parameters.size)
        row[self.order + kind * self.order : self.order + (kind + 1) * self.order] = 1.0
        return Estimate(float(row @ self.parameters), _u(row, self.covariance), "K/W", self.dof)

    def foster(self, kind: int = 0) -> Foster:
        """The fitted form of one loss."""
        return Foster(self.resistance_k_w[kind].copy(), self.tau_s.copy())


def _factor(dof: float) -> float:
    from benchkit.analysis.uncertainty import coverage_factor

    return coverage_factor(max(dof, 1.0))


def _u(row: FloatArray, covariance: FloatArray) -> float:
    return math.sqrt(max(float(row @ covariance @ row), 0.0))


def fit_network(
    runs: Sequence[ThermalRun],
    order: int,
    *,
    u_sensor_k: float = 0.0,
    u_loss_relative: float = 0.0,
    start_tau_s: Sequence[float] | None = None,
) -> NetworkFit:
    """Time constants and resistances of ``order`` nodes, shared by all runs; the start of each run is its own.

    Weighted least squares (weights ``1/u_temp_k²``). Calibration goes into the covariance: a constant error of the
    sensor against the reference moves the parameters as the fit itself would follow it, an error of the loss moves
    all resistances alike.

    Args:
        runs: from :func:`thermal_run`; all with the same kinds of loss.
        order: nodes, 1 to 4.
        u_sensor_k: standard uncertainty of sensor against reference [K], the same in all runs.
        u_loss_relative: relative standard uncertainty of the losses, the same in all runs.
        start_tau_s: where the search begins (order,) [s]; None: the best of a grid.

    Raises:
        UsageError: no runs, an order out of range, kinds of loss that differ, or readings fewer than parameters.

    ``notes`` of the result say what the record does not determine: it is then a description, not a network.
    """
    _check(runs, order)
    if start_tau_s is None:
        thin = Problem([_thinned(run, _THIN) for run in runs])
        tried = [_search(thin, _to_theta(start)) for start in _grid_starts(thin, order)]
        theta = min(tried, key=lambda pair: float(pair[1].left @ pair[1].left))[0]
    else:
        theta = _to_theta(np.sort(np.asarray(start_tau_s, dtype=np.float64)))
    _, at = _search(Problem(runs), theta)
    return _finish(at, u_sensor_k, u_loss_relative)


def _check(runs: Sequence[ThermalRun], order: int) -> None:
    if not runs:
        raise UsageError("no run to fit")
    if not 1 <= order <= MOST_NODES:
        raise UsageError("a network has one to four nodes", got=order)
    kinds = {run.loss_w.shape[1] for run in runs}
    if len(kinds) != 1:
        raise UsageError("all runs need the same kinds of loss", got=sorted(kinds))
    measured = sum(int(np.count_nonzero(np.isfinite(run.temp_c))) for run in runs)
    unknown = order * (1 + kinds.pop() + len(runs))
    if measured < 2 * unknown:
        raise UsageError("too few readings for so many nodes", got=measured, expected=f"at least {2 * unknown}")


# ------------------------------------------------------------------------------------- the model and its columns
def _to_theta(tau: FloatArray) -> FloatArray:
    """ln of the fastest, then ln of what each ratio exceeds LEAST_RATIO by: no order of theta is out of order."""
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


def _search(problem: Problem, theta: FloatArray, most: int = 60) -> tuple[FloatArray, At]:
    """Best time constants from a start: residuals with the linear part solved for (Kaufman's form of the slopes)."""
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


def _grid_starts(problem: Problem, order: int) -> list[FloatArray]:
    """Best few of a grid of time constants; all sums come from one table of products."""
    runs = problem.runs
    span = max(float(run.time_s[-1] - run.time_s[0]) for run in runs)
    step = max(float(np.median(np.diff(run.time_s))) for run in runs)
    grid = np.geomspace(max(span / 1000.0, 0.5 * step), span * 2.0, _GRID)
    blocks = [problem.of_one(float(tau)) for tau in grid]
    width = problem.width
    table = np.column_stack([*(X for X, _ in blocks), *(known for _, known in blocks), problem.y])
    products = table.T @ table
    first_known, target = _GRID * width, _GRID * (width + 1)
    found: list[tuple[float, FloatArray]] = []
    for picks in combinations(range(_GRID), order):
        tau = grid[list(picks)]
        # residual = [target - sum_i w_i known_i] - X c, all by products
        known = np.zeros(table.shape[1])
        known[target] = 1.0
        known[[first_known + p for p in picks]] = -reference_weights(tau)
        columns = [p * width + c for p in picks for c in range(width)]
        A, b = products[np.ix_(columns, columns)], products[columns] @ known
        scale = np.sqrt(np.diag(A))
        scale[~(scale > 0.0)] = 1.0
        A = A / np.outer(scale, scale)
        A[np.diag_indices_from(A)] += 1e-10
        left = float(known @ products @ known - (b / scale) @ np.linalg.solve(A, b / scale))
        found.append((left, tau))
    found.sort(key=lambda pair: pair[0])
    starts: list[FloatArray] = []
    for _, tau in found:
        if all(float(np.max(np.abs(np.log(tau / other)))) > 1.0 for other in starts):
            starts.append(tau)
        if len(starts) == _STARTS:
            break
    return starts


def _thinned(run: ThermalRun, most: int) -> ThermalRun:
    step = max(run.time_s.size // most, 1)
    keep = slice(None, None, step)
    if step == 1 or np.count_nonzero(np.isfinite(run.temp_c[keep])) < _LEAST_SAMPLES:
        return run
    return part_of(run, keep)


def part_of(run: ThermalRun, keep: slice | npt.NDArray[np.bool_]) -> ThermalRun:
    """Some rows of a run, the first among them; units as in the run."""
    return replace(
        run,
        time_s=run.time_s[keep],
        temp_c=run.temp_c[keep],
        reference_c=run.reference_c[keep],
        loss_w=run.loss_w[keep],
    )


# ----------------------------------------------------------------------------------------- covariance and verdict
def _finish(at: At, u_sensor_k: float, u_loss_relative: float) -> NetworkFit:
    problem, tau = at.problem, at.tau
    order, kinds = tau.size, problem.kinds
    J = np.concatenate([at.slopes(), at.X], axis=1)
    length = np.sqrt(np.einsum("ij,ij->j", J, J))
    unknown = int(np.count_nonzero(length))  # starts from rest have no column
    length[length == 0.0] = 1.0
    scaled = J / length
    eigenvalues = np.linalg.eigvalsh(scaled.T @ scaled)[-unknown:]
    floor = eigenvalues[-1] * 1e-14
    condition = math.sqrt(float(eigenvalues[-1] / max(eigenvalues[0], floor)))
    rank = int(np.count_nonzero(eigenvalues > floor))
    residuals = problem.split(at.left)
    memories = [memory_of(e[np.isfinite(e)]) for e in residuals]
    inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-14, hermitian=True)
    worth = sum(m.size / m.time for m in memories)
    dof = max(worth - unknown, 1.0)
    covariance = inverse @ _middle(problem, scaled, memories) @ inverse * (worth / dof)
    if u_sensor_k > 0.0:
        ones = np.concatenate([np.full(m.size, 1.0 / r.u_temp_k) for m, r in zip(memories, problem.runs, strict=True)])
        shift = inverse @ (scaled.T @ ones)
        covariance = covariance + u_sensor_k**2 * np.outer(shift, shift)
    covariance = covariance / np.outer(length, length)
    # the columns lie time constant by time constant; the parameters are given loss by loss
    keep = [*range(order), *(order + i * problem.width + j for j in range(kinds) for i in range(order))]
    R = at.c[:, :kinds].T.ravel()
    covariance = covariance[np.ix_(keep, keep)]
    if u_loss_relative > 0.0:
        gain = np.concatenate([np.zeros(order), R]) * u_loss_relative
        covariance = covariance + np.outer(gain, gain)
    rms = math.sqrt(float(np.mean(np.concatenate([e[np.isfinite(e)] for e in residuals]) ** 2)))
    return NetworkFit(
        order=order,
        kinds=kinds,
        parameters=np.concatenate([np.log(tau), R]),
        covariance=covariance,
        dof=dof,
        starts=at.c[:, kinds:].T.copy(),
        residuals=residuals,
        residual_rms_k=rms,
        readings_per_independent=sum(m.size for m in memories) / worth,
        condition=condition,
        rank=rank,
        notes=_notes(tau, covariance, condition, rank, unknown),
    )


def _middle(problem: Problem, J: FloatArray, memories: Sequence[Memory]) -> FloatArray:
    """``JᵀΓJ``, run by run: records of different runs do not remember each other."""
    total = np.zeros((J.shape[1], J.shape[1]))
    row = 0
    for memory, run in zip(memories, problem.runs, strict=True):
        part = J[row : row + memory.size]
        row += memory.size
        total += part.T @ memory.apply(part) / run.u_temp_k**2
    return total


def _notes(tau: FloatArray, covariance: FloatArray, condition: float, rank: int, unknown: int) -> tuple[str, ...]:
    notes = []
    if rank < unknown:
        notes.append(f"{unknown - rank} of {unknown} parameters follow from the others")
    elif condition > WORST_CONDITION:
        notes.append(f"the parameters are hardly told apart (condition {condition:.1e})")
    u = np.sqrt(np.maximum(np.diag(covariance)[: tau.size], 0.0))
    notes += [
        f"time constant {tau[i]:.3g} s is uncertain by {100.0 * u[i]:.0f} %"
        for i in range(tau.size)
        if u[i] > WORST_U_TAU
    ]
    return tuple(notes)
