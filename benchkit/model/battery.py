"""A battery of equal cells, a mission that it feeds, and parts that warm meanwhile."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Battery:
    """``series`` times ``parallel`` equal cells: open-circuit voltage over state of charge, one resistance, capacity.

    ``soc`` (rising, 0 to 1) and ``ocv_v`` are the open-circuit curve of one cell. ``resistance_ohm`` is that of one
    cell for loads of minutes (with polarisation), its way to the terminals included. Uncertainties are standard ones;
    those of capacity and resistance are shares.
    """

    series: int
    parallel: int
    soc: tuple[float, ...]
    ocv_v: tuple[float, ...]
    resistance_ohm: float
    capacity_ah: float
    cut_off_v: float
    """Lowest voltage of a cell under load."""
    u_ocv_v: float = 0.0
    u_resistance: float = 0.0
    u_capacity: float = 0.0
    start_soc: float = 1.0
    reserve_soc: float = 0.0
    """State of charge that is to be left."""
    cell_mass_kg: float | None = None

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.series * self.parallel


@dataclass(frozen=True, slots=True)
class WarmingPart:
    """A temperature over the loss of the drive: ``rise = R P (1 - exp(-t/tau))``, and what it may reach."""

    name: str
    resistance_k_per_w: float
    tau_s: float
    limit_c: float
    u_resistance: float = 0.0
    """Share."""


@dataclass(frozen=True, slots=True)
class Mission:
    """What a battery is to feed: the loads of a duty in their order, by ``kind``.

    ``kind`` is "speed and torque" (then the loads are those of the duty), "thrust" or "power": then ``loads`` holds
    newton, or watt at the DC link, and ``time_s`` how long.
    """

    battery: Battery
    kind: str
    loads: tuple[float, ...]
    time_s: tuple[float, ...]
    repeat: bool
    """True: over and over until something ends it. False: once."""
    parts: tuple[WarmingPart, ...] = ()
    coolant_c: float = 20.0
    u_coolant_k: float = 0.0
    wanted_s: float | None = None
    """Endurance for which the continuous power is asked."""
