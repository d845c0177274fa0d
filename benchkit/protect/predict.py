"""Predicted time to a limit: a straight line, an exponential approach, and the closed forms of the integrals.

Pure functions. They return seconds from now, 0 when the limit is passed, and NaN where it is not approached or nothing
can be said. A prediction holds if things go on as they do; it is no promise and protects nothing.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchkit.model.limits import CURVES, InverseTime, SquareIntegral, SumWindow, ThermalReplica
from benchkit.protect.measures import TOP_MULTIPLE

FloatArray = npt.NDArray[np.float64]
LEAST_VALUES = 8
"""An exponential has three unknowns: from fewer values its error cannot be told."""


def along_line(times_s: FloatArray, values: FloatArray, set_point: float, sign: float) -> float:
    """Seconds from the last time to ``set_point`` along the least-squares line through the finite values.

    ``sign`` 1: a limit above, -1: below. NaN when the line does not lead to it, when its slope is within two standard
    errors of zero (noise), or with fewer than three values. With six values or more the line is that of the newer half
    of the time, and the older half must lead there too: a step that is over must not predict a trip.
    """
    is_good = np.isfinite(values)
    t, y = times_s[is_good], values[is_good]
    if y.size and sign * (float(y[-1]) - set_point) > 0.0:
        return 0.0
    if y.size < 3 or t[-1] <= t[0]:
        return math.nan
    middle = int(np.searchsorted(t, 0.5 * (t[0] + t[-1])))
    if min(middle, y.size - middle) >= 3:
        if not _leads(*_line(t[:middle], y[:middle]), sign):
            return math.nan
        t, y = t[middle:], y[middle:]
    slope, standard_error = _line(t, y)
    if not _leads(slope, standard_error, sign):
        return math.nan
    at_end = float(y.mean()) + slope * (float(times_s[-1]) - float(t.mean()))
    return max((set_point - at_end) / slope, 0.0)


def _line(t: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of the least-squares line through three points or more, and its standard error."""
    dt, dy = t - t.mean(), y - y.mean()
    sxx = float(dt @ dt)
    if sxx <= 0.0:
        return math.nan, math.nan
    slope = float(dt @ dy) / sxx
    left = dy - slope * dt
    return slope, math.sqrt(float(left @ left) / (y.size - 2) / sxx)


def _leads(slope: float, standard_error: float, sign: float) -> bool:
    """True where the line surely goes the way of ``sign``."""
    return sign * slope > 2.0 * standard_error


def along_exponential(times_s: FloatArray, values: FloatArray, set_point: float, sign: float) -> float | None:
    """As :func:`along_line` along ``y = end + a exp(-t / tau)``; None where the line is to be taken.

    The three are fitted by least squares, tau from a twentieth of the window to 20 times it. The line is left only
    where the exponential explains the values better than chance would: the sum of squares must fall by more than four
    times the residual variance (two standard errors of the added parameter). The approach then ends at ``end``: NaN
    where that, with two standard errors of it, does not surely lie beyond the set point.
    """
    is_good = np.isfinite(values)
    t, y = times_s[is_good], values[is_good]
    if y.size < LEAST_VALUES or t[-1] <= t[0]:
        return None
    t = t - t[-1]
    dy, dt = y - y.mean(), t - t.mean()
    rest_line = float(dy @ dy - (dt @ dy) ** 2 / (dt @ dt))
    taus = -float(t[0]) * np.geomspace(0.05, 20.0, 61)
    for _ in range(4):  # each time between the neighbours of the best
        best = int(np.argmin(_rests(taus, t, dy)))
        low, high = taus[max(best - 1, 0)], taus[min(best + 1, len(taus) - 1)]
        taus = np.linspace(low, high, 21)
    tau = float(taus[np.argmin(_rests(taus, t, dy))])
    shape = np.exp(-t / tau)
    d_shape = shape - shape.mean()
    a = float(d_shape @ dy) / float(d_shape @ d_shape)
    end = float(y.mean()) - a * float(shape.mean())
    rest = float(np.sum((dy - a * d_shape) ** 2))
    variance = max(rest / (y.size - 3), (1e-12 * float(np.abs(y).max() or 1.0)) ** 2)
    if rest_line - rest <= 4.0 * variance:
        return None
    by_parameter = np.column_stack([np.ones_like(t), shape, a * shape * t / tau**2])
    u_end = math.sqrt(variance * float(np.linalg.pinv(by_parameter.T @ by_parameter)[0, 0]))
    now = end + a
    if sign * (now - set_point) > 0.0:
        return 0.0
    if sign * (end - set_point) <= 2.0 * u_end or sign * (end - now) <= 0.0:
        return math.nan
    return float(tau * math.log((end - now) / (end - set_point)))


def _rests(taus: FloatArray, t: FloatArray, dy: FloatArray) -> FloatArray:
    """Sums of squares (taus,) that are left of ``dy`` (n,) by exponentials of each tau."""
    shapes = np.exp(-t / taus[:, np.newaxis])
    shapes -= shapes.mean(axis=1, keepdims=True)
    left: FloatArray = dy @ dy - (shapes @ dy) ** 2 / np.einsum("ij,ij->i", shapes, shapes)
    return left


def replica_time(basic: float, replica: ThermalReplica, used: float, current: float) -> float:
    """Seconds until a thermal replica reaches 1 at a constant ``current``: tau ln((q - used) / (q - 1)).

    q = (I / (k I_B))²; with used = (I_p / (k I_B))² this is the operate time of IEC 60255-149 after a load current I_p.
    """
    if used > 1.0:
        return 0.0
    final = (current / (replica.k * basic)) ** 2
    return replica.heating_s * math.log((final - used) / (final - 1.0)) if final > 1.0 else math.nan


def operate_time(start: float, inverse: InverseTime, value: float) -> float:
    """t(G) of IEC 60255-151 in s: TMS (k / ((G/G_S)^alpha - 1) + c); NaN at or below the start value."""
    multiple = min(abs(value) / start, TOP_MULTIPLE)
    if not multiple > 1.0:
        return math.nan
    curve = CURVES[inverse.curve]
    excess: float = multiple**curve.alpha - 1.0
    return inverse.time_multiplier * (curve.k / excess + curve.c)


def inverse_time_left(start: float, inverse: InverseTime, used: float, value: float) -> float:
    """Seconds until the integral reaches 1 at a constant ``value``."""
    return 0.0 if used > 1.0 else (1.0 - used) * operate_time(start, inverse, value)


def square_time(set_point: float, square: SquareIntegral, used: float, current: float) -> float:
    """Seconds until an I²t reaches its set point at a constant ``current``."""
    if used > set_point:
        return 0.0
    excess = current * current - square.continuous**2
    return (set_point - used) / excess if excess > 0.0 else math.nan


def energy_time(set_point: float, window: SumWindow, used: float, value: float) -> float:
    """Least time until an energy sum reaches its set point at a constant ``value``: as if nothing left the window.

    NaN where a whole window of that value is not enough.
    """
    if used > set_point:
        return 0.0
    return (set_point - used) / value if value * window.window_s > set_point else math.nan
