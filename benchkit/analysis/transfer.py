"""From the small motor to the big one: what the inverter will lose there, how sure that is, and whether it came true.

The losses of the inverter are separated on what it has run (:mod:`benchkit.analysis.loss_terms`): a small motor, a
locked rotor, inductors, or field-weakening current, which loads the inverter without power. The sum is then asked for
other currents, voltages, frequencies and coolant. What lies outside the measured box is marked, by each variable, and
by the leverage: how far the point lies along directions of which the measured points say little, even where every
variable for itself is inside.

Source: (1) least squares through zero, derived here; leverage, textbook of regression, its use over that of the
measured points a rule of this project.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.bounded import covariance_of
from benchkit.analysis.loss_terms import JUNCTION, LossData, SeparatedLoss, Variables, of_draws
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate

FloatArray = npt.NDArray[np.float64]

COOLANT = "coolant_c"
"""Coolant temperature at the inlet of the inverter [°C]: a load may give it in place of its junction temperature."""
EDGE = 0.01
"""A variable counts as inside up to this share of its largest measured value beyond it."""
FAR = 1.5
"""Leverage from which a point inside the box is extrapolated all the same: so many times the farthest point's."""
BLUNT = 0.25
"""Share of the loss that a difference must reach to be seen, from which a test says little."""
DISAGREES = 0.05
"""Below this p-value the first run does not bear the prediction out."""
_TURNS = 60


@dataclass(frozen=True, slots=True)
class Outside:
    """One variable that lies outside what was measured: ``by`` is the distance in widths of the measured range (NaN
    where only one value was measured), ``ratio`` the value over the nearest measured one."""

    variable: str
    value: float
    low: float
    high: float
    by: float
    ratio: float


@dataclass(frozen=True, slots=True)
class TransferPrediction:
    """Predicted loss of one load, with its 95 % interval and how far it lies from what was measured."""

    label: str
    variables: Mapping[str, float]
    loss_w: Estimate
    junction_c: Estimate | None
    """Where the load gave the coolant in place of it."""
    outside: tuple[Outside, ...]
    leverage: float
    """u of the prediction from scatter, over the largest such u at a measured point (1)."""

    @property
    def is_extrapolated(self) -> bool:
        """True outside the measured box, or where the leverage is above :data:`FAR`."""
        return bool(self.outside) or self.leverage > FAR


@dataclass(frozen=True, slots=True)
class TransferPoint:
    """One point of the run that tests a prediction: ``z`` is the difference over its standard uncertainty."""

    prediction: TransferPrediction
    measured_w: Estimate
    difference_w: Estimate
    z: float


@dataclass(frozen=True, slots=True)
class TransferTest:
    """A run against its prediction. ``chi2`` counts that errors go through all points."""

    points: tuple[TransferPoint, ...]
    chi2: float
    dof: int
    p_value: float
    mean_difference_w: Estimate
    verdict: str

    @property
    def is_blunt(self) -> bool:
        """True where the prediction is so wide that a run can hardly contradict it."""
        return _sharpness(self.points) > BLUNT

    @property
    def agrees(self) -> bool:
        """True where the run does not contradict the prediction."""
        return self.p_value >= DISAGREES


def junction_resistance(data: LossData) -> Estimate:
    """Thermal resistance from coolant to junction [K/W]: ``R = sum P (T_j - T_c) / sum P²`` (1).

    Its uncertainty holds the scatter about the line and the common errors of temperatures and loss. It belongs to the
    coolant flow at which it was measured.

    Raises:
        UsageError: junction or coolant temperature was not measured.
    """
    for name in (JUNCTION, COOLANT):
        if name not in data.variables:
            raise UsageError(
                "the junction cannot be told from the coolant",
                where=name,
                got="not measured",
                remedy="Give the junction temperature of each load.",
            )
    P, rise = data.loss_w, data.variables[JUNCTION] - data.variables[COOLANT]
    weight = P / float(np.sum(P**2))
    R = float(weight @ rise)
    rest = rise - R * P
    lines = {"scatter about the line": float(np.std(rest, ddof=1)) * float(np.sqrt(np.sum(weight**2)))}
    zero = np.zeros(len(data))
    for cause, moved in data.common.items():
        change = moved.get(JUNCTION, zero) - moved.get(COOLANT, zero) - R * moved.get("loss_w", zero)
        lines[cause] = abs(float(weight @ change))
    return _with_budget(R, lines, "K/W")


def _with_budget(value: float, lines: Mapping[str, float], unit: str) -> Estimate:
    budget = sorted((Contribution(name, u) for name, u in lines.items() if u > 0.0), key=lambda line: -line.u)
    return Estimate(value, math.sqrt(sum(line.u**2 for line in budget)), unit, budget=tuple(budget))


