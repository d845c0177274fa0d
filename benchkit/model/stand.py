"""The stand as its profile says: sources, channels, limits, unit under test, geometry. All values in bench units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.alarms import AlarmRules
from benchkit.model.bursts import BurstSource
from benchkit.model.calibration import Calibration
from benchkit.model.derived import Derived
from benchkit.model.heartbeat import Heartbeat
from benchkit.model.limits import LimitSet
from benchkit.model.sources import Source
from benchkit.model.start_conditions import StartConditions
from benchkit.model.stops import StopAction
from benchkit.model.thermal_models import ThermalModel
from benchkit.units import BENCH_UNIT, Quantity


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity. ``column`` is its name in the frames of ``source``; values are in the bench unit.

    A derived channel has no column (empty): its values follow from channels of the same source, and its calibration
    holds only the accuracy of the formula itself.
    """

    name: str
    label: str
    quantity: Quantity
    source: str
    column: str
    low: float
    high: float
    calibration: Calibration = field(default_factory=Calibration)
    derived: Derived | None = None

    @property
    def unit(self) -> str:
        """Bench unit of the quantity."""
        return BENCH_UNIT[self.quantity]


@dataclass(frozen=True, slots=True)
class Inverter:
    """Nameplate of the inverter under test."""

    id: str
    firmware_revision: str
    firmware_sha256: str
    rated_current_a: float
    max_voltage_v: float
    switching_frequency_hz: float


@dataclass(frozen=True, slots=True)
class Motor:
    """Nameplate of the motor on the stand."""

    id: str
    pole_pairs: int
    rated_torque_nm: float
    rated_current_a: float
    max_speed_rpm: float
    winding_limit_c: float
    magnet_limit_c: float


@dataclass(frozen=True, slots=True)
class Propeller:
    """Nameplate of the propeller; ``u_diameter_m`` is the standard uncertainty of the diameter."""

    id: str
    diameter_m: float
    blades: int
    u_diameter_m: float
    chord75_m: float
    """Chord at 75 % radius, for the Reynolds number."""


MOST_GLYCOL = 0.6
"""Largest mass fraction of glycol whose properties are known here."""


@dataclass(frozen=True, slots=True)
class WarmBody:
    """A part of the drive by its temperature channel: heat to the air [W/K] and heat that it stores [J/K], each with
    its standard uncertainty."""

    channel: str
    air_w_per_k: float
    u_air_w_per_k: float
    heat_j_per_k: float
    u_heat_j_per_k: float


@dataclass(frozen=True, slots=True)
class Coolant:
    """What runs through the cooling loop: ethylene glycol in water, as a mass fraction (0 for water)."""

    glycol: float
    u_glycol: float
    """Standard uncertainty of the fraction."""
    u_rise_k: float | None = None
    """Standard uncertainty of the temperature difference, where inlet and outlet sensor were compared with each other;
    None: they err independently, each by its accuracy."""
    bodies: tuple[WarmBody, ...] = ()
    """Parts that give heat to the hall air and store heat; without them no loss is told from the coolant."""


class Role(StrEnum):
    """What a channel is to the analysis. The profile says so; nothing is guessed from names."""

    DC_VOLTAGE = "dc_voltage"
    DC_CURRENT = "dc_current"
    AC_POWER = "ac_power"
    PHASE_CURRENT = "phase_current"
    PHASE_VOLTAGE = "phase_voltage"
    Q_CURRENT = "q_current"
    ELECTRICAL_FREQUENCY = "electrical_frequency"
    SPEED = "speed"
    TORQUE = "torque"
    THRUST = "thrust"
    WINDING_TEMP = "winding_temp"
    MAGNET_TEMP = "magnet_temp"
    JUNCTION_TEMP = "junction_temp"
    COOLANT_INLET_TEMP = "coolant_inlet_temp"
    COOLANT_OUTLET_TEMP = "coolant_outlet_temp"
    COOLANT_FLOW = "coolant_flow"
    AIR_TEMP = "air_temp"
    AIR_PRESSURE = "air_pressure"
    AIR_HUMIDITY = "air_humidity"


@dataclass(frozen=True, slots=True)
class ThermalSteadiness:
    """When an operating point counts as thermally steady: no channel has changed by more than that over that time."""

    channels: tuple[str, ...]
    """Temperatures that must stand still."""
    change_k: float
    over_s: float
    """In stream time, before the end of the point."""


@dataclass(frozen=True, slots=True)
class Steadiness:
    """When a stretch of a run counts as one operating point (electrical and mechanical; thermal comes apart)."""

    channels: tuple[str, ...]
    """Channels that must hold still."""
    dwell_s: float
    """Shortest stretch, in stream time."""
    speed_band_rpm: float
    torque_band_nm: float
    """Widest drift within one stretch."""
    stabilise_s: float = 0.0
    """How long a set-point must have held still before the first reading of its point, in stream time."""
    thermal: ThermalSteadiness | None = None


@dataclass(frozen=True, slots=True)
class Stand:
    """The whole bench."""

    name: str
    title: str
    simulated: bool
    sources: Mapping[str, Source]
    channels: Mapping[str, Channel]
    """In profile order, the derived ones last, each behind its inputs."""
    roles: Mapping[Role, str]
    """Role -> channel name."""
    limit_set: LimitSet
    stop_actions: Mapping[str, StopAction]
    orderly_stop: str
    """Name of the stop action of an orderly stop."""
    inverter: Inverter
    motor: Motor
    steadiness: Steadiness
    propeller: Propeller | None = None
    coolant: Coolant | None = None
    notes: str = ""
    alarm_rules: AlarmRules = field(default_factory=AlarmRules)
    start_conditions: StartConditions = field(default_factory=StartConditions)
    heartbeat: Heartbeat | None = None
    bursts: Mapping[str, BurstSource] = field(default_factory=dict)
    thermal_models: Mapping[str, ThermalModel] = field(default_factory=dict)

    def channels_of(self, source: str) -> tuple[Channel, ...]:
        """Channels that ``source`` delivers, in the order of ``channels``: columns of its blocks and streams."""
        return tuple(c for c in self.channels.values() if c.source == source)

    def channel_for(self, role: Role) -> Channel | None:
        """The channel with that role, or None when the stand does not measure it."""
        name = self.roles.get(role)
        return None if name is None else self.channels[name]
