"""Inverter losses over the RMS phase current: standing, conduction and switching, that is a + b I + c I².

    (1) P_con = v I + r (1 + α (T_j - 25 °C)) I²
    (2) P_sw  = (U_dc / 400 V) (f_sw / 16 kHz) (e_0 + e_1 I + e_2 I²)

Switching loss in proportion to voltage and frequency: common practice in data sheets of power modules.
"""

from __future__ import annotations

from math import exp, sqrt

from benchkit.simulate.drives import InverterParameters, SupplyParameters

REFERENCE_V = 400.0
REFERENCE_HZ = 16_000.0


def loss_terms(inverter: InverterParameters, current_a: float, junction_c: float) -> tuple[float, float]:
    """Return (p_0, p_1) of ``loss_w = p_0 + p_1 · U_dc`` at RMS current and junction temperature."""
    r = inverter.conduction_ohm * (1.0 + inverter.conduction_per_k * (junction_c - 25.0))
    standing = inverter.standing_w + (inverter.conduction_v + r * current_a) * current_a
    switching = (
        inverter.switching_0_w + (inverter.switching_1_w_per_a + inverter.switching_2_w_per_a2 * current_a) * current_a
    )
    return standing, switching * inverter.switching_frequency_hz / (REFERENCE_HZ * REFERENCE_V)


def dc_link_voltage(supply: SupplyParameters, ac_power_w: float, p_0: float, p_1: float) -> float:
    """Steady DC-link voltage behind the source resistance, the higher root of U = U_0 - R (P_ac + p_0 + p_1 U)/U."""
    half = 0.5 * (supply.open_circuit_v - supply.resistance_ohm * p_1)
    return half + sqrt(half * half - supply.resistance_ohm * (ac_power_w + p_0))


def cut_off_voltage(supply: SupplyParameters, before_v: float, dt_s: float, line_emf_v: float) -> float:
    """Voltage of a DC link that nothing feeds, ``dt_s`` later.

    (3) U = U_before exp(-dt / (R C)), but not below the peak of the line-to-line back-EMF: the diodes hold it there.
    What the discharge resistor takes from a turning shaft (80 W at 400 V) is left out.
    """
    return max(before_v * exp(-dt_s / (supply.discharge_ohm * supply.link_capacitance_f)), line_emf_v)
