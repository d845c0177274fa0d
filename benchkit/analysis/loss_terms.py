"""Losses of inverter and motor as a sum of physical terms in current, voltage, frequency, speed and temperature.

Unlike a map over speed and torque (:mod:`benchkit.analysis.losses`), such a sum belongs to the inverter or the winding
itself, so it can be carried to another load. Inverter, with I the RMS phase current, U the DC-link voltage, f the
switching frequency and T_j the junction temperature:

``P = p_0 + v I + (r_a + r_b (1 + 0.01/K (T_j - 25 °C))) I² + (U/U_0)^k (f/f_0) (e_0 + e_1 I + e_2 I²)`` (1)

``p_0`` control and gate drive; ``v`` threshold; ``e_0`` switching that does not need current (charging the output
capacitances), ``e_1``, ``e_2`` switching of a current. The resistance ``r_a + r_b`` at 25 °C rises by
``0.01/K r_b / (r_a + r_b)``: with neither part negative, by 0 to 1 % per kelvin, which holds what devices do. Common
practice in data sheets of power modules; the exponent k of the voltage lies between 1 and about 1.4 there (both from
memory).

Motor, with n the speed, T_w the winding temperature:

``P = r_20 (K + T_w)/(K + 20) I² + c_1 n + c_2 n² + c_3 n³ + s I² n`` (2)

copper; hysteresis and dry friction; eddy currents and viscous friction; windage; stray load loss. By speed alone
hysteresis cannot be told from dry friction (:mod:`benchkit.analysis.no_load`). With ``flux_ratio`` measured the iron
parts go with its square and come apart.

No coefficient of a loss is negative: the fit keeps to that (:mod:`benchkit.analysis.bounded`).

Source: (1) common practice in data sheets of power modules (from memory); (2) textbook of electrical machines, K =
234.5 °C for copper after IEEE 112 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.analysis.bounded import DRAWS, BoundedFit, covariance_of, fit_bounded
from benchkit.analysis.thermal import COPPER_IEEE
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]
Variables = Mapping[str, FloatArray]

CURRENT, VOLTAGE, FREQUENCY, JUNCTION = "current_a", "dc_voltage_v", "switching_frequency_hz", "junction_c"
SPEED, TORQUE, WINDING, FLUX = "speed_rpm", "torque_nm", "winding_c", "flux_ratio"
REFERENCE: Mapping[str, float] = {CURRENT: 100.0, FREQUENCY: 16_000.0, SPEED: 1000.0, TORQUE: 100.0}
"""A coefficient is the loss of its term [W] at these values (and at 25 °C junction, 20 °C winding). Voltages refer to
the middle of the data, ``voltage_0_v``."""
STEEPEST = 0.01
"""Largest relative rise of a conduction resistance with temperature [1/K]: beyond what devices do (from memory)."""
JUNCTION_C = 25.0
"""Reference temperature of the conduction resistance [°C]."""
EXPONENT = (1.2, 0.3)
"""Voltage exponent of switching before any data, and its standard uncertainty (data sheets, from memory)."""
REFUSED = 0.001
"""A model whose lack of fit has a smaller p-value is refused: one false alarm in a thousand."""
_TURNS = 12
_EXPONENTS = (0.2, 3.0)
"""Where the search of k may go: far beyond what devices do."""


@dataclass(frozen=True, slots=True)
class Term:
    """One term: ``factor(variables)`` gives its column per coefficient; ``with_exponent``: times ``(U/U_0)^k``."""

    name: str
    label: str
    needs: tuple[str, ...]
    factor: Callable[[Variables], FloatArray]
    with_exponent: bool = False


def _i(v: Variables) -> FloatArray:
    return v[CURRENT] / REFERENCE[CURRENT]


def _n(v: Variables) -> FloatArray:
    return np.asarray(np.abs(v[SPEED]) / REFERENCE[SPEED])


def _f(v: Variables) -> FloatArray:
    return v[FREQUENCY] / REFERENCE[FREQUENCY]


def _hot(v: Variables) -> FloatArray:
    return (COPPER_IEEE + v[WINDING]) / (COPPER_IEEE + 20.0)


_UF, _UFI = (VOLTAGE, FREQUENCY), (CURRENT, VOLTAGE, FREQUENCY)
INVERTER_TERMS: tuple[Term, ...] = (
    Term("standing", "no load: control, gate drive", (CURRENT,), lambda v: np.ones_like(v[CURRENT])),
    Term("switching_0", "no load: switching", _UF, _f, True),
    Term("threshold", "conduction: threshold", (CURRENT,), _i),
    Term("resistance", "conduction: resistance that keeps its value", (CURRENT,), lambda v: _i(v) ** 2),
    Term(
        "resistance_warm",
        "conduction: resistance that rises 1 % per K, at 25 °C",
        (CURRENT, JUNCTION),
        lambda v: _i(v) ** 2 * (1.0 + STEEPEST * (v[JUNCTION] - JUNCTION_C)),
    ),
    Term("switching_1", "switching, with the current", _UFI, lambda v: _f(v) * _i(v), True),
    Term("switching_2", "switching, with its square", _UFI, lambda v: _f(v) * _i(v) ** 2, True),
)
MOTOR_TERMS: tuple[Term, ...] = (
    Term("copper", "copper at 20 °C", (CURRENT, WINDING), lambda v: _i(v) ** 2 * _hot(v)),
    Term("copper_cold", "copper, temperature not known", (CURRENT,), lambda v: _i(v) ** 2),
    Term("constant", "iron and friction at one speed", (CURRENT,), lambda v: np.ones_like(v[CURRENT])),
    Term("speed", "hysteresis and dry friction", (SPEED,), _n),
    Term("speed_2", "eddy currents and viscous friction", (SPEED,), lambda v: _n(v) ** 2),
    Term("speed_3", "windage", (SPEED,), lambda v: _n(v) ** 3),
    Term("hysteresis", "iron: hysteresis", (SPEED, FLUX), lambda v: _n(v) * v[FLUX] ** 2),
    Term("eddy", "iron: eddy currents", (SPEED, FLUX), lambda v: _n(v) ** 2 * v[FLUX] ** 2),
    Term("stray", "stray load loss", (CURRENT, SPEED), lambda v: _i(v) ** 2 * _n(v)),
    Term("stray_torque", "stray load loss", (TORQUE,), lambda v: (v[TORQUE] / REFERENCE[TORQUE]) ** 2),
)
_BY_NAME = {term.name: term for term in (*INVERTER_TERMS, *MOTOR_TERMS)}
INVERTER = tuple(term.name for term in INVERTER_TERMS)
"""Terms of (1)."""
SWITCHING = ("switching_0", "switching_1", "switching_2")
MOTOR = ("copper", "speed", "speed_2", "speed_3", "stray")
"""Terms of (2)."""


@dataclass(frozen=True, slots=True, eq=False)
class LossData:
    """Measured losses with what they depend on, n points.

    ``variables`` by name (n,); ``loss_w`` (n,); ``u_w`` scatter of the loss from point to point (n,), scatter of the
    variables included. ``common`` holds by cause what one standard uncertainty of an error that all points share
    moves: ``"loss_w"`` and any variable (n,). ``labels`` names the points.
    """

    variables: Variables
    loss_w: FloatArray
    u_w: FloatArray
    common: Mapping[str, Mapping[str, FloatArray]] = field(default_factory=dict)
    labels: tuple[str, ...] = ()

    def __len__(self) -> int:
        return int(self.loss_w.size)


@dataclass(frozen=True, slots=True, eq=False)
class SeparatedLoss:
    """Losses separated into terms, and what is needed to predict with them.

    ``fit`` has the coefficients in the order of ``terms`` [W at the reference], then k where it was fitted.
    """

    terms: tuple[Term, ...]
    fit: BoundedFit
    coefficients: tuple[Estimate, ...]
    exponent: Estimate | None
    voltage_0_v: float
    data: LossData
    causes: Mapping[str, FloatArray]
    """By cause what a common error moves each point off the terms (n,) [W]."""

    @property
    def is_refused(self) -> bool:
        """True where the points lie off the terms by more than the stated errors allow (p below :data:`REFUSED`)."""
        return self.fit.p_value < REFUSED

    @property
    def told_apart(self) -> tuple[bool, ...]:
        """By term: is its coefficient more than two standard uncertainties from zero?"""
        return tuple(c.value > 2.0 * c.u for c in self.coefficients)

    @property
    def resistance_per_k(self) -> Estimate | None:
        """Relative rise of the conduction resistance with temperature, about 25 °C [1/K]; None where not fitted."""
        at = {term.name: j for j, term in enumerate(self.terms)}
        if "resistance" not in at or "resistance_warm" not in at:
            return None
        a, b = self.fit.draws[:, at["resistance"]], self.fit.draws[:, at["resistance_warm"]]
        whole = a + b
        return of_draws(STEEPEST * b[whole > 0.0] / whole[whole > 0.0], "1/K") if np.any(whole > 0.0) else None

    def design_at(self, variables: Variables) -> FloatArray:
        """Design (m, p) about the best coefficients at m places, with the column of k where it was fitted."""
        best, count = self.fit.best, len(self.terms)
        k = float(best[-1]) if self.exponent is not None else 0.0
        X = _design(self.terms, variables, k, self.voltage_0_v)
        if self.exponent is None:
            return X
        return np.column_stack([X, _by_exponent(self.terms, variables, best[:count], k, self.voltage_0_v)])

    def best_at(self, variables: Variables) -> FloatArray:
        """Loss [W] of the best coefficients at m places (m,)."""
        count = len(self.terms)
        k = float(self.fit.best[-1]) if self.exponent is not None else 0.0
        return np.asarray(_design(self.terms, variables, k, self.voltage_0_v) @ self.fit.best[:count])

    def draws_at(self, variables: Variables) -> FloatArray:
        """Loss [W] by draw of the coefficients (draws, m) at m places."""
        return np.asarray(np.sum(list(self._parts(variables)), axis=0))

    def parts_at(self, variables: Variables) -> dict[str, tuple[Estimate, ...]]:
        """Loss of each term [W] by its name at m places, m estimates each."""
        return {
            term.name: tuple(of_draws(column, "W") for column in part.T)
            for term, part in zip(self.terms, self._parts(variables), strict=True)
        }

    def _parts(self, variables: Variables) -> Iterator[FloatArray]:
        b, size = self.fit.draws, _size(variables)
        for j, term in enumerate(self.terms):
            column = np.broadcast_to(term.factor(variables), (size,))[None, :] * b[:, j : j + 1]
            if term.with_exponent:
                column = column * np.exp(b[:, -1:] * np.log(variables[VOLTAGE] / self.voltage_0_v)[None, :])
            yield np.asarray(column)


def of_draws(values: FloatArray, unit: str) -> Estimate:
    """Mean, standard deviation and 95 % interval (equal tails) of draws (m,), in the unit given."""
    low, high = np.quantile(values, [0.025, 0.975])
    return Estimate(float(values.mean()), float(values.std()), unit, interval95=(float(low), float(high)))


def _size(variables: Variables) -> int:
    return int(np.size(next(iter(variables.values()))))


def _design(terms: Sequence[Term], v: Variables, k: float, voltage_0: float) -> FloatArray:
    size = _size(v)
    columns = []
    for term in terms:
        column = np.broadcast_to(term.factor(v), (size,))
        columns.append(column * (v[VOLTAGE] / voltage_0) ** k if term.with_exponent else column)
    return np.stack(columns, axis=-1)


def _by_exponent(terms: Sequence[Term], v: Variables, b: FloatArray, k: float, voltage_0: float) -> FloatArray:
    """Derivative of the loss by k (m,)."""
    X = _design(terms, v, k, voltage_0)
    with_k = np.array([term.with_exponent for term in terms])
    return np.asarray((X[:, with_k] @ b[with_k]) * np.log(v[VOLTAGE] / voltage_0))


def terms_named(names: Sequence[str]) -> tuple[Term, ...]:
    """The terms of those names.

    Raises:
        UsageError: an unknown name.
    """
    for name in names:
        if name not in _BY_NAME:
            raise UsageError(
                f"{name!r} is not a loss term", expected=", ".join(_BY_NAME), remedy=did_you_mean(name, _BY_NAME)
            )
    return tuple(_BY_NAME[name] for name in names)


def separate_losses(
    data: LossData, names: Sequence[str] = INVERTER, *, seed: int = 1, draws: int = DRAWS
) -> SeparatedLoss:
    """Separate measured losses into terms by least squares with signs.

    Terms whose variables were not measured (such as ``junction_c``) are left out. Where a term goes with ``U^k``, k is
    fitted with :data:`EXPONENT` as a prior: at one voltage the data say nothing of it, and it then widens a prediction
    at another. Errors that all points share (the gain of a power) move all points together, so that many points do not
    average them out; errors of a variable (the gain of the current) are put through the terms.

    Terms that the points cannot tell apart (at one frequency and voltage threshold and switching look the same) share
    what they have together: each has a wide interval, their sum a narrow one.

    Args:
        data: points; see :class:`LossData`.
        names: terms by name: :data:`INVERTER`, :data:`MOTOR` or others of this module.
        seed, draws: see :func:`benchkit.analysis.bounded.fit_bounded`.

    Raises:
        UsageError: fewer points than coefficients + 2, NaN, an unknown term, or a scatter that is not above zero.
    """
    terms = tuple(t for t in terms_named(names) if all(v in data.variables for v in t.needs))
    has_k = any(term.with_exponent for term in terms)
    _check(data, terms, len(terms) + has_k)
    voltage_0 = float(np.exp(np.mean(np.log(data.variables[VOLTAGE])))) if has_k else math.nan
    bounded = np.array([True] * len(terms) + [False] * has_k)
    prior_mean = np.array([0.0] * len(terms) + [EXPONENT[0]] * has_k)
    prior_u = np.array([np.nan] * len(terms) + [EXPONENT[1]] * has_k)
    b, k, last = np.zeros(len(terms)), EXPONENT[0] if has_k else 0.0, np.inf

    def about(b: FloatArray, k: float, draws: int) -> BoundedFit:
        """One fit, linear in k about the last one."""
        X, y = _design(terms, data.variables, k, voltage_0), data.loss_w
        if has_k:
            by_k = _by_exponent(terms, data.variables, b, k, voltage_0)
            X, y = np.column_stack([X, by_k]), y + k * by_k
        V = covariance_of(data.u_w, _shifts(data, terms, b, k, voltage_0))
        return fit_bounded(X, y, V, bounded, prior_mean=prior_mean, prior_u=prior_u, seed=seed, draws=draws)

    for _ in range(_TURNS):
        found = about(b, k, 0).best
        now = float(np.sum(found[: len(terms)]))
        b, k = found[: len(terms)], float(np.clip(found[-1], *_EXPONENTS)) if has_k else 0.0
        if abs(now - last) <= 1e-9 * abs(now):
            break
        last = now
    fit = about(b, k, draws)
    return SeparatedLoss(
        terms,
        fit,
        tuple(of_draws(fit.draws[:, j], "W") for j in range(len(terms))),
        of_draws(fit.draws[:, -1], "1") if has_k else None,
        voltage_0,
        data,
        dict(zip(data.common, _shifts(data, terms, b, k, voltage_0), strict=True)),
    )


def _check(data: LossData, terms: Sequence[Term], coefficients: int) -> None:
    needed = {name for term in terms for name in term.needs}
    for name, values in {**{n: data.variables[n] for n in needed}, "loss_w": data.loss_w, "u_w": data.u_w}.items():
        if values.shape != data.loss_w.shape or not np.all(np.isfinite(values)):
            raise UsageError(
                "every point must have every number that the terms need", where=name, remedy="Leave out such points."
            )
    if not np.all(data.u_w > 0.0):
        raise UsageError("the scatter of a loss must be above zero", got=float(np.min(data.u_w)))
    if len(data) < coefficients + 2:
        raise UsageError(
            "too few points to separate the losses",
            got=len(data),
            expected=f"at least {coefficients + 2}",
            remedy="Measure more currents, frequencies and voltages.",
        )
    if VOLTAGE in needed and not np.all(data.variables[VOLTAGE] > 0.0):
        raise UsageError("the DC voltage must be above zero", got=float(np.min(data.variables[VOLTAGE])))


def _shifts(data: LossData, terms: Sequence[Term], b: FloatArray, k: float, voltage_0: float) -> FloatArray:
    """What each common error moves the measured loss less that of the terms (causes, n)."""
    shifts = []
    base = _design(terms, data.variables, k, voltage_0) @ b
    for moved in data.common.values():
        variables = {name: v + moved[name] if name in moved else v for name, v in data.variables.items()}
        by_terms = _design(terms, variables, k, voltage_0) @ b - base
        shifts.append(moved.get("loss_w", np.zeros(len(data))) - by_terms)
    return np.array(shifts).reshape(len(shifts), len(data))
