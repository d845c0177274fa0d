"""From the state of the plant to the raw numbers that an instrument sends.

A sensor sees its quantity through a first-order lag, with a slow wander (Ornstein-Uhlenbeck, fluctuation of the
measurand itself) and white noise on top. Its calibration is off by a gain and an offset, drawn once per seed from the
accuracy that the profile states, so a point is right only within that accuracy, however long it is averaged. The value
then goes back through the channel's calibration curve and is rounded to the resolution of the sent text.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, exp, log10, nan, sqrt
from random import Random

import numpy as np

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.calibration import Accuracy, AnyCurve, GainOffset, Polynomial, Table
from benchkit.model.sensors import cold_junction_of
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Channel, Stand
from benchkit.simulate.drives import PropellerParameters
from benchkit.simulate.plant import Plant


@dataclass(frozen=True, slots=True)
class Sensor:
    """Noise and resolution in the bench unit, times in s."""

    white: float
    resolution: float
    wander: float = 0.0
    wander_s: float = 0.3
    lag_s: float = 0.0


_TEMPERATURE = Sensor(white=0.03, resolution=0.01, lag_s=1.0)
SENSORS: Mapping[str, Sensor] = {
    "udc": Sensor(white=0.05, resolution=0.01, wander=0.03),
    "idc": Sensor(white=0.08, resolution=0.005, wander=0.03),
    "iu": Sensor(white=0.10, resolution=0.01, wander=0.03),
    "iv": Sensor(white=0.10, resolution=0.01, wander=0.03),
    "iw": Sensor(white=0.10, resolution=0.01, wander=0.03),
    "pac": Sensor(white=15.0, resolution=0.1, wander=3.0),
    "n": Sensor(white=0.4, resolution=0.05, wander=0.2, wander_s=0.5),
    "tq": Sensor(white=0.25, resolution=0.002, wander=0.04),
    "thrust": Sensor(white=1.5, resolution=0.05, wander=0.8, wander_s=0.4, lag_s=0.05),
    "t_winding": Sensor(white=0.05, resolution=0.01, lag_s=1.0),
    "t_stator": _TEMPERATURE,
    "t_magnet": Sensor(white=0.10, resolution=0.01, lag_s=2.0),
    "t_junction": Sensor(white=0.20, resolution=0.01, lag_s=0.1),
    "t_case": _TEMPERATURE,
    "t_cool_in": _TEMPERATURE,
    "t_cool_out": _TEMPERATURE,
    "q_cool": Sensor(white=0.02, resolution=0.001, wander=0.01, lag_s=0.3),
    "t_air": Sensor(white=0.02, resolution=0.01, wander=0.02, wander_s=5.0, lag_s=3.0),
    "p_air": Sensor(white=2.0, resolution=1.0),
    "rh_air": Sensor(white=0.001, resolution=0.0001, lag_s=3.0),
    "vib": Sensor(white=0.03, resolution=0.001, wander=0.05, wander_s=0.2, lag_s=0.1),
    "id": Sensor(white=0.3, resolution=0.01),
    "iq": Sensor(white=0.3, resolution=0.01),
    "fel": Sensor(white=0.05, resolution=0.01),
}
"""What the simulated stand can send, by column name of the profile."""
COLUMNS = tuple(SENSORS)


def signals(plant: Plant) -> tuple[float, ...]:
    """The measured quantities in bench units, in the order of ``COLUMNS``."""
    s, t, c = plant.state, plant.temps, plant.conditions
    current = s.phase_current_a
    return (
        s.dc_voltage_v, s.dc_current_a, current, current, current, s.ac_power_w, s.speed_rpm, s.torque_nm, s.thrust_n,
        t.winding_c, t.stator_c, t.magnet_c, t.junction_c, t.case_c, s.inlet_c, t.outlet_c, s.flow_lpm,
        c.air_c, c.pressure_pa, c.humidity, s.vibration_mm_s, s.i_d_a, s.i_q_a,
        plant.drive.motor.pole_pairs * s.speed_rpm / 60.0,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Chain:
    """Everything between one quantity and its field: sensor, calibration error of this seed, curve, digits."""

    column: str
    signal: int
    """Index in ``COLUMNS``."""
    sensor: Sensor
    gain_error: float
    offset_error: float
    curve: AnyCurve
    digits: int
    low: float
    high: float


def chains_of(stand: Stand, source: str, seed: int) -> tuple[Chain, ...]:
    """One chain per value column of ``source``, with the calibration errors of ``seed``.

    Raises:
        UsageError: a column that the simulated stand does not have.
    """
    spec = stand.sources[source]
    by_column: dict[str, Channel] = {}
    for channel in stand.channels_of(source):
        by_column.setdefault(channel.column, channel)
    rng = np.random.default_rng([seed, 1])
    chains = []
    for column in text_format_of(spec).value_columns:
        if column not in SENSORS:
            raise UsageError(
                f"the simulated stand has no column {column!r}",
                where=f"stand {stand.name}: sources.{source}.format.columns",
                expected=", ".join(COLUMNS),
                remedy=did_you_mean(column, COLUMNS) or "Use one of these.",
            )
        mounted = by_column.get(column)
        chain = _chain(column, mounted, *(float(v) for v in rng.standard_normal(2)))
        chains.append(chain)
    return tuple(chains)


def true_propeller(propeller: PropellerParameters, u_diameter_m: float, seed: int) -> PropellerParameters:
    """The propeller as it really is: its diameter differs from the nameplate by what the ruler could not tell."""
    deviation = float(np.random.default_rng([seed, 2]).standard_normal()) * u_diameter_m
    return replace(propeller, diameter_m=propeller.diameter_m + deviation)


def _chain(column: str, channel: Channel | None, gain_draw: float, offset_draw: float) -> Chain:
    sensor = SENSORS[column]
    accuracy = channel.calibration.accuracy if channel else Accuracy()
    curve = channel.calibration.curve if channel else GainOffset()
    if channel is not None and cold_junction_of(curve):
        raise UsageError(
            "the simulated stand has no terminals whose temperature is measured",
            where=f"channels.{channel.name}.calibration",
            remedy='For a simulation use cold_junction = { value = 0.0, unit = "°C" }.',
        )
    low, high = (channel.low, channel.high) if channel else (-1e6, 1e6)
    middle = 0.5 * (low + high)
    pair = curve.invert(np.array([middle, middle + sensor.resolution]))
    raw_step = abs(float(pair[1] - pair[0]))
    digits = max(0, ceil(-log10(raw_step) - 1e-9)) if raw_step > 0.0 else 6
    return Chain(
        column=column,
        signal=COLUMNS.index(column),
        sensor=sensor,
        gain_error=gain_draw * accuracy.of_reading,
        offset_error=offset_draw * accuracy.constant,
        curve=curve,
        digits=digits,
        low=low,
        high=high,
    )


class Reader:
    """The chains of one source as plain scalars, one call per line. ``step_s`` is device time between lines."""

    def __init__(self, chains: Sequence[Chain], seed: int, step_s: float) -> None:
        self._gauss = Random(seed).gauss
        self._indices = [c.signal for c in chains]
        self._lag = [1.0 - exp(-step_s / c.sensor.lag_s) if c.sensor.lag_s > 0.0 else 1.0 for c in chains]
        self._keep = [exp(-step_s / c.sensor.wander_s) for c in chains]
        self._kick = [c.sensor.wander * sqrt(1.0 - k * k) for c, k in zip(chains, self._keep, strict=True)]
        self._seen: list[float] | None = None
        self._wander = [0.0] * len(chains)
        # For a straight curve everything after the lag is one straight line: raw = scale·x + shift + noise·gauss.
        self._scale, self._shift, self._noise = [], [], []
        self._curved: list[Callable[[float], float] | None] = []
        for c in chains:
            straight = isinstance(c.curve, GainOffset)
            slope, zero = (c.curve.gain, c.curve.offset) if isinstance(c.curve, GainOffset) else (1.0, 0.0)
            self._scale.append((1.0 + c.gain_error) / slope)
            self._shift.append((c.offset_error - zero) / slope)
            self._noise.append(c.sensor.white / slope)
            self._curved.append(None if straight else scalar_inverse(c.curve))

    def read(self, quantities: Sequence[float]) -> list[float]:
        """Raw numbers of one line, before rounding; ``quantities`` in the order of ``COLUMNS``."""
        gauss, wander, kick, noise = self._gauss, self._wander, self._kick, self._noise
        if self._seen is None:
            self._seen = [quantities[i] for i in self._indices]
        seen, raw = self._seen, []
        for k, index in enumerate(self._indices):
            y = seen[k] + self._lag[k] * (quantities[index] - seen[k])
            seen[k] = y
            if kick[k]:
                w = self._keep[k] * wander[k] + kick[k] * gauss(0.0, 1.0)
                wander[k] = w
                y += w
            value = self._scale[k] * y + self._shift[k] + noise[k] * gauss(0.0, 1.0)
            curved = self._curved[k]
            raw.append(value if curved is None else curved(value))
        return raw


def scalar_inverse(curve: AnyCurve) -> Callable[[float], float]:
    """``curve.invert`` for one value at a time, by straight lines between points; NaN outside, as the curve."""
    if isinstance(curve, GainOffset):
        return lambda value: (value - curve.offset) / curve.gain
    if isinstance(curve, Table):
        points = sorted(zip(curve.value, curve.raw, strict=True))
    elif isinstance(curve, Polynomial):
        # Monotonic and smooth: 4096 straight pieces are far finer than the resolution of the sent text.
        x = np.linspace(curve.raw_low, curve.raw_high, 4097)
        points = sorted(zip(curve.apply(x).tolist(), x.tolist(), strict=True))
    else:
        # Even in the quantity: a thermistor's resistance runs over decades.
        margin = 1e-9 * (curve.raw_high - curve.raw_low)  # the ends themselves may be out by a rounding
        ends = curve.apply(np.array([curve.raw_low + margin, curve.raw_high - margin]))
        quantity = np.linspace(float(ends.min()), float(ends.max()), 4097)
        points = sorted(zip(quantity.tolist(), curve.invert(quantity).tolist(), strict=True))
    values = [p[0] for p in points]
    raws = [p[1] for p in points]

    def inverse(value: float) -> float:
        if not values[0] <= value <= values[-1]:
            return nan
        k = min(bisect_right(values, value), len(values) - 1)
        share = (value - values[k - 1]) / (values[k] - values[k - 1])
        return raws[k - 1] + share * (raws[k] - raws[k - 1])

    return inverse
