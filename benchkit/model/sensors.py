"""Sensors whose curve a standard gives: resistance thermometers, thermocouples, thermistors, current loops, bridges.

Each curve is a calibration as in :mod:`benchkit.model.calibration`: ``apply`` takes what the instrument sends to the
quantity, ``invert`` takes it back, arrays of any shape. NaN stays NaN; outside ``raw_low`` … ``raw_high`` the answer
is NaN. The reference functions say nothing about the single sensor: its uncertainty stays in ``Accuracy``.

Sources: IEC 60751, NIST SRD 60, Steinhart and Hart, NAMUR NE 43, Micro-Measurements TN-514: in full at each curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchkit.model.thermocouple_tables import REFERENCE, Piece

FloatArray = npt.NDArray[np.float64]

# ------------------------------------------------------------------------------------- resistance thermometer
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12


@dataclass(frozen=True, slots=True)
class PlatinumResistance:
    """Platinum resistance thermometer, [Ω] -> [°C], -200 … 850 °C; ``r0_ohm`` is 100 for Pt100, 1000 for Pt1000.

    ``R = R0 (1 + A t + B t² + C (t - 100) t³)``, C only below 0 °C (1).

    Source: IEC 60751:2008, 4.2, A 3.9083e-3, B -5.775e-7, C -4.183e-12.

    >>> round(float(PlatinumResistance(100.0).apply(np.array(108.5))), 4)
    21.8189
    """

    r0_ohm: float = 100.0

    @property
    def is_identity(self) -> bool:
        return False

    @property
    def raw_low(self) -> float:
        """Resistance at -200 °C, ohm."""
        return self.r0_ohm * _resistance_ratio(-200.0)

    @property
    def raw_high(self) -> float:
        """Resistance at 850 °C, ohm."""
        return self.r0_ohm * _resistance_ratio(850.0)

    def apply(self, raw: FloatArray) -> FloatArray:
        """Closed form above 0 °C; below it Newton from there, which is at the last digit after three steps."""
        ohm = np.asarray(raw, dtype=np.float64)
        ratio = np.where((ohm >= self.raw_low) & (ohm <= self.raw_high), ohm / self.r0_ohm, np.nan)
        t: FloatArray = np.asarray((-_A + np.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B))
        cold = t < 0.0
        if np.any(cold):
            x, target = t[cold], ratio[cold]
            for _ in range(4):
                miss = 1.0 + x * (_A + x * (_B + x * _C * (x - 100.0))) - target
                slope = _A + x * (2.0 * _B + x * _C * (4.0 * x - 300.0))
                x = x - miss / slope
            t[cold] = x
        return t

    def invert(self, value: FloatArray) -> FloatArray:
        t = np.asarray(value, dtype=np.float64)
        quartic = np.where(t < 0.0, _C * (t - 100.0) * t**3, 0.0)
        ohm = self.r0_ohm * (1.0 + _A * t + _B * t * t + quartic)
        return np.where((t >= -200.0) & (t <= 850.0), ohm, np.nan)


def _resistance_ratio(t: float) -> float:
    return 1.0 + _A * t + _B * t * t + (_C * (t - 100.0) * t**3 if t < 0.0 else 0.0)


# ------------------------------------------------------------------------------------------------ thermocouple
class ThermocoupleType(StrEnum):
    """Letter of the pair of metals."""

    K = "K"
    T = "T"
    J = "J"
    N = "N"


def emf_mv(kind: ThermocoupleType, temperature_c: FloatArray) -> FloatArray:
    """EMF [mV] of a thermocouple at ``temperature_c`` with its reference junction at 0 °C; NaN outside the table.

    ``E = sum c_i t^i``, for type K above 0 °C also ``+ a0 exp(a1 (t - a2)²)`` (1).

    Source: NIST Standard Reference Database 60 (ITS-90), the functions of IEC 60584-1.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    result = np.full(t.shape, np.nan)
    for piece in REFERENCE[kind.value]:
        inside = (t >= piece.low_c) & (t <= piece.high_c)
        result = np.where(inside, _emf(piece, np.where(inside, t, 0.0)), result)
    return result


def _emf(piece: Piece, t: FloatArray) -> FloatArray:
    emf: FloatArray = np.polynomial.polynomial.polyval(t, np.asarray(piece.coefficients))
    if piece.exponential is not None:
        a0, a1, a2 = piece.exponential
        emf = emf + a0 * np.exp(a1 * (t - a2) ** 2)
    return emf


