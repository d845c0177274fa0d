"""From the checked sections to the frozen stand: units to bench units, names resolved, all faults collected."""

from __future__ import annotations

from collections.abc import Mapping

from benchkit.model.calibration import Accuracy, AnyCurve, Calibration, Certificate, GainOffset, Polynomial, Table
from benchkit.model.sensors import cold_junction_of
from benchkit.model.stand import (
    MOST_GLYCOL,
    Channel,
    Coolant,
    Inverter,
    Motor,
    Propeller,
    Role,
    Stand,
    Steadiness,
    ThermalSteadiness,
    WarmBody,
)
from benchkit.profiles import schema
from benchkit.profiles.burst_schema import burst_source
from benchkit.profiles.collect import Collector
from benchkit.profiles.derived_convert import derived_channels
from benchkit.profiles.heartbeat_schema import heartbeat_of
from benchkit.profiles.limit_convert import limit_set
from benchkit.profiles.sensor_convert import sensor_curve
from benchkit.profiles.source_convert import SourceConverter
from benchkit.profiles.start_schema import alarm_rules, start_conditions
from benchkit.profiles.stop_schema import stop_action
from benchkit.profiles.thermal_schema import thermal_models
from benchkit.units import Quantity, Scale

ROLE_QUANTITY: Mapping[Role, Quantity] = {
    Role.DC_VOLTAGE: Quantity.VOLTAGE,
    Role.DC_CURRENT: Quantity.CURRENT,
    Role.AC_POWER: Quantity.POWER,
    Role.PHASE_CURRENT: Quantity.CURRENT,
    Role.PHASE_VOLTAGE: Quantity.VOLTAGE,
    Role.Q_CURRENT: Quantity.CURRENT,
    Role.ELECTRICAL_FREQUENCY: Quantity.FREQUENCY,
    Role.SPEED: Quantity.SPEED,
    Role.TORQUE: Quantity.TORQUE,
    Role.THRUST: Quantity.FORCE,
    Role.WINDING_TEMP: Quantity.TEMPERATURE,
    Role.MAGNET_TEMP: Quantity.TEMPERATURE,
    Role.JUNCTION_TEMP: Quantity.TEMPERATURE,
    Role.COOLANT_INLET_TEMP: Quantity.TEMPERATURE,
    Role.COOLANT_OUTLET_TEMP: Quantity.TEMPERATURE,
    Role.COOLANT_FLOW: Quantity.FLOW,
    Role.AIR_TEMP: Quantity.TEMPERATURE,
    Role.AIR_PRESSURE: Quantity.PRESSURE,
    Role.AIR_HUMIDITY: Quantity.RATIO,
}


