"""Permanent-magnet synchronous motor in the rotor frame, quasi-static (no switching ripple).

Textbook equations for a machine without saliency, peak-value (amplitude-invariant) dq quantities, for example
R. Krishnan, "Permanent Magnet Synchronous and Brushless DC Motor Drives", 2010 (from memory):

    (1) v_d = R i_d - ω_e L i_q           (2) v_q = R i_q + ω_e (L i_d + ψ)
    (3) T_em = 3/2 p ψ i_q                (4) P_ac = 3/2 (v_d i_d + v_q i_q) = 3/2 R (i_d² + i_q²) + T_em ω

Without saliency the least current for a torque is i_d = 0. Above base speed i_d < 0 keeps |v| at its limit; the
mixed terms of |v|² cancel, so the limit is a quadratic in i_d with a closed answer:

    (5) Z² i_d² + 2 ω_e² L ψ i_d + Z² i_q² + 2 R ω_e ψ i_q + ω_e² ψ² - V² = 0,   Z² = R² + ω_e² L²

With the gates off the diodes rectify the back-EMF into the DC link once it is high enough ("uncontrolled generation").
Phase voltage and current are then in phase, the voltage is that of a six-step wave, and without resistance the current
follows from E² = V² + (ω_e L I)² (Jahns and Caliskan, IEEE Trans. Ind. Appl. 35 (1999), from memory):

    (6) V = 2/π U_dc,  E = ω_e ψ,  I = √(E² - V²) / (ω_e L) for E > V, else 0;  i_q = -I V/E,  i_d = -I √(1 - V²/E²)

The first discontinuous current, between U_dc/√3 and 2/π U_dc, is left out.

Iron loss acts as a drag torque on the shaft, p (k_h + k_e ω_e) ψ_s², with ψ_s the stator flux linkage: hysteresis
with frequency, eddy currents with its square, both with flux squared (Steinmetz exponent 2, common practice).
"""

from __future__ import annotations

from math import hypot, pi, sqrt

from benchkit.simulate.drives import MotorParameters

COPPER_K_C = 234.5
"""Inferred zero-resistance temperature of copper, °C (winding-temperature-by-resistance, IEC 60034-1)."""
FADE_RAD_S = 1.0
"""Below this speed dry friction and hysteresis torque fade to zero: at standstill they have no direction."""


def copper_resistance(resistance_20_ohm: float, temp_c: float) -> float:
    """Resistance at ``temp_c`` from that at 20 °C: R = R20 (K + T)/(K + 20)."""
    return resistance_20_ohm * (COPPER_K_C + temp_c) / (COPPER_K_C + 20.0)


def magnet_flux(motor: MotorParameters, temp_c: float) -> float:
    """Magnet flux linkage in Wb at magnet temperature ``temp_c``."""
    return motor.flux_20_wb * (1.0 + motor.flux_per_k * (temp_c - 20.0))


def currents(
    motor: MotorParameters,
    torque_em_nm: float,
    omega_rad_s: float,
    *,
    resistance_ohm: float,
    flux_wb: float,
    voltage_limit_v: float,
) -> tuple[float, float] | None:
    """Return (i_d, i_q), peak A, that give the torque at that speed; None where the voltage does not allow it."""
    i_q = torque_em_nm / (1.5 * motor.pole_pairs * flux_wb)
    w = motor.pole_pairs * omega_rad_s
    L = motor.inductance_h
    z2 = resistance_ohm * resistance_ohm + w * w * L * L
    c = (
        z2 * i_q * i_q
        + 2.0 * resistance_ohm * w * flux_wb * i_q
        + w * w * flux_wb * flux_wb
        - voltage_limit_v * voltage_limit_v
    )
    if c <= 0.0:
        return 0.0, i_q
    half_b = w * w * L * flux_wb
    discriminant = half_b * half_b - z2 * c
    if discriminant < 0.0:
        return None
    return (sqrt(discriminant) - half_b) / z2, i_q


def torque(motor: MotorParameters, i_q: float, flux_wb: float) -> float:
    """Air-gap torque in N·m, equation (3)."""
    return 1.5 * motor.pole_pairs * flux_wb * i_q


def diode_currents(
    motor: MotorParameters, omega_rad_s: float, flux_wb: float, dc_voltage_v: float
) -> tuple[float, float]:
    """Return (i_d, i_q), peak A, with the gates off, equation (6); for ω >= 0."""
    w = motor.pole_pairs * omega_rad_s
    emf, v = w * flux_wb, 2.0 / pi * dc_voltage_v
    if emf <= v:
        return 0.0, 0.0
    across = sqrt(emf * emf - v * v)
    current = across / (w * motor.inductance_h)
    return -current * across / emf, -current * v / emf


def phase_voltage(
    motor: MotorParameters, i_d: float, i_q: float, omega_rad_s: float, *, resistance_ohm: float, flux_wb: float
) -> float:
    """Peak phase voltage in V, equations (1) and (2)."""
    w = motor.pole_pairs * omega_rad_s
    v_d = resistance_ohm * i_d - w * motor.inductance_h * i_q
    v_q = resistance_ohm * i_q + w * (motor.inductance_h * i_d + flux_wb)
    return hypot(v_d, v_q)


def iron_torque(motor: MotorParameters, i_d: float, i_q: float, omega_rad_s: float, flux_wb: float) -> float:
    """Drag torque of the iron loss in N·m, for ω >= 0."""
    psi_d = motor.inductance_h * i_d + flux_wb
    psi_q = motor.inductance_h * i_q
    fade = omega_rad_s / FADE_RAD_S if omega_rad_s < FADE_RAD_S else 1.0
    p = motor.pole_pairs
    drag = motor.hysteresis_per_h * fade + motor.eddy_s_per_h * p * omega_rad_s
    return p * drag * (psi_d * psi_d + psi_q * psi_q)


def friction_torque(motor: MotorParameters, omega_rad_s: float) -> float:
    """Bearing friction and windage in N·m, for ω >= 0."""
    fade = omega_rad_s / FADE_RAD_S if omega_rad_s < FADE_RAD_S else 1.0
    return motor.coulomb_nm * fade + (motor.viscous_nms + motor.windage_nms2 * omega_rad_s) * omega_rad_s


def copper_loss(i_d: float, i_q: float, resistance_ohm: float) -> float:
    """Copper loss of the three phases in W."""
    return 1.5 * resistance_ohm * (i_d * i_d + i_q * i_q)