def temperature_from_emf(kind: ThermocoupleType, emf: FloatArray) -> FloatArray:
    """Temperature [°C] that gives ``emf`` [mV] with the reference junction at 0 °C; NaN outside the table.

    The inverse of :func:`emf_mv` itself (a table for the start, then Newton), not the published approximate inverse,
    which is up to 0.06 K beside it.
    """
    grid_t, grid_e = _grid(kind)
    target = np.asarray(emf, dtype=np.float64)
    t = np.asarray(np.interp(target, grid_e, grid_t, left=np.nan, right=np.nan), dtype=np.float64)
    for _ in range(3):
        t = np.clip(t - (emf_mv(kind, t) - target) / _slope(kind, t), grid_t[0], grid_t[-1])  # NaN passes
    return t


def _slope(kind: ThermocoupleType, t: FloatArray) -> FloatArray:
    """dE/dt [mV/K]."""
    result = np.full(t.shape, np.nan)
    for piece in REFERENCE[kind.value]:
        inside = (t >= piece.low_c) & (t <= piece.high_c)
        at = np.where(inside, t, 0.0)
        coefficients = np.asarray(piece.coefficients)
        slope = np.polynomial.polynomial.polyval(at, coefficients[1:] * np.arange(1, coefficients.size))
        if piece.exponential is not None:
            a0, a1, a2 = piece.exponential
            slope = slope + 2.0 * a1 * (at - a2) * a0 * np.exp(a1 * (at - a2) ** 2)
        result = np.where(inside, slope, result)
    return result


@lru_cache
def _grid(kind: ThermocoupleType) -> tuple[FloatArray, FloatArray]:
    pieces = REFERENCE[kind.value]
    low, high = pieces[0].low_c, pieces[-1].high_c
    t = np.linspace(low, high, round(2.0 * (high - low)) + 1)
    return t, emf_mv(kind, t)


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """Thermocouple, [mV] -> [°C], with its cold junction at a fixed temperature or at that of another channel.

    The EMF of the cold junction is added before the temperature is looked up: adding temperatures would be wrong by
    several kelvin. With ``cold_junction_channel`` use :meth:`apply_with`; ``cold_junction_c`` then only sets the range.
    """

    type: ThermocoupleType
    cold_junction_c: float = 0.0
    cold_junction_channel: str = ""

    @property
    def is_identity(self) -> bool:
        return False

    @property
    def raw_low(self) -> float:
        """Smallest EMF between the terminals, mV."""
        return float(_grid(self.type)[1][0] - emf_mv(self.type, np.array(self.cold_junction_c)))

    @property
    def raw_high(self) -> float:
        """Largest EMF between the terminals, mV."""
        return float(_grid(self.type)[1][-1] - emf_mv(self.type, np.array(self.cold_junction_c)))

    def apply(self, raw: FloatArray) -> FloatArray:
        return self.apply_with(raw, np.asarray(self.cold_junction_c))

    def apply_with(self, raw: FloatArray, cold_junction_c: FloatArray) -> FloatArray:
        """As ``apply``, with the temperature of the cold junction for every value [°C]; NaN where it is NaN."""
        return temperature_from_emf(self.type, np.asarray(raw) + emf_mv(self.type, cold_junction_c))

    def invert(self, value: FloatArray) -> FloatArray:
        return emf_mv(self.type, value) - emf_mv(self.type, np.asarray(self.cold_junction_c))


# -------------------------------------------------------------------------------------------------- thermistor
@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """Thermistor (NTC), [Ω] -> [°C]: ``1/T = A + B ln R + C (ln R)³``, T in K (1); valid on the stated resistances.

    Source: Steinhart and Hart, *Calibration curves for thermistors*, Deep-Sea Research 15 (1968) 497.

    >>> curve = SteinhartHart(0.001129148, 0.000234125, 8.76741e-8, 500.0, 200e3)
    >>> round(float(curve.apply(np.array(10e3))), 5)
    24.99967
    """

    a: float
    b: float
    c: float
    raw_low: float
    raw_high: float

    @property
    def is_identity(self) -> bool:
        return False

    def apply(self, raw: FloatArray) -> FloatArray:
        ohm = np.asarray(raw, dtype=np.float64)
        x = np.log(np.where((ohm >= self.raw_low) & (ohm <= self.raw_high), ohm, np.nan))
        return np.asarray(1.0 / (self.a + self.b * x + self.c * x**3) - 273.15)

    def invert(self, value: FloatArray) -> FloatArray:
        """The real root of the cubic in ln R (Cardano; one root, because B and C are positive)."""
        t = np.asarray(value, dtype=np.float64)
        warmest, coldest = self.apply(np.array([self.raw_low, self.raw_high])).tolist()
        slack = 1e-9  # K: the ends themselves must come back
        kelvin = np.where((t >= coldest - slack) & (t <= warmest + slack), t + 273.15, np.nan)
        offset = self.a - 1.0 / kelvin
        if self.c == 0.0:
            return np.asarray(np.exp(-offset / self.b))
        # x³ + p x + q = 0, p > 0; the sinh form loses no digits where the cube roots would cancel
        p, q = self.b / self.c, offset / self.c
        root = 2.0 * np.sqrt(p / 3.0)
        x = -root * np.sinh(np.arcsinh(3.0 * q / (p * root)) / 3.0)
        return np.asarray(np.exp(x))


