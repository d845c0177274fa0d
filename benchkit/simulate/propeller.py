"""Static propeller in propeller notation: T = CT ρ n² D⁴, Q = CP/(2π) ρ n² D⁵, with n in rev/s."""

from __future__ import annotations

from math import pi

from benchkit.simulate.drives import PropellerParameters

RECIRCULATION_TAU_S = 60.0
RECIRCULATION_CT = 0.12
RECIRCULATION_CP = 0.04
"""What is lost of CT and CP when the jet comes back through the disc in a closed hall (invented size)."""


def thrust(propeller: PropellerParameters, omega_rad_s: float, density_kgm3: float) -> float:
    """Thrust in N."""
    n = omega_rad_s / (2.0 * pi)
    return propeller.ct * density_kgm3 * n * n * propeller.diameter_m**4


def torque(propeller: PropellerParameters, omega_rad_s: float, density_kgm3: float) -> float:
    """Torque in N·m."""
    n = omega_rad_s / (2.0 * pi)
    return propeller.cp / (2.0 * pi) * density_kgm3 * n * n * propeller.diameter_m**5
