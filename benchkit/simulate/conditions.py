"""What surrounds a run: hall air and cooling loop."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.analysis.air import moist_air_density


@dataclass(frozen=True, slots=True)
class Conditions:
    """Hall air, and the coolant as the loop delivers it. ``humidity`` is the relative humidity, 0 to 1."""

    air_c: float = 21.5
    pressure_pa: float = 100_850.0
    humidity: float = 0.48
    inlet_c: float = 40.0
    flow_lpm: float = 8.0

    @property
    def density_kgm3(self) -> float:
        """Density of the moist air, kg/m³ (CIPM-2007)."""
        return float(moist_air_density(self.air_c, self.pressure_pa, self.humidity))
