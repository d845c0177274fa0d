"""The shape of a stand profile as TOML writes it. Strict: unknown keys and wrong types are refused.

Values with a unit are written as ``{ value = 140.0, unit = "°C" }``; :mod:`benchkit.profiles.convert` takes them to
bench units. Nothing that protects has a default here.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.stand import Role
from benchkit.profiles.base import Finite, Measure, Name, NonNegative, Section
from benchkit.profiles.burst_schema import BurstSection
from benchkit.profiles.heartbeat_schema import HeartbeatSection
from benchkit.profiles.layer_schema import LimitRecord
from benchkit.profiles.limit_schema import LimitSection, LimitSetSection
from benchkit.profiles.sensor_schema import SensorSection
from benchkit.profiles.source_schema import SourceSection
from benchkit.profiles.start_schema import AlarmsSection, StartConditionsSection
from benchkit.profiles.stop_schema import StopActionSection
from benchkit.profiles.thermal_schema import ThermalModels
from benchkit.units import Quantity

QuantityField = Annotated[Quantity, Field(strict=False)]
RoleField = Annotated[Role, Field(strict=False)]


class ProfileSection(Section):
    """``[profile]``: take another profile as base, and change it."""

    base: str
    remove: list[str] = Field(default_factory=list)


class StandSection(Section):
    """``[stand]``."""

    name: Name
    title: str
    simulated: bool
    orderly_stop: str
    notes: str = ""


class InverterSection(Section):
    """``[inverter]``: nameplate."""

    id: str
    firmware_revision: str
    firmware_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$", description="64 hexadecimal digits")]
    rated_current: Measure
    max_voltage: Measure
    switching_frequency: Measure
    limits: str = ""
    """File of the limits that were agreed for this inverter."""


class MotorSection(Section):
    """``[motor]``: nameplate."""

    id: str
    pole_pairs: Annotated[int, Field(ge=1, le=200)]
    rated_torque: Measure
    rated_current: Measure
    max_speed: Measure
    winding_limit: Measure
    magnet_limit: Measure
    limits: str = ""
    """File of the limits that were agreed for this motor."""


class PropellerSection(Section):
    """``[propeller]``: nameplate."""

    id: str
    blades: Annotated[int, Field(ge=1, le=20)]
    diameter: Measure
    u_diameter: Measure
    chord75: Measure


class WarmBodySection(Section):
    """``[[coolant.bodies]]``: heat that a part gives to the air and stores; watts and joules per kelvin."""

    channel: str
    air_w_per_k: NonNegative
    u_air_w_per_k: NonNegative
    heat_j_per_k: NonNegative
    u_heat_j_per_k: NonNegative


class CoolantSection(Section):
    """``[coolant]``: ethylene glycol in the water, by mass; ``u_rise`` of two sensors compared with each other."""

    glycol: Measure
    u_glycol: Measure
    u_rise: Measure | None = None
    bodies: Annotated[list[WarmBodySection], Field(max_length=10)] = Field(default_factory=list)


class GainOffsetSection(Section):
    """Straight line."""

    kind: Literal["gain_offset"]
    gain: Finite
    offset: Finite


class PolynomialSection(Section):
    """Polynomial, lowest power first, monotonic on ``raw_range``."""

    kind: Literal["polynomial"]
    coefficients: Annotated[list[Finite], Field(min_length=2)]
    raw_range: Annotated[list[Finite], Field(min_length=2, max_length=2)]


class TableSection(Section):
    """Straight lines between points."""

    kind: Literal["table"]
    raw: Annotated[list[Finite], Field(min_length=2)]
    value: Annotated[list[Finite], Field(min_length=2)]


CalibrationSection = Annotated[
    GainOffsetSection | PolynomialSection | TableSection | SensorSection, Field(discriminator="kind")
]


class AccuracySection(Section):
    """Standard uncertainty (k = 1) of the calibration."""

    of_reading_percent: NonNegative
    constant: NonNegative


class CertificateSection(Section):
    """Calibration certificate."""

    id: str
    date: dt.date
    due: dt.date


class ChannelSection(Section):
    """``[channels.NAME]``."""

    label: str
    quantity: QuantityField
    unit: str
    source: str
    column: str
    range: Annotated[list[Finite], Field(min_length=2, max_length=2)]
    calibration: CalibrationSection
    accuracy: AccuracySection
    certificate: CertificateSection | None = None


class ConstantSection(Section):
    """A number with its unit in a formula: of a quantity of the bench, or in a product of coherent SI units."""

    value: Finite
    unit: str
    quantity: QuantityField | None = None


class DerivedSection(Section):
    """``[derived.NAME]``: a channel that is computed from channels of one source."""

    label: str
    quantity: QuantityField
    unit: str
    range: Annotated[list[Finite], Field(min_length=2, max_length=2)]
    expression: str
    constants: Annotated[dict[Name, ConstantSection], Field(max_length=50)] = Field(default_factory=dict)
    accuracy: AccuracySection | None = None
    """What formula and constants add to the uncertainty of the inputs."""


class ThermalSteadinessSection(Section):
    """``[steadiness.thermal]``: when a point counts as thermally steady."""

    channels: Annotated[list[str], Field(min_length=1)]
    change: Measure
    over: Measure


class SteadinessSection(Section):
    """``[steadiness]``: when a stretch counts as one operating point."""

    channels: Annotated[list[str], Field(min_length=1)]
    dwell: Measure
    speed_band: Measure
    torque_band: Measure
    stabilise: Measure | None = None
    """How long a set-point must have held before its readings."""
    thermal: ThermalSteadinessSection | None = None


class Profile(Section):
    """A whole stand profile."""

    stand: StandSection
    inverter: InverterSection
    motor: MotorSection
    propeller: PropellerSection | None = None
    coolant: CoolantSection | None = None
    sources: Annotated[dict[Name, SourceSection], Field(min_length=1)]
    channels: Annotated[dict[Name, ChannelSection], Field(min_length=1)]
    derived: Annotated[dict[Name, DerivedSection], Field(max_length=200)] = Field(default_factory=dict)
    roles: dict[RoleField, str]
    steadiness: SteadinessSection
    stop_actions: dict[Name, StopActionSection]
    limit_set: LimitSetSection
    limits: dict[Name, LimitSection]
    limit_record: LimitRecord | None = None
    alarms: AlarmsSection | None = None
    start_conditions: StartConditionsSection | None = None
    heartbeat: HeartbeatSection | None = None
    bursts: Annotated[dict[Name, BurstSection], Field(max_length=4)] = Field(default_factory=dict)
    thermal_models: ThermalModels = Field(default_factory=dict)
