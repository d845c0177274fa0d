"""Sensor curves as a profile writes them: ``calibration = { kind = "pt100" }`` and its relatives.

What a sensor curve takes is fixed by its kind: ohm for ``pt100``, ``pt1000`` and ``ntc``, mV for ``thermocouple``, mA
for ``current_loop``, mV/V for ``bridge`` and ``quarter_bridge``, Hz or counts in a gate time for ``pulses``. An
instrument that sends another unit is brought there by ``raw_gain`` and ``raw_offset``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchkit.model.sensors import ThermocoupleType
from benchkit.profiles.base import Finite, Measure, Section

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
TypeField = Annotated[ThermocoupleType, Field(strict=False)]


class CorrectionSection(Section):
    """Straight line of a calibration certificate, applied after the curve, in the unit of the channel."""

    gain: Finite
    offset: Finite


class _SensorSection(Section):
    raw_gain: Finite = 1.0
    raw_offset: Finite = 0.0
    correction: CorrectionSection | None = None


class PlatinumSection(_SensorSection):
    """Resistance thermometer after IEC 60751; takes ohm."""

    kind: Literal["pt100", "pt1000"]


class ThermocoupleSection(_SensorSection):
    """Thermocouple; takes mV. Exactly one of the two cold junctions is given."""

    kind: Literal["thermocouple"]
    type: TypeField
    cold_junction: Measure | None = None
    cold_junction_channel: str | None = None


class ThermistorSection(_SensorSection):
    """NTC after Steinhart and Hart; takes ohm, valid on ``raw_range``."""

    kind: Literal["ntc"]
    a: Finite
    b: Positive
    c: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    raw_range: Annotated[list[Positive], Field(min_length=2, max_length=2)]


class CurrentLoopSection(_SensorSection):
    """4-20 mA after NAMUR NE 43; takes mA. Values at both ends in the unit of the channel."""

    kind: Literal["current_loop"]
    at_4_ma: Finite
    at_20_ma: Finite


class BridgeSection(Section):
    """Bridge transducer; takes mV/V. ``rated_value`` in the unit of the channel."""

    kind: Literal["bridge"]
    rated_output: Finite
    rated_value: Finite
    zero_output: Finite


class QuarterBridgeSection(_SensorSection):
    """One strain gauge; takes mV/V, gives strain."""

    kind: Literal["quarter_bridge"]
    gauge_factor: Positive


class PulsesSection(Section):
    """Pulse wheel; takes Hz, or the counts in ``gate_time``."""

    kind: Literal["pulses"]
    pulses_per_revolution: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    gate_time: Measure | None = None


SensorSection = (
    PlatinumSection
    | ThermocoupleSection
    | ThermistorSection
    | CurrentLoopSection
    | BridgeSection
    | QuarterBridgeSection
    | PulsesSection
)
