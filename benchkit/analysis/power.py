"""Powers, losses and efficiencies of one operating point.

Motoring is positive. The loss is ``P_in - P_out`` with power counted from the DC link to the shaft, so it stays
positive when the shaft drives. An efficiency is what comes out over what goes in, in either direction; it is never cut
at one: a value above one says that a measurement is wrong.

Source: the definitions of electrical and mechanical power and of efficiency.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import Propagated, propagate_many
from benchkit.model.results import Estimate, OperatingPoint, PowerBalance
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]

NOT_MEASURED = math.nan
INPUT_ROLES = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.SPEED, Role.TORQUE)
RESULT_UNITS = ("W",) * 6 + ("1",) * 3
_FALLBACK_UNIT: Mapping[Role, str] = {
    Role.DC_VOLTAGE: "V",
    Role.DC_CURRENT: "A",
    Role.AC_POWER: "W",
    Role.SPEED: "rpm",
    Role.TORQUE: "N·m",
}


def dc_power(voltage_v: npt.ArrayLike, current_a: npt.ArrayLike) -> FloatArray:
    """DC power [W] of mean voltage [V] and mean current [A].

    Of means: where voltage and current ripple together, the power of the ripple is left out.
    """
    return np.asarray(np.multiply(voltage_v, current_a), dtype=np.float64)


def shaft_power(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Shaft power [W]: ``P = 2 pi n/60 T`` (1).

    >>> round(float(shaft_power(1462.5, 120.79)), 1)
    18499.3
    """
    omega = np.asarray(speed_rpm, dtype=np.float64) * (2.0 * math.pi / 60.0)
    return np.asarray(omega * np.asarray(torque_nm, dtype=np.float64))


def efficiency(power_in_w: npt.ArrayLike, power_out_w: npt.ArrayLike) -> FloatArray:
    """Efficiency [1] while motoring: ``P_out / P_in`` (2); NaN unless both are positive.

    While generating the shaft is the input: give its power as ``power_in_w``, both powers counted in that direction.

    >>> round(float(efficiency(10.272, 6.189)), 4)
    0.6025
    """
    p_in, p_out = np.asarray(power_in_w, dtype=np.float64), np.asarray(power_out_w, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((p_in > 0.0) & (p_out > 0.0), p_out / p_in, np.nan)


def efficiency_from_losses(power_out_w: npt.ArrayLike, losses_w: npt.ArrayLike) -> FloatArray:
    """Efficiency [1] by summation of losses: ``P_out / (P_out + sum P_loss)`` (3), losses along the last axis.

    >>> round(float(efficiency_from_losses(18500.0, [770.13, 410.00, 481.60, 102.22, 180.00])), 6)
    0.904913
    """
    p_out = np.asarray(power_out_w, dtype=np.float64)
    return efficiency(p_out + np.sum(np.asarray(losses_w, dtype=np.float64), axis=-1), p_out)


def balance_formulas(u_dc: float, i_dc: float, p_ac: float, n: float, torque: float) -> tuple[float, ...]:
    """DC, AC and shaft power, losses of inverter, motor, drive [W], efficiencies of inverter, motor, drive [1]."""
    p_dc = u_dc * i_dc
    p_shaft = 2.0 * math.pi / 60.0 * n * torque
    # the same rule as in efficiency(), without the cost of an array: this is called thousands of times a run
    # while generating (both negative) what comes out is on the electrical side
    eta = [
        b / a if a > 0.0 and b > 0.0 else a / b if a < 0.0 and b < 0.0 else math.nan
        for a, b in ((p_dc, p_ac), (p_ac, p_shaft), (p_dc, p_shaft))
    ]
    return p_dc, p_ac, p_shaft, p_dc - p_ac, p_ac - p_shaft, p_dc - p_shaft, *eta


def balance_arrays(
    u_dc: FloatArray, i_dc: FloatArray, p_ac: FloatArray, n: FloatArray, torque: FloatArray
) -> tuple[FloatArray, ...]:
    """:func:`balance_formulas` on arrays of one shape, [V A W rpm N·m] to [W] and [1], for many trials at once."""
    p_dc, p_shaft = dc_power(u_dc, i_dc), shaft_power(n, torque)
    etas = _either_way(p_dc, p_ac), _either_way(p_ac, p_shaft), _either_way(p_dc, p_shaft)
    return p_dc, p_ac, p_shaft, p_dc - p_ac, p_ac - p_shaft, p_dc - p_shaft, *etas


def _either_way(a: FloatArray, b: FloatArray) -> FloatArray:
    """Efficiency between a power ``a`` and the next one towards the shaft ``b``, whichever way they flow."""
    return np.where((a < 0.0) & (b < 0.0), efficiency(-b, -a), efficiency(a, b))


def balance_inputs(stand: Stand, point: OperatingPoint) -> dict[Role, Estimate]:
    """Means that a power balance takes, by role, [V A W rpm N·m]; what is not measured is not there."""
    found = {}
    for role in INPUT_ROLES:
        channel = stand.channel_for(role)
        if channel is not None and channel.name in point.means:
            found[role] = point.means[channel.name]
    return found


def propagate_balance(inputs: Mapping[Role, Estimate]) -> Propagated:
    """Results of :func:`balance_formulas`, [W] and [1], with uncertainty; inputs by role, independent of each other.

    Each loss and efficiency is propagated from the measured means, not from the powers: what the powers share is
    counted once.
    """
    estimates = [inputs.get(role, Estimate(NOT_MEASURED, NOT_MEASURED, _FALLBACK_UNIT[role])) for role in INPUT_ROLES]
    return propagate_many(balance_formulas, estimates, names=[role.value for role in INPUT_ROLES], units=RESULT_UNITS)


def power_balance(stand: Stand, point: OperatingPoint) -> PowerBalance:
    """Power balance of one operating point; NaN where the stand does not measure what it takes.

    An efficiency is given where both its powers are more than two standard uncertainties from zero: at standstill a
    quotient of two noises says nothing.
    """
    inputs = balance_inputs(stand, point)
    result = propagate_balance(inputs).estimates
    missing = Estimate(NOT_MEASURED, NOT_MEASURED, "")
    powers, losses, etas = result[:3], result[3:6], result[6:]
    dc, ac, shaft = (abs(p.value) > 2.0 * p.u for p in powers)
    shown = [
        eta if resolved else Estimate(NOT_MEASURED, NOT_MEASURED, "1")
        for eta, resolved in zip(etas, (dc and ac, ac and shaft, dc and shaft), strict=True)
    ]
    speed, torque = inputs.get(Role.SPEED, missing), inputs.get(Role.TORQUE, missing)
    return PowerBalance(point, speed, torque, *powers, *losses, *shown)