def predict(
    separated: SeparatedLoss, loads: Variables, labels: Sequence[str] = (), *, seed: int = 2
) -> tuple[TransferPrediction, ...]:
    """Predicted loss of each load with its 95 % interval.

    Where loads give ``coolant_c`` and no ``junction_c``, the junction settles with the loss:
    ``T_j = T_c + R P(T_j)`` (2), solved for every draw, R from :func:`junction_resistance`.

    Args:
        separated: losses separated on the measured points.
        loads: variables by name (m,), as the terms need them.
        labels: m names.

    Raises:
        UsageError: a variable is missing or not finite, or the junction runs away.
    """
    variables = {name: np.atleast_1d(np.asarray(v, dtype=np.float64)) for name, v in loads.items()}
    needed = {name for term in separated.terms for name in term.needs}
    settles = JUNCTION in needed and JUNCTION not in variables and COOLANT in variables
    for name in sorted(needed - ({JUNCTION} if settles else set())):
        if name not in variables:
            raise UsageError(
                "a load does not say all that the loss depends on", where=name, expected=", ".join(sorted(needed))
            )
    size = next(iter(variables.values())).size
    if any(v.shape != (size,) or not np.all(np.isfinite(v)) for v in variables.values()):
        raise UsageError("loads are finite numbers, one for each load and variable")
    junction = None
    if settles:
        junction = _settled(separated, variables, seed)
        variables |= {JUNCTION: junction.mean(axis=0)}
    draws = separated.draws_at(variables)
    if junction is not None:  # the loss of each draw at the junction temperature of that draw
        draws = draws + _by_junction(separated, variables) * (junction - variables[JUNCTION])
    X = separated.design_at(variables)
    leverage = _leverage(separated, X)
    names = list(labels) or [f"L{i + 1}" for i in range(size)]
    found = []
    for i in range(size):
        estimate = of_draws(draws[:, i], "W")
        loss = Estimate(
            estimate.value, estimate.u, "W", budget=_budget(separated, X[i], estimate.u), interval95=estimate.interval95
        )
        found.append(
            TransferPrediction(
                names[i],
                {name: float(v[i]) for name, v in variables.items()},
                loss,
                None if junction is None else of_draws(junction[:, i], "°C"),
                outside_of(separated.data, {name: float(v[i]) for name, v in variables.items()}, needed),
                float(leverage[i]),
            )
        )
    return tuple(found)


def _settled(separated: SeparatedLoss, variables: Variables, seed: int) -> FloatArray:
    """Junction temperature by draw and load (draws, m)."""
    R = junction_resistance(separated.data)
    rng = np.random.default_rng(seed)
    r = R.value + R.u * rng.standard_normal((separated.fit.draws.shape[0], 1))
    coolant = variables[COOLANT]
    cold = separated.draws_at({**variables, JUNCTION: coolant})
    slope = separated.draws_at({**variables, JUNCTION: coolant + 1.0}) - cold
    # the loss is a straight line over the junction temperature: T = T_c + r (P_c + slope (T - T_c))
    if float(np.quantile(r * slope, 0.999)) >= 1.0:
        raise UsageError(
            "the junction may run away: by these points its loss could rise with temperature faster than the coolant "
            "takes it",
            remedy="Ask for less current, give junction_temp, or measure at a colder and a warmer coolant.",
        )
    return np.asarray(coolant + r * cold / (1.0 - r * slope))


def _by_junction(separated: SeparatedLoss, variables: Variables) -> FloatArray:
    """Derivative of the loss by the junction temperature (draws, m) [W/K]."""
    warmer = {**variables, JUNCTION: variables[JUNCTION] + 1.0}
    return separated.draws_at(warmer) - separated.draws_at(variables)


def outside_of(data: LossData, load: Mapping[str, float], names: set[str] | None = None) -> tuple[Outside, ...]:
    """The variables of one load that lie outside the measured box, the farthest first.

    Values are in the unit of the variable; ``by`` [1] is the distance beyond the box over its span, ``ratio`` [1] the
    value over the nearest end. A hair of rounding beyond the end counts as inside.
    """
    found = []
    for name, values in data.variables.items():
        if name not in load or (names is not None and name not in names):
            continue
        low, high, value = float(values.min()), float(values.max()), load[name]
        hair = EDGE * max(abs(low), abs(high))
        if low - hair <= value <= high + hair:
            continue
        near = high if value > high else low
        span = high - low
        found.append(
            Outside(
                name,
                value,
                low,
                high,
                abs(value - near) / span if span > hair else math.nan,
                value / near if near else math.inf,
            )
        )
    return tuple(sorted(found, key=lambda o: -o.by if math.isfinite(o.by) else -math.inf))


def _leverage(separated: SeparatedLoss, X: FloatArray) -> FloatArray:
    """``sqrt(xᵀ (XᵀV⁻¹X)⁻¹ x)`` of each load over the largest of the measured points (m,); inf where the points say
    nothing of a direction of the load."""
    P = separated.fit.precision
    scale = np.sqrt(np.diag(P))
    scale[scale == 0.0] = 1.0
    values, vectors = np.linalg.eigh(P / np.outer(scale, scale))
    known = values > 1e-10 * values.max()
    measured = separated.design_at(separated.data.variables)

    def along(rows: FloatArray) -> FloatArray:
        turned = (rows / scale) @ vectors
        return np.asarray(np.sqrt(np.sum(turned[:, known] ** 2 / values[known], axis=1)))

    missed = (X / scale) @ vectors[:, ~known]
    whole = np.linalg.norm(X / scale, axis=1)
    blind = np.linalg.norm(missed, axis=1) > 1e-3 * np.where(whole > 0.0, whole, 1.0)
    return np.where(blind, np.inf, along(X) / float(np.max(along(measured))))