# ------------------------------------------------------------------------------------------------ current loop
class LoopState(IntEnum):
    """What a current of a 4-20 mA loop says (NAMUR NE 43)."""

    NOT_MEASURED = 0
    VALID = 1
    """3.8 … 20.5 mA: the value."""
    BELOW_RANGE = 2
    """3.6 … 3.8 mA: neither a value nor a fault of the sensor."""
    ABOVE_RANGE = 3
    """20.5 … 21 mA."""
    FAULT_LOW = 4
    """Below 3.6 mA: broken wire, no supply, or a fault told by the sensor."""
    FAULT_HIGH = 5
    """Above 21 mA: short circuit, or a fault told by the sensor."""


def loop_states(current_ma: FloatArray) -> npt.NDArray[np.int8]:
    """:class:`LoopState` of every current [mA], same shape.

    Source: NAMUR recommendation NE 43 (signal level for failure information).
    """
    i = np.asarray(current_ma, dtype=np.float64)
    choices = [
        (np.isnan(i), LoopState.NOT_MEASURED),
        (i < 3.6, LoopState.FAULT_LOW),
        (i > 21.0, LoopState.FAULT_HIGH),
        (i < 3.8, LoopState.BELOW_RANGE),
        (i > 20.5, LoopState.ABOVE_RANGE),
    ]
    return np.select([c for c, _ in choices], [s.value for _, s in choices], LoopState.VALID.value).astype(np.int8)


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """4-20 mA, [mA] -> bench unit, straight line through the values at 4 and 20 mA.

    NaN for every current that is not VALID.
    """

    at_4_ma: float
    at_20_ma: float
    raw_low: float = 3.8
    raw_high: float = 20.5

    @property
    def is_identity(self) -> bool:
        return False

    def apply(self, raw: FloatArray) -> FloatArray:
        i = np.asarray(raw, dtype=np.float64)
        value = self.at_4_ma + (self.at_20_ma - self.at_4_ma) * (i - 4.0) / 16.0
        return np.where((i >= self.raw_low) & (i <= self.raw_high), value, np.nan)

    def invert(self, value: FloatArray) -> FloatArray:
        i = 4.0 + 16.0 * (np.asarray(value, dtype=np.float64) - self.at_4_ma) / (self.at_20_ma - self.at_4_ma)
        slack = 1e-9  # mA: the ends themselves must come back
        return np.where((i >= self.raw_low - slack) & (i <= self.raw_high + slack), i, np.nan)


# ------------------------------------------------------------------------------------------------------ bridge
@dataclass(frozen=True, slots=True)
class QuarterBridge:
    """One active strain gauge, [mV/V] -> strain [1], with the bridge's own nonlinearity taken out.

    ``strain = 4 r / (k (1 - 2 r))``, r = output in V/V (1); tension is positive. Valid to 10 % of strain.

    Source: derived from the four resistors; Micro-Measurements TN-507-1 treats the same nonlinearity (from memory).
    """

    gauge_factor: float

    @property
    def is_identity(self) -> bool:
        return False

    @property
    def raw_low(self) -> float:
        """Output at -10 % strain, mV/V."""
        return float(self._output(np.array(-0.1)))

    @property
    def raw_high(self) -> float:
        """Output at 10 % strain, mV/V."""
        return float(self._output(np.array(0.1)))

    def apply(self, raw: FloatArray) -> FloatArray:
        r = np.asarray(raw, dtype=np.float64)
        r = np.where((r >= self.raw_low) & (r <= self.raw_high), r, np.nan) * 1e-3
        return np.asarray(4.0 * r / (self.gauge_factor * (1.0 - 2.0 * r)))

    def invert(self, value: FloatArray) -> FloatArray:
        strain = np.asarray(value, dtype=np.float64)
        return np.where(np.abs(strain) <= 0.1 * (1.0 + 1e-12), self._output(strain), np.nan)

    def _output(self, strain: FloatArray) -> FloatArray:
        x = self.gauge_factor * strain
        return np.asarray(1e3 * x / (4.0 + 2.0 * x))


