"""What was true at the moment of switching off, from readings taken after it.

A winding is measured by its resistance when the machine stands still, seconds after it cooled a little. A junction is
measured by its small forward voltage when the load current has gone and the disturbance of switching has died away.
Both are brought back to the moment of switching off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_linear
from benchkit.analysis.thermal.heating import winding_by_resistance
from benchkit.analysis.uncertainty import combine, correlation_time
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

LONGEST_WAIT_S = ((50e3, 30.0), (200e3, 90.0), (5e6, 120.0))
"""Rated power up to which [W] a first reading within so many seconds counts as that at switch-off without
extrapolation, IEC 60034-1 (from memory)."""
_CURVED = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class SwitchOff:
    """Temperature at switch-off. ``first_c`` is the first reading, taken ``first_s`` after it.

    ``at_c`` is never below the hottest reading: a temperature that still rises after the stop (the winding takes up
    heat of the rotor) is not extrapolated downwards. ``order`` of the polynomial in ln of the rise, or in sqrt(t).
    """

    at_c: Estimate
    first_c: float
    first_s: float
    order: int
    residual_rms_k: float


def winding_at_switch_off(
    time_s: npt.ArrayLike,
    resistance_ohm: npt.ArrayLike,
    cold_ohm: Estimate,
    cold_c: Estimate,
    constant_k: float,
    *,
    end_c: float,
) -> SwitchOff:
    """Winding temperature at switch-off from resistances (n,) read at times (n,) [s] after it.

    The rise over ``end_c`` [°C] (coolant or iron) dies away like a sum of exponentials, so its logarithm is a line that
    bends a little: a line, or a polynomial of up to third order where it lowers the sum of squares beyond chance, is
    laid through ``ln(T - T_end)`` over t and read at t = 0 (1). Weights are those of equal errors of T.

    The cold resistance and its temperature move all readings alike:
    ``u² = u_fit² + ((K + T)/R_1 u(R_1))² + ((K + T)/(K + t_1) u(t_1))²`` (2).

    Raises:
        UsageError: fewer than four readings above ``end_c``, times not rising, or a time before switch-off.

    Source: IEC 60034-1 prescribes the extrapolation to the moment of switching off (from memory); (2) derived.
    """
    t = np.asarray(time_s, dtype=np.float64)
    temp = winding_by_resistance(resistance_ohm, cold_ohm.value, cold_c.value, constant_k)
    good = np.isfinite(t) & np.isfinite(temp) & (temp > end_c)
    t, temp = t[good], temp[good]
    _check(t)
    rise = temp - end_c
    scale = float(t[-1])
    fit, order = _bent_line(t / scale, np.log(rise), 1.0 / rise, 3)
    at = end_c + math.exp(float(fit.parameters[0]))
    memory = correlation_time(fit.residuals)
    u_fit = (at - end_c) * float(fit.u[0]) * math.sqrt(memory)
    hottest = float(temp.max())
    at = max(at, hottest)
    stretched = constant_k + at
    u_cold = math.hypot(stretched / cold_ohm.value * cold_ohm.u, stretched / (constant_k + cold_c.value) * cold_c.u)
    dof = max(t.size / memory - order - 1.0, 1.0)
    fitted = end_c + np.exp(np.log(rise) - fit.residuals)
    rms = float(np.sqrt(np.mean((temp - fitted) ** 2)))
    found = combine(at, u_fit, dof, u_cold, unit="°C", name="winding at switch-off")
    return SwitchOff(found, float(temp[0]), float(t[0]), order, rms)


def needs_extrapolation(first_s: float, rated_power_w: float) -> bool:
    """Whether a first reading came too late to count as that at switch-off; see :data:`LONGEST_WAIT_S`.

    True above the largest rated power of the table: what counts there is agreed case by case.

    >>> needs_extrapolation(25.0, 45e3), needs_extrapolation(40.0, 45e3)
    (False, True)
    """
    for power, seconds in LONGEST_WAIT_S:
        if rated_power_w <= power:
            return first_s > seconds
    return True


def junction_at_switch_off(
    time_s: npt.ArrayLike, temp_c: npt.ArrayLike, *, first_s: float, last_s: float, u_sensor_k: float = 0.0
) -> SwitchOff:
    """Junction temperature at switch-off from a cooling curve (n,) [°C] at times (n,) [s] after it.

    Heat leaves a thin hot layer into a thick body: ``T(t) = T(0) - m sqrt(t)`` (1). The line over sqrt(t) is laid
    through the readings from ``first_s`` (the switching disturbance has gone) to ``last_s`` (heat has not come to the
    end of the body); a parabola in sqrt(t) where it lowers the sum of squares beyond chance.

    Validity: one-dimensional flow in a body thicker than ``sqrt(a t)``, a its diffusivity. A window that reaches too
    far gives a temperature that is too low.

    Raises:
        UsageError: fewer than four readings in the window, or a window out of order.

    Source: (1) from H. S. Carslaw and J. C. Jaeger, *Conduction of Heat in Solids*, 2nd ed. 1959, 2.9 (constant flux
    into a half space); its use on cooling curves after JEDEC JESD51-14 (from memory).
    """
    if not 0.0 <= first_s < last_s:
        raise UsageError("the window is out of order", got=f"{first_s:g} … {last_s:g} s", expected="first before last")
    t, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    inside = np.isfinite(t) & np.isfinite(temp) & (t >= first_s) & (t <= last_s)
    t, temp = t[inside], temp[inside]
    _check(t)
    root = np.sqrt(t / t[-1])
    fit, order = _bent_line(root, temp, None, 2)
    memory = correlation_time(fit.residuals)
    dof = max(t.size / memory - order - 1.0, 1.0)
    found = combine(
        float(fit.parameters[0]),
        float(fit.u[0]) * math.sqrt(memory),
        dof,
        u_sensor_k,
        unit="°C",
        name="junction at switch-off",
    )
    rms = float(np.sqrt(np.mean(fit.residuals**2)))
    return SwitchOff(found, float(temp[0]), float(t[0]), order, rms)


@dataclass(frozen=True, slots=True, eq=False)
class ImpedanceCurve:
    """Thermal impedance Z(t) [K/W] at times [s] after a step of loss, with its standard uncertainty."""

    time_s: FloatArray
    impedance_k_w: FloatArray
    u_k_w: FloatArray
    at_switch_off: SwitchOff


def impedance_from_cooling(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    loss: Estimate,
    *,
    first_s: float,
    last_s: float,
    u_sensor_k: float = 0.0,
) -> ImpedanceCurve:
    """Thermal impedance of a semiconductor from its cooling after a loss that had been held for long.

    ``Z(t) = (T(0) - T(t))/P`` (1): heating and cooling are mirror images in a network that does not change.
    T(0) is from :func:`junction_at_switch_off`; its error moves the whole curve, the loss scales it. Readings before
    ``first_s`` are left out.

    Args:
        loss: loss before switch-off [W].
        u_sensor_k: uncertainty of temperature *differences* [K] (a constant error drops out).

    Source: (1) derived; JEDEC JESD51-14 measures impedance by cooling, too (from memory).
    """
    t, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    start = junction_at_switch_off(t, temp, first_s=first_s, last_s=last_s)
    if not loss.value > 0.0:
        raise UsageError("the loss before switch-off must be positive", got=f"{loss.value:g} W")
    later = np.isfinite(temp) & (t >= first_s)
    Z = (start.at_c.value - temp[later]) / loss.value
    u = np.sqrt(start.at_c.u**2 + start.residual_rms_k**2 + u_sensor_k**2) / loss.value
    return ImpedanceCurve(t[later], Z, np.hypot(u, Z * loss.u / loss.value), start)


def _check(t: FloatArray) -> None:
    if t.size < 4:
        raise UsageError("too few readings to go back to switch-off", got=int(t.size), expected="at least 4")
    if float(t[0]) < 0.0 or float(np.min(np.diff(t))) <= 0.0:
        raise UsageError("times count from switch-off and rise", got=f"first {float(t[0]):g} s")


def _bent_line(x: FloatArray, y: FloatArray, u: FloatArray | None, most: int) -> tuple[Fit, int]:
    """Polynomial of the lowest order beyond which the next two lower the sum of squares by no more than four times the
    variance each."""

    def fit(order: int) -> tuple[Fit, float]:
        design = np.stack([x**k for k in range(order + 1)], axis=1)
        if u is None:
            found = fit_linear(design, y, None)
            return found, float(np.sum(found.residuals**2))
        weighted = fit_linear(design / u[:, None], y / u, None)
        plain = Fit(
            weighted.parameters, weighted.covariance, weighted.residuals * u, weighted.residual_sd, weighted.dof
        )
        return plain, float(np.sum(weighted.residuals**2))

    fits = [fit(order) for order in range(1, most + 1) if x.size >= 3 * order + 3] or [fit(1)]
    bent, least = fits[-1]
    free = max(x.size / correlation_time(bent.residuals) - len(fits) - 1.0, 1.0)
    for order, (found, left) in enumerate(fits, start=1):
        if free * (left / max(least, 1e-300) - 1.0) <= _CURVED * (len(fits) - order):
            return found, order
    return bent, len(fits)