def _budget(separated: SeparatedLoss, x: FloatArray, u: float) -> tuple[Contribution, ...]:
    """Where the uncertainty of one prediction comes from; the rest is what only the signs and the prior bound."""
    row = x @ separated.fit.gain
    widen = math.sqrt(separated.fit.inflated)
    lines = {"scatter of the points": widen * float(np.linalg.norm(row * separated.data.u_w))}
    lines |= {cause: widen * abs(float(row @ shift)) for cause, shift in separated.causes.items()}
    rest = u**2 - sum(v**2 for v in lines.values())
    if rest > 0.0:
        lines["not told apart by the points"] = math.sqrt(rest)
    return tuple(sorted((Contribution(n, v) for n, v in lines.items() if v > 0.0), key=lambda line: -line.u))


def check_transfer(separated: SeparatedLoss, measured: LossData) -> TransferTest:
    """Does a run bear out what was predicted for its currents, voltages, frequencies and temperatures?

    ``d = P_measured - P_predicted``, ``z_i = d_i / u(d_i)`` (3), ``chi² = dᵀ C⁻¹ d`` (4) with C the covariance of the
    prediction (joint over all points), the scatter of the run and its common errors. Errors of instruments that served
    in both runs cancel in part; they are counted in full in both, so the test is a little blunt, never too sharp.

    Raises:
        UsageError: no point, or a variable that the terms need is missing.
    """
    if len(measured) == 0:
        raise UsageError("the run that is to test the prediction has no point with a loss")
    loads = {name: v for name, v in measured.variables.items() if name != COOLANT or JUNCTION not in measured.variables}
    predicted = predict(separated, loads, measured.labels)
    known = {**measured.variables, **{JUNCTION: np.array([p.variables.get(JUNCTION, math.nan) for p in predicted])}}
    law = separated.draws_at(known)
    shifts = []
    base = separated.best_at(known)
    for moved in measured.common.values():
        by_terms = separated.best_at({n: v + moved[n] if n in moved else v for n, v in known.items()}) - base
        shifts.append(moved.get("loss_w", np.zeros(len(measured))) - by_terms)
    own = covariance_of(measured.u_w, np.array(shifts).reshape(len(shifts), len(measured)))
    C = np.atleast_2d(np.cov(law, rowvar=False)) + own
    d = measured.loss_w - np.array([p.loss_w.value for p in predicted])
    u = np.sqrt(np.diag(C))
    from scipy.special import gammaincc

    chi2 = float(d @ np.linalg.solve(C, d))
    dof = len(measured)
    p_value = float(gammaincc(0.5 * dof, 0.5 * chi2))
    points = tuple(
        TransferPoint(
            prediction,
            Estimate(float(measured.loss_w[i]), float(np.sqrt(own[i, i])), "W"),
            Estimate(float(d[i]), float(u[i]), "W"),
            float(d[i] / u[i]),
        )
        for i, prediction in enumerate(predicted)
    )
    mean = Estimate(float(d.mean()), float(np.sqrt(C.mean())), "W")
    return TransferTest(points, chi2, dof, p_value, mean, _verdict(points, mean, p_value))


def _sharpness(points: Sequence[TransferPoint]) -> float:
    """Smallest share of the loss that the test sees, by the median point: two standard uncertainties."""
    return 2.0 * float(np.median([p.difference_w.u / abs(p.prediction.loss_w.value) for p in points]))


def _verdict(points: Sequence[TransferPoint], mean: Estimate, p_value: float) -> str:
    worst = max(points, key=lambda point: abs(point.z))
    share = _sharpness(points)
    count = f"{len(points)} point{'s' if len(points) != 1 else ''}"
    sharp = f"The test sees differences of about {100.0 * share:.0f} % of the loss and more"
    if share > BLUNT:
        sharp += ": the prediction is so wide that it could hardly be wrong; measure more on the small motor"
    if p_value >= DISAGREES:
        return (
            f"The run bears the prediction out: over {count} the measured loss is {mean.value:+.1f} W from it on "
            f"average (u = {mean.u:.1f} W), at most {abs(worst.z):.1f} standard uncertainties off "
            f"({worst.prediction.label}); p = {p_value:.2g}. {sharp}."
        )
    way = "more" if mean.value > 0.0 else "less"
    return (
        f"The run does not bear the prediction out: over {count} it lost {abs(mean.value):.1f} W {way} on average "
        f"(u = {mean.u:.1f} W), {abs(worst.z):.1f} standard uncertainties at {worst.prediction.label}; "
        f"p = {p_value:.2g}. Do not use the prediction. Look first at temperatures, the switching frequency that was "
        "set, and instruments that were changed between the runs; then separate the losses anew with the points of "
        "this run."
    )
