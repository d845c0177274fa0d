"""What was done on the day of a calibration with masses: loads as they were put on, and what is known of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from benchkit.model.calibration import Certificate
from benchkit.units import G_N

U_GRAVITY_UNKNOWN = 0.015
"""Standard uncertainty of standard gravity where the place is not known, m/s²: gravity at sea level runs from 9.780 to
9.832 (equator and poles, IAG reference ellipsoid GRS 80), a rectangle of half-width 0.026."""


class Method(StrEnum):
    """How masses make the load."""

    DEAD_WEIGHT = "dead_weight"
    """Masses hang on the force transducer."""
    LEVER_ARM = "lever_arm"
    """Masses hang on an arm of known length and make a torque."""


@dataclass(frozen=True, slots=True)
class Step:
    """One load: mass [kg], negative on the other side, and the raw number the instrument sent."""

    mass_kg: float
    reading: float


@dataclass(frozen=True, slots=True)
class Worksheet:
    """Steps in the order in which they were taken, and the loads' own uncertainties (standard, k = 1)."""

    method: Method
    steps: tuple[Step, ...]
    u_mass_relative: float
    """Of all masses together: they come from one set with one certificate."""
    gravity_mps2: float = G_N
    u_gravity_mps2: float = U_GRAVITY_UNKNOWN
    gravity_is_stated: bool = False
    arm_m: float = math.nan
    u_arm_m: float = math.nan
    resolution: float = 0.0
    """Smallest step of the reading."""
    mass_density_kgm3: float = 8000.0
    air_density_kgm3: float = 1.2
    certificate: Certificate | None = None
    channel: str = ""
    who: str = ""
    note: str = ""

    @property
    def unit(self) -> str:
        """Unit of the loads."""
        return "N" if self.method is Method.DEAD_WEIGHT else "N·m"