def shunt_strain(gauge_ohm: float, shunt_ohm: float, gauge_factor: float) -> float:
    """Strain [1] (compression as a positive number) that a shunt across one gauge stands for.

    ``strain = R_g / (k (R_g + R_s))`` (1)

    Source: Micro-Measurements Tech Note TN-514, *Shunt calibration of strain gage instrumentation*.

    >>> round(1e6 * shunt_strain(350.0, 100e3, 2.0), 1)
    1743.9
    """
    return gauge_ohm / (gauge_factor * (gauge_ohm + shunt_ohm))


def shunt_output_mv_per_v(gauge_ohm: float, shunt_ohm: float) -> float:
    """Change of a bridge's output [mV/V] when a shunt lies across one arm, as a positive number.

    ``r = R_g / (4 R_s + 2 R_g)`` (1), exact for a bridge of four equal arms.
    """
    return 1e3 * gauge_ohm / (4.0 * shunt_ohm + 2.0 * gauge_ohm)


def shunt_deviation(open_mv_per_v: float, shunted_mv_per_v: float, gauge_ohm: float, shunt_ohm: float) -> float:
    """Relative deviation [1] of a shunt check: what the output changed by, against what the resistors say.

    The sign of the output is not judged: it says across which arm the shunt lies. A bridge, its amplifier and its
    cable are sound where this is small; the tolerance of the shunt itself, often 0.1 %, is its floor.

    >>> round(shunt_deviation(0.0123, -0.8597, 350.0, 100e3), 4)
    -0.0017
    """
    expected = shunt_output_mv_per_v(gauge_ohm, shunt_ohm)
    return abs(shunted_mv_per_v - open_mv_per_v) / expected - 1.0


# -------------------------------------------------------------------------------------------------- correction
SensorCurve = PlatinumResistance | Thermocouple | SteinhartHart | CurrentLoop | QuarterBridge


@dataclass(frozen=True, slots=True)
class Corrected:
    """A sensor curve between two straight lines.

    ``value = gain · curve(raw_gain · raw + raw_offset) + offset``: in the bench unit: the first line takes what the
    instrument sends to ohm, mV, mA or mV/V; the second is the correction of a calibration certificate.
    """

    curve: SensorCurve
    gain: float = 1.0
    offset: float = 0.0
    raw_gain: float = 1.0
    raw_offset: float = 0.0

    @property
    def is_identity(self) -> bool:
        return False

    @property
    def raw_low(self) -> float:
        """Lower end of what the instrument may send."""
        return min(self._raw_ends())

    @property
    def raw_high(self) -> float:
        """Upper end of what the instrument may send."""
        return max(self._raw_ends())

    def _raw_ends(self) -> tuple[float, float]:
        ends = ((x - self.raw_offset) / self.raw_gain for x in (self.curve.raw_low, self.curve.raw_high))
        return next(ends), next(ends)

    def apply(self, raw: FloatArray) -> FloatArray:
        return self.gain * self.curve.apply(self.raw_gain * raw + self.raw_offset) + self.offset

    def apply_with(self, raw: FloatArray, cold_junction_c: FloatArray) -> FloatArray:
        """As ``apply``, for a thermocouple whose cold junction is another channel."""
        if not isinstance(self.curve, Thermocouple):
            return self.apply(raw)
        inner = self.curve.apply_with(self.raw_gain * raw + self.raw_offset, cold_junction_c)
        return self.gain * inner + self.offset

    def invert(self, value: FloatArray) -> FloatArray:
        return (self.curve.invert((value - self.offset) / self.gain) - self.raw_offset) / self.raw_gain


def cold_junction_of(curve: object) -> str:
    """Name of the channel that measures the cold junction of ``curve``; empty where there is none."""
    inner = curve.curve if isinstance(curve, Corrected) else curve
    return inner.cold_junction_channel if isinstance(inner, Thermocouple) else ""


def sensor_words(curve: SensorCurve | Corrected) -> str:
    """The curve in a few words, for reports; values in bench units."""
    match curve:
        case PlatinumResistance(r0_ohm=r0):
            return f"Pt{r0:g}, IEC 60751"
        case Thermocouple(type=letter, cold_junction_c=fixed, cold_junction_channel=channel):
            return f"thermocouple type {letter.value}, cold junction {channel or f'at {fixed:g} °C'}"
        case SteinhartHart():
            return "thermistor, Steinhart-Hart"
        case CurrentLoop(at_4_ma=zero, at_20_ma=full):
            return f"4–20 mA, {zero:g} … {full:g}"
        case QuarterBridge(gauge_factor=k):
            return f"quarter bridge, gauge factor {k:g}"
        case Corrected(curve=inner):
            return f"{sensor_words(inner)}, corrected"
