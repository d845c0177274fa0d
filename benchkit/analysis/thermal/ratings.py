"""What a drive may be asked for for ever, by coolant temperature and speed, and which part says so.

A **part** is what has a limit: its network to the coolant, its limit, and the loss that heats it. The loss of a part
goes with current, speed and its own temperature::

    P(I, n, T) = k I² (1 + alpha (T - 20 °C)) + b n + c n²                                        (1)

At constant current the growth with temperature is a negative conductance: it lengthens the time constants, raises the
end, and above some current there is no end at all.

Source: growth of resistance with temperature, textbook, (3) derived here from (1); thermal classes after IEC 60085
(from memory); (2) see there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.fit import NetworkFit
from benchkit.analysis.thermal.loss_law import LossLaw
from benchkit.analysis.uncertainty import propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

THERMAL_CLASS_C = {
    "Y": 90.0,
    "A": 105.0,
    "E": 120.0,
    "B": 130.0,
    "F": 155.0,
    "H": 180.0,
    "N": 200.0,
    "R": 220.0,
    "250": 250.0,
}
"""Highest temperature of continuous use [°C] of an insulation system by its thermal class, IEC 60085 (from memory)."""


def thermal_class_limit_c(name: str) -> float:
    """Highest temperature [°C] of a thermal class.

    >>> thermal_class_limit_c("F")
    155.0

    Raises:
        UsageError: no such class.
    """
    key = name.strip().upper().removeprefix("CLASS ").strip()
    if key not in THERMAL_CLASS_C:
        raise UsageError("no such thermal class", got=repr(name), expected=", ".join(THERMAL_CLASS_C))
    return THERMAL_CLASS_C[key]


def overload_factor(
    on_s: float, off_s: float, heating_tau_s: float, cooling_tau_s: float, constant_share: float = 0.0
) -> float:
    """Load in turns over the continuous load that ends at the same peak temperature [1].

    ``p = sqrt((1 + a)(1 - e^(-t_on/tau_h - t_off/tau_c))/(1 - e^(-t_on/tau_h)) - a)`` (2), a the constant loss over
    the loss that goes with the square of the load, at rated load. One body; tau_c differs from tau_h where a fan stands
    still with the shaft. ``off_s`` infinite: once from cold (S2).

    Source: textbook of electric drives, V. Subrahmanyam, *Electric Drives*, example 5.3 (derived there and in
    tests/published/test_overload_formula.py).

    >>> round(overload_factor(15.0, 30.0, 100.0, 150.0, 0.4), 5)
    1.60254
    """
    if not (on_s > 0.0 and off_s >= 0.0 and heating_tau_s > 0.0 and cooling_tau_s > 0.0 and constant_share >= 0.0):
        return math.nan
    peak = -math.expm1(-on_s / heating_tau_s)
    whole = -math.expm1(-on_s / heating_tau_s - off_s / cooling_tau_s)
    return math.sqrt((1.0 + constant_share) * whole / peak - constant_share)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Something with a limit: name, ``limit_c`` [°C] (its uncertainty is that of how well the limit is known), network
    of its loss, and the loss."""

    name: str
    limit_c: Estimate
    network: NetworkFit
    law: LossLaw
    kind: int = 0
    """Which loss of the network the law describes."""

    def total_k_w(self) -> Estimate:
        """Steady rise per watt."""
        return self.network.total(self.kind)


@dataclass(frozen=True, slots=True)
class Rating:
    """What may be held at one speed and coolant temperature, and the part that says so.

    ``is_extrapolated``: beyond the tested current or speed. All NaN where not even no load may be held.
    """

    coolant_c: float
    speed_rpm: float
    current_a: Estimate
    torque_nm: Estimate
    shaft_power_w: Estimate
    limited_by: str
    is_extrapolated: bool


def continuous_current(part: Part, coolant: Estimate, speed_rpm: float) -> Estimate:
    """Current [A] that brings a part to its limit after a long time.

    ``I = sqrt(((T_lim - T_ref)/R - b n - c n²)/(k (1 + alpha (T_lim - 20))))`` (3): the loss is that at the limit.
    NaN where no-load loss alone is too much.
    """
    law = part.law
    grown = 1.0 + law.alpha_per_k * (part.limit_c.value - 20.0)

    def current(limit: float, ref: float, R: float, k: float, b: float, c: float) -> float:
        left = (limit - ref) / R - b * speed_rpm - c * speed_rpm**2
        return math.sqrt(left / (k * grown)) if left > 0.0 and k > 0.0 and R > 0.0 else math.nan

    u = np.sqrt(np.maximum(np.diag(law.covariance), 0.0))
    coefficients = [
        Estimate(v, float(s), unit)
        for v, s, unit in zip(
            (law.square_w_a2, law.per_rpm_w, law.per_rpm2_w), u, ("W/A²", "W/rpm", "W/rpm²"), strict=True
        )
    ]
    correlation = np.eye(6)
    outer = np.outer(u, u)
    correlation[3:, 3:] = np.divide(law.covariance, outer, out=np.eye(3), where=outer > 0.0)
    names = (
        f"{part.name} limit",
        "coolant",
        f"{part.name} thermal resistance",
        "loss by current",
        "loss by speed",
        "²",
    )
    return propagate(current, (part.limit_c, coolant, part.total_k_w(), *coefficients), correlation, names, unit="A")


def rating(parts: Sequence[Part], coolant: Estimate, speed_rpm: float, torque_per_amp: Estimate) -> Rating:
    """Continuous current, torque and shaft power at one speed and coolant temperature: the least over all parts.

    ``torque_per_amp`` [N·m/A] is the quotient of shaft torque and current.

    Raises:
        UsageError: no part.
    """
    if not parts:
        raise UsageError("a rating needs a part with a limit")
    currents = [continuous_current(part, coolant, speed_rpm) for part in parts]
    # a part that may not even turn unloaded limits first
    least = min(range(len(parts)), key=lambda i: -1.0 if math.isnan(currents[i].value) else currents[i].value)
    current, part = currents[least], parts[least]
    names = ("current", "torque per ampere")
    torque = propagate(lambda i, k: i * k, (current, torque_per_amp), names=names, unit="N·m")
    omega = 2.0 * math.pi / 60.0 * speed_rpm
    power = propagate(lambda T: T * omega, (torque,), names=("torque",), unit="W")
    law = part.law
    beyond = current.value > 1.1 * law.current_max_a or speed_rpm > 1.05 * law.speed_max_rpm
    return Rating(coolant.value, speed_rpm, current, torque, power, part.name, bool(beyond))


def derating_map(
    parts: Sequence[Part],
    coolant_c: Sequence[float],
    speed_rpm: Sequence[float],
    torque_per_amp: Estimate,
    *,
    u_coolant_k: float = 0.0,
) -> tuple[tuple[Rating, ...], ...]:
    """Ratings, a row for each coolant temperature [°C], a column for each speed [rpm]; see :func:`rating`.

    ``torque_per_amp`` [N·m/A]; ``u_coolant_k`` [K] is common to all.
    """
    return tuple(
        tuple(rating(parts, Estimate(t, u_coolant_k, "°C"), n, torque_per_amp) for n in speed_rpm) for t in coolant_c
    )
