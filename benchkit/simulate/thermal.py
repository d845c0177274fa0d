"""Thermal network: winding - stator - coolant, magnet at the stator, junction - case - coolant.

The coolant in the jackets is one well-mixed node fed at the inlet temperature; its temperature is the outlet
temperature, which the sensor sees one pipe volume later. Film conductance follows flow^0.8 (turbulent duct flow,
Dittus and Boelter, from memory) above a floor for coolant that stands still.

Explicit steps keep the energy balance exact to rounding: what leaves one node arrives in the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np

from benchkit.simulate.drives import ThermalParameters

COOLANT_J_M3_K = 1037.06 * 3524.0
"""Heat capacity of 50 % glycol per volume, 65 °C (CoolProp, MEG 50 % by mass)."""
COOLANT_W_PER_K_LPM = COOLANT_J_M3_K / 60_000.0
"""Heat carried per kelvin by 1 L/min."""
STILL_FILM = 0.1
"""Part of the film conductance that is left without flow."""
MAX_STEP_S = 0.05
"""Longest explicit step: a sixth of the fastest time constant (junction)."""


@dataclass(slots=True)
class Temperatures:
    """State of the network, °C; ``outlet_c`` is what the outlet sensor's pipe holds."""

    winding_c: float
    stator_c: float
    magnet_c: float
    junction_c: float
    case_c: float
    coolant_c: float
    outlet_c: float


@dataclass(frozen=True, slots=True)
class Heat:
    """Losses as the network takes them, W."""

    copper_w: float
    iron_w: float
    friction_w: float
    inverter_w: float
    standing_w: float
    """Part of the inverter loss that arises in control and gate drive: it heats the case, not the junction."""


def film(flow_share: float) -> float:
    """Film conductance over its value at nominal flow."""
    share = max(0.0, flow_share)
    return STILL_FILM + (1.0 - STILL_FILM) * exp(0.8 * log(share)) if share > 0.0 else STILL_FILM


def step(
    p: ThermalParameters,
    t: Temperatures,
    heat: Heat,
    dt_s: float,
    *,
    inlet_c: float,
    flow_lpm: float,
    air_c: float,
) -> tuple[float, float]:
    """Move ``t`` on by ``dt_s`` and return the heat that left with (coolant, air), W. ``dt_s`` <= MAX_STEP_S."""
    h = film(flow_lpm / p.nominal_flow_lpm)
    q_ws = p.winding_stator_w_k * (t.winding_c - t.stator_c)
    q_sm = p.stator_magnet_w_k * (t.stator_c - t.magnet_c)
    q_sc = h * p.stator_coolant_w_k * (t.stator_c - t.coolant_c)
    q_sa = p.stator_air_w_k * (t.stator_c - air_c)
    q_jc = p.junction_case_w_k * (t.junction_c - t.case_c)
    q_cc = h * p.case_coolant_w_k * (t.case_c - t.coolant_c)
    q_ca = p.case_air_w_k * (t.case_c - air_c)
    q_out = COOLANT_W_PER_K_LPM * flow_lpm * (t.coolant_c - inlet_c)
    rotor = p.rotor_iron_share * heat.iron_w + 0.5 * heat.friction_w
    t.outlet_c += min(1.0, flow_lpm / 60.0 / p.outlet_pipe_l * dt_s) * (t.coolant_c - t.outlet_c)
    t.winding_c += dt_s / p.winding_j_k * (heat.copper_w - q_ws)
    t.stator_c += dt_s / p.stator_j_k * (heat.iron_w + heat.friction_w - rotor + q_ws - q_sm - q_sc - q_sa)
    t.magnet_c += dt_s / p.magnet_j_k * (rotor + q_sm)
    t.junction_c += dt_s / p.junction_j_k * (heat.inverter_w - heat.standing_w - q_jc)
    t.case_c += dt_s / p.case_j_k * (heat.standing_w + q_jc - q_cc - q_ca)
    t.coolant_c += dt_s / p.coolant_j_k * (q_sc + q_cc - q_out)
    return q_out, q_sa + q_ca


def stored_j(p: ThermalParameters, t: Temperatures) -> float:
    """Heat in the network above 0 °C, J (the pipe holds none: it only delays)."""
    return (
        p.winding_j_k * t.winding_c
        + p.stator_j_k * t.stator_c
        + p.magnet_j_k * t.magnet_c
        + p.junction_j_k * t.junction_c
        + p.case_j_k * t.case_c
        + p.coolant_j_k * t.coolant_c
    )


def conductance_matrix(p: ThermalParameters, flow_lpm: float) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Matrix G (6, 6) of ``C dT/dt = -G T + sources`` in the order of :class:`Temperatures`."""
    h = film(flow_lpm / p.nominal_flow_lpm)
    matrix = np.zeros((6, 6))
    for a, b, g in (
        (0, 1, p.winding_stator_w_k),
        (1, 2, p.stator_magnet_w_k),
        (1, 5, h * p.stator_coolant_w_k),
        (3, 4, p.junction_case_w_k),
        (4, 5, h * p.case_coolant_w_k),
    ):
        matrix[a, a] += g
        matrix[b, b] += g
        matrix[a, b] -= g
        matrix[b, a] -= g
    matrix[1, 1] += p.stator_air_w_k
    matrix[4, 4] += p.case_air_w_k
    matrix[5, 5] += COOLANT_W_PER_K_LPM * flow_lpm
    return matrix


def steady(p: ThermalParameters, heat: Heat, inlet_c: float, flow_lpm: float, air_c: float) -> Temperatures:
    """Temperatures that the network settles at under constant losses."""
    rotor = p.rotor_iron_share * heat.iron_w + 0.5 * heat.friction_w
    sources = np.array(
        [
            heat.copper_w,
            heat.iron_w + heat.friction_w - rotor + p.stator_air_w_k * air_c,
            rotor,
            heat.inverter_w - heat.standing_w,
            heat.standing_w + p.case_air_w_k * air_c,
            COOLANT_W_PER_K_LPM * flow_lpm * inlet_c,
        ]
    )
    values = [float(v) for v in np.linalg.solve(conductance_matrix(p, flow_lpm), sources)]
    winding, stator, magnet, junction, case, coolant = values
    return Temperatures(winding, stator, magnet, junction, case, coolant, outlet_c=coolant)


def time_constants(p: ThermalParameters, flow_lpm: float) -> list[float]:
    """Time constants of the network in s, longest first: eigenvalues of C⁻¹G."""
    capacity = np.array([p.winding_j_k, p.stator_j_k, p.magnet_j_k, p.junction_j_k, p.case_j_k, p.coolant_j_k])
    rates = np.linalg.eigvals(conductance_matrix(p, flow_lpm) / capacity[:, None])
    return sorted((float(1.0 / r.real) for r in rates), reverse=True)
