"""Sensor sections to sensor curves, in bench units."""

from __future__ import annotations

from collections.abc import Mapping

from benchkit.model.calibration import AnyCurve, GainOffset
from benchkit.model.sensors import (
    Corrected,
    CurrentLoop,
    PlatinumResistance,
    QuarterBridge,
    SensorCurve,
    SteinhartHart,
    Thermocouple,
)
from benchkit.profiles import sensor_schema
from benchkit.profiles.collect import Collector
from benchkit.units import Quantity, Scale

FIXED_QUANTITY: Mapping[str, Quantity] = {
    "pt100": Quantity.TEMPERATURE,
    "pt1000": Quantity.TEMPERATURE,
    "thermocouple": Quantity.TEMPERATURE,
    "ntc": Quantity.TEMPERATURE,
    "quarter_bridge": Quantity.RATIO,
    "pulses": Quantity.SPEED,
}
"""Kinds that measure one quantity, and give it in its bench unit."""


def sensor_curve(
    faults: Collector, key: str, section: sensor_schema.SensorSection, quantity: Quantity, scale: Scale
) -> AnyCurve:
    """The curve of one channel; ``scale`` takes the unit of the channel to its bench unit."""
    fixed = FIXED_QUANTITY.get(section.kind)
    if fixed is not None and quantity is not fixed:
        faults.fault(f"{key}.kind", f"{section.kind!r} measures {fixed.value}", quantity.value, fixed.value)
        return GainOffset()
    if isinstance(section, sensor_schema.BridgeSection):
        return _bridge(faults, key, section, scale)
    if isinstance(section, sensor_schema.PulsesSection):
        return _pulses(faults, key, section)
    curve = _curve(faults, key, section, scale)
    if section.raw_gain == 0.0:
        faults.fault(f"{key}.raw_gain", "a gain of zero measures nothing", section.raw_gain)
        return GainOffset()
    gain, offset = 1.0, 0.0
    if section.correction is not None:
        gain, offset = section.correction.gain, section.correction.offset
        if gain == 0.0:
            faults.fault(f"{key}.correction.gain", "a gain of zero measures nothing", gain)
            return GainOffset()
        # value_bench = f (g v + o) + z with v = (bench - z) / f: the line in the channel's unit, in bench units
        offset = scale.factor * offset + scale.offset * (1.0 - gain)
    corrected = Corrected(curve, gain, offset, section.raw_gain, section.raw_offset)
    return curve if corrected == Corrected(curve) else corrected


def _curve(
    faults: Collector,
    key: str,
    section: sensor_schema.PlatinumSection
    | sensor_schema.ThermocoupleSection
    | sensor_schema.ThermistorSection
    | sensor_schema.CurrentLoopSection
    | sensor_schema.QuarterBridgeSection,
    scale: Scale,
) -> SensorCurve:
    match section:
        case sensor_schema.PlatinumSection():
            return PlatinumResistance(100.0 if section.kind == "pt100" else 1000.0)
        case sensor_schema.ThermocoupleSection():
            return _thermocouple(faults, key, section)
        case sensor_schema.ThermistorSection():
            low, high = section.raw_range
            if not low < high:
                faults.fault(f"{key}.raw_range", "the lower end must lie below the upper end", section.raw_range)
            return SteinhartHart(section.a, section.b, section.c, low, high)
        case sensor_schema.CurrentLoopSection():
            if section.at_4_ma == section.at_20_ma:
                faults.fault(f"{key}.at_20_ma", "the same value at both ends measures nothing", section.at_20_ma)
            ends = (scale.factor * end + scale.offset for end in (section.at_4_ma, section.at_20_ma))
            return CurrentLoop(*ends)
        case sensor_schema.QuarterBridgeSection():
            return QuarterBridge(section.gauge_factor)


def _thermocouple(faults: Collector, key: str, section: sensor_schema.ThermocoupleSection) -> Thermocouple:
    if (section.cold_junction is None) == (section.cold_junction_channel is None):
        faults.fault(
            f"{key}.cold_junction",
            "a thermocouple has one cold junction",
            remedy='Give cold_junction, such as { value = 0.0, unit = "°C" } for an ice bath or a compensated '
            "instrument, or cold_junction_channel.",
        )
    if section.cold_junction is None:
        return Thermocouple(section.type, cold_junction_channel=section.cold_junction_channel or "")
    fixed = faults.measure(f"{key}.cold_junction", Quantity.TEMPERATURE, section.cold_junction)
    if not -50.0 <= fixed <= 150.0:
        faults.fault(f"{key}.cold_junction", "no place for a cold junction", fixed, "-50 … 150 °C")
    return Thermocouple(section.type, fixed)


def _bridge(faults: Collector, key: str, section: sensor_schema.BridgeSection, scale: Scale) -> GainOffset:
    """A bridge transducer is a straight line: ``value = rated_value (r - zero_output) / rated_output``."""
    if section.rated_output == 0.0 or section.rated_value == 0.0:
        faults.fault(f"{key}.rated_output", "a transducer that answers nothing to its rated value measures nothing")
        return GainOffset()
    gain = section.rated_value / section.rated_output
    return GainOffset(scale.factor * gain, scale.offset - scale.factor * gain * section.zero_output)


def _pulses(faults: Collector, key: str, section: sensor_schema.PulsesSection) -> GainOffset:
    """Pulses per second (or per gate time) to rpm: ``n = 60 f / p``."""
    gate_s = 1.0
    if section.gate_time is not None:
        gate_s = faults.positive(f"{key}.gate_time", Quantity.TIME, section.gate_time)
    return GainOffset(60.0 / (section.pulses_per_revolution * gate_s) if gate_s > 0.0 else 1.0)
