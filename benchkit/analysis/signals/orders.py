"""Orders: what repeats with the turns of the shaft, whatever its speed.

A record over time is laid onto equal steps of angle by a cubic spline, and cut to whole turns; the transform over the
angle then has a line at every order (events a turn), and an order keeps its line while the speed changes.

    (1) angle from speed:  θ(t) = ∫ n dt  in turns, trapezoids      (2) a_k = 2 |Σ y_m exp(-2πi k m / M)| / M

with R turns in the record line k is order k/R. Orders from half the samples a turn on cannot be told.

Source: resampling by angle, common practice, no source; the median of lines of noise by the Rayleigh distribution,
derived here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals.spectrum import checked
from benchkit.errors import UsageError
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

LEAST_TURNS = 1


@dataclass(frozen=True, slots=True, eq=False)
class OrderSpectrum:
    """Amplitudes (peak) by order, over a whole number of turns."""

    order: FloatArray
    amplitude: FloatArray
    mean: float
    turns: int
    u_amplitude: float
    """Standard uncertainty of a line, from the lines between whole orders; NaN where there is one turn only."""

    def at(self, order: float) -> float:
        """Amplitude (peak, in the unit of the record) of an order [events a turn] that has a line.

        Raises:
            UsageError: it has none.
        """
        line = order * self.turns
        if abs(line - round(line)) > 1e-9 or not 0 < round(line) < len(self.order):
            raise UsageError("no line at this order", got=order, expected=f"a multiple of 1/{self.turns}")
        return float(self.amplitude[round(line)])


def angle_from_speed(speed_rpm: FloatArray, rate_hz: float) -> FloatArray:
    """Angle (n,) [turns] from the first sample on, for a speed (n,) [rpm] at ``rate_hz`` [Hz], equation (1)."""
    n = checked(speed_rpm, rate_hz, 2) / 60.0
    angle: FloatArray = np.concatenate([[0.0], np.cumsum(0.5 * (n[1:] + n[:-1])) / rate_hz])
    return angle


def order_spectrum(values: FloatArray, angle_turns: FloatArray, per_turn: int | None = None) -> OrderSpectrum:
    """Order spectrum of a record (n,), in its unit, whose angle (n,) [turns] rises all the way.

    ``per_turn`` is how many steps a turn is cut into (default: as many as the record has where the shaft is fastest).

    Raises:
        UsageError: the angle does not rise, or the record has less than a turn.
    """
    from scipy.interpolate import CubicSpline

    x = checked(values, 1.0, 16)
    angle = np.abs(np.asarray(angle_turns, dtype=np.float64))
    if len(angle) != len(x):
        raise UsageError("angle and record differ in length", got=len(angle), expected=str(len(x)))
    rises = np.diff(angle)
    if not (rises > 0.0).all():
        raise UsageError("the shaft stands still or turns back in this record", remedy="Take a stretch where it turns.")
    turns = int(angle[-1] - angle[0] + 1e-9)
    if turns < LEAST_TURNS:
        raise UsageError("less than one turn", got=f"{angle[-1] - angle[0]:.3g} turns", remedy="Take a longer record.")
    steps = per_turn or max(8, int(1.0 / rises.max()))
    at = angle[0] + np.arange(turns * steps) / steps
    y = CubicSpline(angle, x)(at)
    lines = np.abs(np.fft.rfft(y)) / len(y)
    lines[1:] *= 2.0
    if len(y) % 2 == 0:
        lines[-1] *= 0.5
    order = np.arange(len(lines)) / turns
    between = (np.arange(len(lines)) % turns != 0) if turns > 1 else np.zeros(len(lines), dtype=bool)
    # a line of noise has the amplitude of a Rayleigh distribution; its quadrature components have this deviation
    u = sqrt(float(np.median(lines[between] ** 2)) / (2.0 * np.log(2.0))) if between.any() else float("nan")
    return OrderSpectrum(order, lines, float(lines[0]) * float(np.sign(y.mean()) or 1.0), turns, u)


def torque_ripple(
    torque_nm: FloatArray,
    angle_turns: FloatArray,
    orders: tuple[float, ...],
    *,
    u_of_reading: float = 0.0,
    region: str = "",
) -> tuple[Metric, ...]:
    """Amplitude [N·m] of each of ``orders`` as ``torque_ripple_order_N``, and of all orders to the highest of them
    together (RMS over the mean) [1] as ``torque_ripple``."""
    found = order_spectrum(torque_nm, angle_turns)
    metrics = []
    for order in orders:
        a = found.at(order)
        u = sqrt((u_of_reading * a) ** 2 + (0.0 if np.isnan(found.u_amplitude) else found.u_amplitude) ** 2)
        note = f"peak amplitude, {found.turns} turns, resampled by angle"
        metrics.append(Metric(f"torque_ripple_order_{order:g}", a, u, "N·m", note, region))
    top = max(orders)
    inside = (found.order > 0.0) & (found.order <= top)
    rms = sqrt(0.5 * float(np.sum(found.amplitude[inside] ** 2)))
    noise = 0.0 if np.isnan(found.u_amplitude) else found.u_amplitude * sqrt(int(inside.sum()))
    share = rms / abs(found.mean) if found.mean else float("nan")
    bias = 1.0 - sqrt(1.0 - (noise / rms) ** 2) if 0.0 < noise < rms else 0.0
    note = f"RMS of orders to {top:g} over the mean of {found.mean:.4g} N·m"
    metrics.append(Metric("torque_ripple", share, share * sqrt(2.0 * u_of_reading**2 + bias**2), "1", note, region))
    return tuple(metrics)
