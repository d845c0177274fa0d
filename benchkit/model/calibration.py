"""From the number an instrument sends to the quantity in its bench unit, with an exact way back.

A calibration is its own small object: ``apply`` takes raw values, ``invert`` takes them back. NaN stays NaN.
A table answers NaN outside its points: it never extrapolates and never clamps.

Source: definitions; accuracy to standard uncertainty after JCGM 100:2008, 4.3.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchkit.model.sensors import Corrected, SensorCurve

FloatArray = npt.NDArray[np.float64]


class Curve(Protocol):
    """Shape of a calibration, raw -> bench unit."""

    def apply(self, raw: FloatArray) -> FloatArray:
        """Return calibrated values in the bench unit, same shape as ``raw``."""
        ...

    def invert(self, value: FloatArray) -> FloatArray:
        """Return the raw values, in the unit of the instrument, that give ``value``."""
        ...

    @property
    def is_identity(self) -> bool:
        """True when the raw number already is the value in the bench unit."""
        ...


@dataclass(frozen=True, slots=True)
class GainOffset:
    """Straight line: ``value = gain * raw + offset``, in the bench unit."""

    gain: float = 1.0
    offset: float = 0.0

    @property
    def is_identity(self) -> bool:
        return self.gain == 1.0 and self.offset == 0.0

    def apply(self, raw: FloatArray) -> FloatArray:
        return self.gain * raw + self.offset

    def invert(self, value: FloatArray) -> FloatArray:
        return (value - self.offset) / self.gain


@dataclass(frozen=True, slots=True)
class Polynomial:
    """``value = c0 + c1 raw + c2 raw² …``, valid and strictly monotonic on ``[raw_low, raw_high]``; NaN outside."""

    coefficients: tuple[float, ...]
    raw_low: float
    raw_high: float

    @property
    def is_identity(self) -> bool:
        return False

    def apply(self, raw: FloatArray) -> FloatArray:
        inside = (raw >= self.raw_low) & (raw <= self.raw_high)
        return np.where(inside, np.polynomial.polynomial.polyval(raw, np.asarray(self.coefficients)), np.nan)

    def invert(self, value: FloatArray) -> FloatArray:
        """Bisection to the last bit of the raw interval; exact because the curve is monotonic there."""
        target = np.asarray(value, dtype=np.float64)
        low = np.full(target.shape, self.raw_low)
        high = np.full(target.shape, self.raw_high)
        ends = self.apply(np.array([self.raw_low, self.raw_high]))
        rising = bool(ends[1] > ends[0])
        for _ in range(80):
            middle = 0.5 * (low + high)
            above = (self.apply(middle) > target) == rising
            high = np.where(above, middle, high)
            low = np.where(above, low, middle)
        outside = (target < ends.min()) | (target > ends.max()) | np.isnan(target)
        return np.where(outside, np.nan, 0.5 * (low + high))


@dataclass(frozen=True, slots=True)
class Table:
    """Straight lines between points, to the bench unit; NaN outside.

    ``raw`` is strictly rising, ``value`` strictly monotonic.
    """

    raw: tuple[float, ...]
    value: tuple[float, ...]

    @property
    def is_identity(self) -> bool:
        return False

    def apply(self, raw: FloatArray) -> FloatArray:
        return np.asarray(np.interp(raw, self.raw, self.value, left=np.nan, right=np.nan), dtype=np.float64)

    def invert(self, value: FloatArray) -> FloatArray:
        x, y = np.asarray(self.value), np.asarray(self.raw)
        if x[0] > x[-1]:
            x, y = x[::-1], y[::-1]
        return np.asarray(np.interp(value, x, y, left=np.nan, right=np.nan), dtype=np.float64)


AnyCurve = GainOffset | Polynomial | Table | SensorCurve | Corrected


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard uncertainty of a calibrated channel: ``u(x)² = (of_reading · x)² + constant²`` (k = 1).

    ``of_reading`` is relative, ``constant`` in the bench unit. Both belong to the calibration, so they are common
    to every sample of a run: averaging does not make them smaller (JCGM 100, 4.3, type B).
    """

    of_reading: float = 0.0
    constant: float = 0.0

    def standard_uncertainty(self, value: float) -> float:
        """Standard uncertainty at ``value``, in the bench unit."""
        return float(np.hypot(self.of_reading * value, self.constant))


@dataclass(frozen=True, slots=True)
class Certificate:
    """Who says so: id, day of calibration, day it is due again."""

    id: str
    date: dt.date
    due: dt.date


@dataclass(frozen=True, slots=True)
class Calibration:
    """Curve, accuracy and certificate of one channel."""

    curve: AnyCurve = GainOffset()
    accuracy: Accuracy = Accuracy()
    certificate: Certificate | None = None