class Converter(Collector):
    """Converts the sections; ``stand`` is only used when it found no problem."""

    def __init__(self, profile: schema.Profile, origin: str) -> None:
        super().__init__(origin)
        self.profile = profile
        self._quantities = {name: d.quantity for name, d in profile.derived.items()}
        self._quantities |= {name: c.quantity for name, c in profile.channels.items()}

    def stand(self) -> Stand:
        """Build the stand. With problems its values are placeholders and must not be used."""
        p = self.profile
        sources = {name: SourceConverter(self, name).source(s) for name, s in p.sources.items()}
        channels = {name: self._channel(name, c) for name, c in p.channels.items()}
        self._cold_junctions(channels)
        channels |= derived_channels(self, p.derived, channels)
        for role, channel in p.roles.items():
            self._role(role, channel)
        for index, channel in enumerate(p.steadiness.channels):
            self.known(f"steadiness.channels.{index}", "channel", channel, self._quantities)
        actions = {name: stop_action(self, name, a, p.sources) for name, a in p.stop_actions.items()}
        self.known("stand.orderly_stop", "stop action", p.stand.orderly_stop, actions)
        limits = limit_set(self, p.limit_set, p.limits, self._quantities, p.stop_actions)
        return Stand(
            name=p.stand.name,
            title=p.stand.title,
            simulated=p.stand.simulated,
            sources=sources,
            channels=channels,
            roles=dict(p.roles),
            limit_set=limits,
            stop_actions=actions,
            orderly_stop=p.stand.orderly_stop,
            inverter=self._inverter(),
            motor=self._motor(),
            steadiness=self._steadiness(),
            propeller=self._propeller(),
            coolant=self._coolant(),
            notes=p.stand.notes,
            alarm_rules=alarm_rules(self, p.alarms),
            start_conditions=start_conditions(self, p.start_conditions, self._quantities),
            heartbeat=heartbeat_of(self, p.heartbeat, p.sources),
            bursts={name: burst_source(self, name, b, p.sources) for name, b in p.bursts.items()},
            thermal_models=thermal_models(self, p.thermal_models, channels, {x.name: x for x in limits.limits}),
        )

    # -- sections

    def _channel(self, name: str, c: schema.ChannelSection) -> Channel:
        key = f"channels.{name}"
        scale = self.scale(key, c.quantity, c.unit)
        if self.known(f"{key}.source", "source", c.source, self.profile.sources):
            self.known(f"{key}.column", "value column", c.column, self.profile.sources[c.source].value_columns())
        low, high = (scale.factor * end + scale.offset for end in c.range)
        if not low < high:
            self.fault(f"{key}.range", "the lower end must lie below the upper end", c.range)
        if c.certificate and c.certificate.due < c.certificate.date:
            self.fault(f"{key}.certificate.due", "lies before the day of calibration", str(c.certificate.due))
        return Channel(
            name=name,
            label=c.label,
            quantity=c.quantity,
            source=c.source,
            column=c.column,
            low=low,
            high=high,
            calibration=Calibration(
                curve=self._curve(f"{key}.calibration", c.calibration, c.quantity, scale),
                accuracy=Accuracy(c.accuracy.of_reading_percent / 100.0, c.accuracy.constant * abs(scale.factor)),
                certificate=Certificate(c.certificate.id, c.certificate.date, c.certificate.due)
                if c.certificate
                else None,
            ),
        )

    def _curve(self, key: str, c: schema.CalibrationSection, quantity: Quantity, scale: Scale) -> AnyCurve:
        if isinstance(c, schema.GainOffsetSection):
            if c.gain == 0.0:
                self.fault(f"{key}.gain", "a gain of zero measures nothing", c.gain)
            return GainOffset(scale.factor * c.gain, scale.factor * c.offset + scale.offset)
        if isinstance(c, schema.PolynomialSection):
            coefficients = [scale.factor * x for x in c.coefficients]
            coefficients[0] += scale.offset
            low, high = c.raw_range
            curve = Polynomial(tuple(coefficients), low, high)
            if not low < high:
                self.fault(f"{key}.raw_range", "the lower end must lie below the upper end", c.raw_range)
            elif not _is_monotonic(curve):
                self.fault(f"{key}.coefficients", "the polynomial turns inside raw_range", remedy="Narrow raw_range.")
            return curve
        if not isinstance(c, schema.TableSection):
            return sensor_curve(self, key, c, quantity, scale)
        if len(c.raw) != len(c.value):
            self.fault(f"{key}.value", "as many values as raw points", len(c.value), str(len(c.raw)))
            return GainOffset()
        rises = [b - a for a, b in zip(c.raw, c.raw[1:], strict=False)]
        steps = [b - a for a, b in zip(c.value, c.value[1:], strict=False)]
        if not all(r > 0 for r in rises):
            self.fault(f"{key}.raw", "raw points must rise")
        if not (all(s > 0 for s in steps) or all(s < 0 for s in steps)):
            self.fault(f"{key}.value", "values must rise or fall all the way")
        return Table(tuple(c.raw), tuple(scale.factor * v + scale.offset for v in c.value))

    def _cold_junctions(self, channels: Mapping[str, Channel]) -> None:
        for channel in channels.values():
            name = cold_junction_of(channel.calibration.curve)
            key = f"channels.{channel.name}.calibration.cold_junction_channel"
            if not name or not self.known(key, "channel", name, channels):
                continue
            junction = channels[name]
            if junction.quantity is not Quantity.TEMPERATURE:
                self.fault(key, f"channel {name!r} measures {junction.quantity.value}", expected="temperature")
            elif junction.source != channel.source:
                self.fault(key, f"channel {name!r} comes from another source", junction.source, channel.source)
            elif cold_junction_of(junction.calibration.curve):
                self.fault(key, f"channel {name!r} itself needs a cold junction", remedy="Measure it another way.")

    def _role(self, role: Role, channel: str) -> None:
        key = f"roles.{role.value}"
        if channel in self.profile.derived and channel not in self.profile.channels:
            remedy = "The analysis takes the accuracy of a calibration with it: give the role to a measured channel."
            self.fault(key, "a role goes to a measured channel, this one is derived", channel, remedy=remedy)
            return
        if not self.known(key, "channel", channel, self.profile.channels):
            return
        quantity = self.profile.channels[channel].quantity
        if quantity is not ROLE_QUANTITY[role]:
            self.fault(key, f"channel {channel!r} measures {quantity.value}", expected=ROLE_QUANTITY[role].value)

    def _inverter(self) -> Inverter:
        i = self.profile.inverter
        return Inverter(
            id=i.id,
            firmware_revision=i.firmware_revision,
            firmware_sha256=i.firmware_sha256,
            rated_current_a=self.positive("inverter.rated_current", Quantity.CURRENT, i.rated_current),
            max_voltage_v=self.positive("inverter.max_voltage", Quantity.VOLTAGE, i.max_voltage),
            switching_frequency_hz=self.positive(
                "inverter.switching_frequency", Quantity.FREQUENCY, i.switching_frequency
            ),
        )

    def _motor(self) -> Motor:
        m = self.profile.motor
        return Motor(
            id=m.id,
            pole_pairs=m.pole_pairs,
            rated_torque_nm=self.positive("motor.rated_torque", Quantity.TORQUE, m.rated_torque),
            rated_current_a=self.positive("motor.rated_current", Quantity.CURRENT, m.rated_current),
            max_speed_rpm=self.positive("motor.max_speed", Quantity.SPEED, m.max_speed),
            winding_limit_c=self.measure("motor.winding_limit", Quantity.TEMPERATURE, m.winding_limit),
            magnet_limit_c=self.measure("motor.magnet_limit", Quantity.TEMPERATURE, m.magnet_limit),
        )

    def _propeller(self) -> Propeller | None:
        p = self.profile.propeller
        if p is None:
            return None
        return Propeller(
            id=p.id,
            blades=p.blades,
            diameter_m=self.positive("propeller.diameter", Quantity.LENGTH, p.diameter),
            u_diameter_m=self.measure("propeller.u_diameter", Quantity.LENGTH, p.u_diameter),
            chord75_m=self.positive("propeller.chord75", Quantity.LENGTH, p.chord75),
        )

    def _coolant(self) -> Coolant | None:
        c = self.profile.coolant
        if c is None:
            return None
        glycol = self.measure("coolant.glycol", Quantity.RATIO, c.glycol)
        u_glycol = self.measure("coolant.u_glycol", Quantity.RATIO, c.u_glycol)
        if not 0.0 <= glycol <= MOST_GLYCOL:
            self.fault(
                "coolant.glycol.value", "outside the mixtures whose properties are known (0 to 60 %)", c.glycol.value
            )
        if not u_glycol >= 0.0:
            self.fault("coolant.u_glycol.value", "an uncertainty cannot be negative", c.u_glycol.value)
        rise = None if c.u_rise is None else self.positive("coolant.u_rise", Quantity.TEMPERATURE_DIFFERENCE, c.u_rise)
        for index, body in enumerate(c.bodies):
            if self._quantities.get(body.channel) != Quantity.TEMPERATURE:
                self.fault(f"coolant.bodies.{index}.channel", "not a temperature channel of this stand", body.channel)
        return Coolant(glycol, u_glycol, rise, tuple(WarmBody(**body.model_dump()) for body in c.bodies))

    def _steadiness(self) -> Steadiness:
        s = self.profile.steadiness
        return Steadiness(
            channels=tuple(s.channels),
            dwell_s=self.positive("steadiness.dwell", Quantity.TIME, s.dwell),
            speed_band_rpm=self.positive("steadiness.speed_band", Quantity.SPEED, s.speed_band),
            torque_band_nm=self.positive("steadiness.torque_band", Quantity.TORQUE, s.torque_band),
            stabilise_s=0.0 if s.stabilise is None else self.delay("steadiness.stabilise", s.stabilise),
            thermal=None if s.thermal is None else self._thermal_steadiness(s.thermal),
        )

    def _thermal_steadiness(self, t: schema.ThermalSteadinessSection) -> ThermalSteadiness:
        key = "steadiness.thermal"
        for index, name in enumerate(t.channels):
            where = f"{key}.channels.{index}"
            if self.known(where, "channel", name, self._quantities):
                quantity = self._quantities[name]
                if quantity is not Quantity.TEMPERATURE:
                    self.fault(where, f"channel {name!r} measures {quantity.value}", expected="temperature")
        return ThermalSteadiness(
            channels=tuple(t.channels),
            change_k=self.positive(f"{key}.change", Quantity.TEMPERATURE_DIFFERENCE, t.change),
            over_s=self.positive(f"{key}.over", Quantity.TIME, t.over),
        )


def _is_monotonic(curve: Polynomial) -> bool:
    """True when the derivative has no sign change inside the raw range."""
    import numpy as np

    roots = np.polynomial.Polynomial(curve.coefficients).deriv().roots()
    real = roots.real[np.abs(roots.imag) < 1e-12]
    turns = bool(np.any((real > curve.raw_low) & (real < curve.raw_high)))
    return not turns and any(c != 0.0 for c in curve.coefficients[1:])
