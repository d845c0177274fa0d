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
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.memory import Memory, memory_of
from benchkit.analysis.thermal.networks import Foster
from benchkit.analysis.thermal.projection import At, Problem, grid_starts, search, thinned, to_theta
from benchkit.analysis.thermal.runs import ThermalRun
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

MOST_NODES = 4
WORST_CONDITION = 1e4
"""Beyond this condition number of the scaled Jacobian the parameters are not determined by the record."""
WORST_U_TAU = 0.5
"""Nor where a time constant is uncertain by more than this share (k = 1)."""
WORST_WANDER = 0.03
"""Nor where the scatter of the losses alone moves the curve by more than this share of the range of the temperature (a
rule of this project): time constants then follow the scatter, and a further node is one of it."""
NOISY = "the loss is too noisy"
_THIN = 1500


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
        thin = Problem([thinned(run, _THIN) for run in runs])
        tried = [search(thin, to_theta(start)) for start in grid_starts(thin, order)]
        theta = min(tried, key=lambda pair: float(pair[1].left @ pair[1].left))[0]
    else:
        theta = to_theta(np.sort(np.asarray(start_tau_s, dtype=np.float64)))
    _, at = search(Problem(runs), theta)
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
        notes=(*_notes(tau, covariance, condition, rank, unknown), *_noisy(problem, tau, R.reshape(kinds, order))),
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


def _noisy(problem: Problem, tau: FloatArray, R: FloatArray) -> tuple[str, ...]:
    """Says where losses scatter so much that they drive the network badly.

    White scatter of a loss, sd s from row to row, moves the end of a lag by ``R s sqrt(dt/(2 tau))`` (3); s by the
    median of the steps, which changes of load do not touch.
    """
    worst = ("", 0.0)
    for run in problem.runs:
        span = float(np.nanmax(run.temp_c) - np.nanmin(run.temp_c))
        share = math.sqrt(float(np.median(np.diff(run.time_s))) / (2.0 * float(tau[-1])))
        for j in range(problem.kinds):
            scatter = 1.4826 * float(np.median(np.abs(np.diff(run.loss_w[:, j])))) / math.sqrt(2.0)
            wander = abs(float(R[j].sum())) * scatter * share
            if wander > max(WORST_WANDER * span, worst[1]):
                worst = (f"{scatter:.3g} W from row to row moves the curve by {wander:.2g} K", wander)
    return (f"{NOISY}: its scatter of {worst[0]}; take longer means, or the current",) if worst[0] else ()
