"""Does the energy add up? Electrical power in = shaft power + heat in the coolant + what is left.

What is left is the heat to the air, the heat that the machine still stores while it warms, and every error: the
residual. It is given with its uncertainty and as a share of the loss. The same equation holds when the shaft drives:
all powers are counted from the DC link to the shaft, the loss stays positive.

Source: conservation of energy (derived).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchkit.analysis.coolant import U_PROPERTIES, coolant_density, coolant_specific_heat
from benchkit.analysis.power import balance_inputs
from benchkit.analysis.thermal import coolant_heat_w
from benchkit.analysis.uncertainty import propagate_many
from benchkit.model.results import Estimate, HeatBalance, OperatingPoint
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]

_POWER_ROLES = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE)
_COOLANT_ROLES = (Role.COOLANT_FLOW, Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP)


def drive_loss_w(
    voltage_v: npt.ArrayLike, current_a: npt.ArrayLike, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike
) -> FloatArray:
    """Loss from the DC link to the shaft [W] (n,): ``P_V = U I - 2 pi n/60 T`` (1), of [V], [A], [rpm], [N·m]."""
    u, i, n, torque = (np.asarray(x, dtype=np.float64) for x in (voltage_v, current_a, speed_rpm, torque_nm))
    return np.asarray(u * i - 2.0 * np.pi / 60.0 * n * torque)


def heat_to_coolant_w(
    flow_lpm: npt.ArrayLike,
    inlet_c: npt.ArrayLike,
    outlet_c: npt.ArrayLike,
    glycol: npt.ArrayLike,
    properties: npt.ArrayLike,
) -> FloatArray:
    """Heat that the coolant takes [W] (n,): ``Q = rho c q (t_out - t_in)`` (2), of [L/min], [°C], mass fraction [1].

    rho and c are those of the mean coolant temperature; the density is multiplied by ``properties`` [1], which carries
    the uncertainty of both. Validity: that of :mod:`~benchkit.analysis.coolant`, NaN outside.
    """
    inlet, outlet = np.asarray(inlet_c, dtype=np.float64), np.asarray(outlet_c, dtype=np.float64)
    middle = 0.5 * (inlet + outlet)
    density = np.asarray(properties, dtype=np.float64) * coolant_density(middle, glycol)
    return np.asarray(coolant_heat_w(flow_lpm, outlet - inlet, density, coolant_specific_heat(middle, glycol)))


def closure_formulas(
    u_dc: float,
    i_dc: float,
    n: float,
    torque: float,
    flow_lpm: float,
    inlet_c: float,
    outlet_c: float,
    glycol: float,
    properties: float,
) -> tuple[float, float, float, float]:
    """Loss (1), heat in the coolant (2), ``residual = P_V - Q`` (3) [W] and residual over loss [1]."""
    loss = float(drive_loss_w(u_dc, i_dc, n, torque))
    heat = float(heat_to_coolant_w(flow_lpm, inlet_c, outlet_c, glycol, properties))
    residual = loss - heat
    return loss, heat, residual, residual / loss if loss != 0.0 else np.nan


def heat_balance(stand: Stand, point: OperatingPoint) -> HeatBalance | None:
    """Closure of one operating point; None where the stand names no coolant or does not measure all that it takes."""
    coolant = stand.coolant
    if coolant is None:
        return None
    powers = balance_inputs(stand, point)
    names = [stand.roles.get(role, "") for role in _COOLANT_ROLES]
    inputs = [powers.get(role) for role in _POWER_ROLES] + [point.means.get(name) for name in names]
    known = [e for e in inputs if e is not None and e.is_measured]
    if len(known) < len(inputs):
        return None
    found = propagate_many(
        closure_formulas,
        [*known, Estimate(coolant.glycol, coolant.u_glycol, "1"), Estimate(1.0, U_PROPERTIES, "1")],
        names=[*(role.value for role in (*_POWER_ROLES, *_COOLANT_ROLES)), "glycol", "coolant properties"],
        units=("W", "W", "W", "1"),
    ).estimates
    return HeatBalance(point, *found)
