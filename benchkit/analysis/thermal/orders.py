"""How many nodes a record shows: by what each order predicts of readings it has not seen. Bootstrap and profile too.

Source: left-out prediction and the profile of a sum of squares, textbook statistics; what counts as better is a rule of
this project; a fixed part and a film that goes with a power of the flow, common practice, no source, its exponent
Dittus and Boelter (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.fit import MOST_NODES, NOISY, NetworkFit, fit_network
from benchkit.analysis.thermal.lags import decays
from benchkit.analysis.thermal.memory import memory_of
from benchkit.analysis.thermal.projection import At, Problem
from benchkit.analysis.thermal.runs import ThermalRun, part_of
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

SEEN = 0.6
"""Share of a single run that is fitted; the rest is predicted. Also the least share of a run that is scored."""
START_SEEN = 0.2
"""Share of a left-out run from which its start is taken (no parameter is)."""
TOLD_APART = 2.0
"""An order with parameters that the record does not determine is taken only where all others predict worse by more
than this factor (a rule of this project)."""
NO_BETTER = 1.05
"""The lowest order within this factor of the best prediction is taken (a rule of this project)."""


@dataclass(frozen=True, slots=True, eq=False)
class OrderRow:
    """One order: the fit of all readings, and how well it predicts readings left out, RMS [K]."""

    order: int
    fit: NetworkFit | None
    fitted_rms_k: float
    predicted_rms_k: float
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class OrderChoice:
    """Every order that was tried, and the one that was taken. ``by`` says what was left out."""

    rows: tuple[OrderRow, ...]
    order: int
    by: str

    @property
    def fit(self) -> NetworkFit:
        """Fit of the order that was taken, to all readings."""
        found = next(row.fit for row in self.rows if row.order == self.order)
        assert found is not None
        return found


def choose_order(
    runs: Sequence[ThermalRun],
    orders: Sequence[int] = tuple(range(1, MOST_NODES + 1)),
    *,
    u_sensor_k: float = 0.0,
    u_loss_relative: float = 0.0,
) -> OrderChoice:
    """The lowest order [nodes] that predicts left-out readings within 5 % of the best, by their RMS [K].

    An order that the record determines goes before one that it does not, unless it predicts less than half as well;
    where it determines none, the lowest that predicts at least half as well is taken, and where all losses are too
    noisy, the lowest of all.

    Of several runs each is left out in turn: its start is taken from its first fifth, the rest is scored. Of a single
    run the first 60 % are fitted and the rest is predicted from losses and coolant alone.

    A higher order always fits better; it does not always predict better, and where it does not it would tell of bodies
    that are not there.

    Raises:
        UsageError: no order could be fitted.
    """
    rows = []
    for order in orders:
        try:
            fit = fit_network(runs, order, u_sensor_k=u_sensor_k, u_loss_relative=u_loss_relative)
            predicted = _left_out(runs, fit)
            rows.append(OrderRow(order, fit, fit.residual_rms_k, predicted, "; ".join(fit.notes)))
        except UsageError as error:
            rows.append(OrderRow(order, None, math.nan, math.nan, str(error)))
    usable = [row for row in rows if row.fit is not None and math.isfinite(row.predicted_rms_k)]
    if not usable:
        raise UsageError("no network could be fitted", got="; ".join(row.note for row in rows))
    best = min(row.predicted_rms_k for row in usable)
    told = [row for row in usable if not row.note and row.predicted_rms_k <= TOLD_APART * best]
    usable = told or usable
    best = min(row.predicted_rms_k for row in usable)
    # where the record determines none, a further node has to earn its place by more; none of scatter does
    worse = NO_BETTER if told else TOLD_APART
    if all(NOISY in row.note for row in usable):
        worse = 1e9
    order = min(row.order for row in usable if row.predicted_rms_k <= worse * best)
    by = "each run left out in turn" if len(runs) > 1 else f"the last {100 * (1 - SEEN):.0f} % of the run left out"
    return OrderChoice(tuple(rows), order, by)


def _left_out(runs: Sequence[ThermalRun], whole: NetworkFit) -> float:
    """The search begins where that over all readings ended; it ends where the readings it may see say."""
    order, begin = whole.order, whole.tau_s.tolist()
    if len(runs) == 1:
        run = runs[0]
        cut = run.time_s[0] + SEEN * (run.time_s[-1] - run.time_s[0])
        seen = fit_network([part_of(run, run.time_s <= cut)], order, start_tau_s=begin)
        later = run.time_s > cut
        error = run.temp_c[later] - predict(seen, run, seen.starts[0])[later]
        return _rms(error)
    errors = []
    for k, run in enumerate(runs):
        rest = [other for i, other in enumerate(runs) if i != k]
        errors.append(left_out_error(fit_network(rest, order, start_tau_s=begin), run))
    return _rms(np.concatenate(errors))


def left_out_error(fit: NetworkFit, run: ThermalRun) -> FloatArray:
    """Measured less predicted [K] over the last 80 % of a run that was not fitted; its start from the first fifth."""
    cut = run.time_s[0] + START_SEEN * (run.time_s[-1] - run.time_s[0])
    first = (run.time_s <= cut) & np.isfinite(run.temp_c)
    from_rest = predict(fit, run, np.zeros(fit.order))
    if run.from_rest:
        return np.asarray((run.temp_c - from_rest)[run.time_s > cut])
    columns = np.stack([decays(run.time_s, float(tau)) for tau in fit.tau_s], axis=1)
    starts = np.linalg.lstsq(columns[first], (run.temp_c - from_rest)[first], rcond=1e-8)[0]
    return np.asarray((run.temp_c - from_rest - columns @ starts)[run.time_s > cut])


def predict(fit: NetworkFit, run: ThermalRun, starts_k: FloatArray) -> FloatArray:
    """Temperature (n,) [°C] of equation (1) of :mod:`~benchkit.analysis.thermal.fit` for the inputs of a run."""
    quiet = ThermalRun(run.time_s, np.zeros(run.time_s.size), run.reference_c, run.loss_w, run.name)
    problem = Problem([quiet])
    at = [problem.of_one(float(tau)) for tau in fit.tau_s]
    from benchkit.analysis.thermal.networks import reference_weights

    out = np.full(run.time_s.shape, float(run.reference_c[0]))
    for i, ((X, known), w) in enumerate(zip(at, reference_weights(fit.tau_s), strict=True)):
        out += X[:, :-1] @ fit.resistance_k_w[:, i] + X[:, -1] * starts_k[i] + w * known
    return out


def _rms(values: FloatArray) -> float:
    good = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(good**2))) if good.size else math.nan


# --------------------------------------------------------------------------------------------------- uncertainty
def bootstrap(runs: Sequence[ThermalRun], fit: NetworkFit, *, draws: int = 200, seed: int = 0) -> FloatArray:
    """Parameters (draws, p) of fits to records with drawn residuals: ln tau, then R [K/W], as
    ``NetworkFit.parameters``.

    Residuals are drawn in stretches of several memory times (moving blocks), so that drawn records remember as the
    measured one does. Calibration is not drawn: it moves all readings alike and is in ``covariance`` alone.

    Source: H. R. Künsch, Annals of Statistics 17 (1989) 1217, doi 10.1214/aos/1176347265.
    """
    rng = np.random.default_rng(seed)
    found = np.full((draws, fit.parameters.size), np.nan)
    # small samples: residuals of a fit are a little smaller than the errors they stand for
    grow = math.sqrt((fit.dof + fit.order * (1 + fit.kinds + len(runs))) / fit.dof)
    for draw in range(draws):
        drawn = []
        for run, left in zip(runs, fit.residuals, strict=True):
            good = np.isfinite(left)
            errors = left[good]
            length = int(min(max(8.0 * memory_of(errors).time, 10.0), errors.size / 2))
            firsts = rng.integers(0, errors.size - length + 1, size=errors.size // length + 1)
            noise = (errors - errors.mean())[(firsts[:, None] + np.arange(length)).ravel()[: errors.size]]
            temp = run.temp_c.copy()
            temp[good] += grow * noise - left[good]
            drawn.append(replace(run, temp_c=temp))
        try:
            found[draw] = fit_network(drawn, fit.order, start_tau_s=fit.tau_s.tolist()).parameters
        except (UsageError, np.linalg.LinAlgError):
            continue
    return found


def profile_tau(runs: Sequence[ThermalRun], fit: NetworkFit, i: int, tau_s: npt.ArrayLike) -> FloatArray:
    """Sum of squares over that of the best fit, less one, times the independent readings [1]: a profile of tau i.

    ``dof (S(tau_i)/S_min - 1)``, one for each of ``tau_s`` (m,) [s].

    For each given time constant the others and all linear parameters are fitted anew. Below 3.84 a value lies inside
    the 95 % region (chi² with one degree of freedom). A profile that stays low to one side says that the record gives
    a bound and no value.
    """
    from scipy.optimize import least_squares

    problem = Problem(runs)
    best = float(np.sum(At(problem, fit.tau_s).left ** 2))
    out = []
    others = np.delete(np.log(fit.tau_s), i)
    for value in np.atleast_1d(np.asarray(tau_s, dtype=np.float64)):

        def left(x: FloatArray, value: float = float(value)) -> FloatArray:
            return At(problem, np.insert(np.exp(x), i, value)).left

        rest = left(others) if others.size == 0 else least_squares(left, others, xtol=1e-6, max_nfev=20).fun
        out.append(fit.dof * (float(np.sum(rest**2)) / best - 1.0))
    return np.asarray(out)


# ------------------------------------------------------------------------------------------------- coolant flow
@dataclass(frozen=True, slots=True)
class FlowLaw:
    """Thermal resistance against coolant flow: ``R = R_0 + R_1 (q/q_0)^-m`` (1), q in L/min, R in K/W.

    ``flow_min_lpm`` and ``flow_max_lpm`` are the ends of what was tested: outside the law is NaN.
    """

    fixed: Estimate
    film: Estimate
    exponent: Estimate
    nominal_lpm: float
    flow_min_lpm: float
    flow_max_lpm: float
    correlation: tuple[tuple[float, ...], ...]

    def resistance(self, flow_lpm: float) -> Estimate:
        """R [K/W] (1) with its uncertainty at a flow [L/min]; NaN outside the tested flows."""
        from benchkit.analysis.uncertainty import propagate

        if not self.flow_min_lpm <= flow_lpm <= self.flow_max_lpm:
            return Estimate(math.nan, math.nan, "K/W")
        share = flow_lpm / self.nominal_lpm
        return propagate(
            lambda fixed, film, m: fixed + film * share**-m,
            (self.fixed, self.film, self.exponent),
            self.correlation,
            ("fixed part", "film part", "exponent"),
            unit="K/W",
        )


FILM_EXPONENT = 0.8
"""Nusselt number of turbulent duct flow goes with Re^0.8 (Dittus and Boelter, from memory)."""


def flow_law(flow_lpm: Sequence[float], resistance: Sequence[Estimate], exponent: float | None = None) -> FlowLaw:
    """Law (1) through resistances [K/W] that were fitted at different coolant flows [L/min].

    With four flows or more the exponent is fitted; below that it is ``exponent``, or :data:`FILM_EXPONENT`.

    Raises:
        UsageError: fewer than two different flows, a flow that is not positive, or points that give no such law.
    """
    from benchkit.analysis.fitting import fit_linear, fit_nonlinear

    q = np.asarray(flow_lpm, dtype=np.float64)
    R = np.array([r.value for r in resistance])
    u = np.array([r.u for r in resistance])
    if np.unique(q).size < 2 or not np.all(q > 0.0):
        raise UsageError("a law of coolant flow needs two different flows", got=q.tolist(), expected="positive, L/min")
    nominal = float(np.exp(np.mean(np.log(q))))
    share = q / nominal
    m = FILM_EXPONENT if exponent is None else exponent
    line = fit_linear(np.stack([np.ones(q.size), share**-m], axis=1), R, u)
    parameters, covariance, dof = np.append(line.parameters, m), np.zeros((3, 3)), float(line.dof) or math.inf
    covariance[:2, :2] = line.covariance
    if exponent is None and np.unique(q).size >= 4:
        bent = fit_nonlinear(lambda b: b[0] + b[1] * share ** -b[2], parameters.tolist(), R, u)
        parameters, covariance, dof = bent.parameters, bent.covariance, float(bent.dof) or math.inf
    if not parameters[1] > 0.0:
        raise UsageError(
            "the resistance does not fall with the flow",
            got=", ".join(f"{a:.3g} K/W at {b:.3g} L/min" for a, b in zip(R, q, strict=True)),
            remedy="Check the flow meter, or use one resistance for all flows.",
        )
    spread = np.sqrt(np.diag(covariance))
    outer = np.outer(spread, spread)
    r = np.divide(covariance, outer, out=np.eye(3), where=outer > 0.0)
    fixed, film, power = (
        Estimate(float(v), float(s), unit, dof)
        for v, s, unit in zip(parameters, spread, ("K/W", "K/W", "1"), strict=True)
    )
    return FlowLaw(
        fixed, film, power, nominal, float(q.min()), float(q.max()), tuple(tuple(map(float, row)) for row in r)
    )
