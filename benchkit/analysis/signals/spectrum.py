"""Amplitude and power spectra of a record, with the figures of the window that was used.

For samples x_n, window w_n and X_k = Σ w_n x_n exp(-2πi kn/N), one-sided (c_k = 2 inside, 1 at both ends):

    (1) coherent gain   G = Σ w_n / N                       (2) noise bandwidth  B = N Σ w_n² / (Σ w_n)²  in bins
    (3) amplitude       a_k = c_k |X_k| / Σ w_n   of a tone on a bin
    (4) power           p_k = s c_k |X_k|² / (N Σ w_n²),    s such that Σ p_k is the mean square of the record

Without a window s = 1 and (4) is Parseval's theorem. With one the sum of the plain lines is the mean square weighted
by w²; ``scale`` is the s that makes the lines sum to the RMS of the record exactly. It is near 1 for a steady record.

Sources: figures of windows, F. J. Harris, Proc. IEEE 66 (1978) 51, doi:10.1109/PROC.1978.10837, table I; (3) and (4)
textbook of signal processing, s derived here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import pi, sqrt

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

_OFFSETS = 21


class Window(StrEnum):
    """Windows, periodic as the discrete transform wants them."""

    NONE = "none"
    HANN = "hann"
    FLAT_TOP = "flat top"


COSINES: dict[Window, tuple[float, ...]] = {
    Window.NONE: (1.0,),
    Window.HANN: (0.5, 0.5),
    Window.FLAT_TOP: (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}
"""Coefficients a_j of w = Σ (-1)^j a_j cos(2πjn/N). Flat top: D'Antona and Ferrero, Digital Signal Processing for
Measurement Systems (2006), as in SciPy."""
MAIN_LOBE_BINS: dict[Window, int] = {Window.NONE: 1, Window.HANN: 2, Window.FLAT_TOP: 5}
"""Half width of the main lobe."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """One-sided spectrum: ``frequency_hz``, ``amplitude`` (peak value of a tone) and ``power``, one entry a line."""

    frequency_hz: FloatArray
    amplitude: FloatArray
    power: FloatArray
    """Sums to the mean square of the record, in the unit squared."""
    window: Window
    coherent_gain: float
    noise_bandwidth_bins: float
    scale: float
    resolution_hz: float
    """Distance of two lines."""

    @property
    def rms(self) -> float:
        """Root of the sum of all lines: the RMS of the record, in its unit."""
        return sqrt(float(self.power.sum()))

    def band_rms(self, low_hz: float, high_hz: float) -> float:
        """RMS of the lines from ``low_hz`` to ``high_hz`` [Hz], both included, in the unit of the record."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz)
        return sqrt(float(self.power[inside].sum()))


def window_values(window: Window, n: int) -> FloatArray:
    """The window (n,) [1], periodic: ``w_k = sum_j (-1)^j a_j cos(2 pi j k/n)``."""
    angle = 2.0 * pi * np.arange(n) / n
    values = np.zeros(n)
    for j, a in enumerate(COSINES[window]):
        values += (-1) ** j * a * np.cos(j * angle)
    return values


def spectrum(values: FloatArray, rate_hz: float, window: Window = Window.HANN) -> Spectrum:
    """Spectrum of a record (n,) sampled at ``rate_hz`` [Hz], equations (1) to (4), in the unit of the record.

    >>> s = spectrum(2.0 * np.sin(2 * np.pi * 50.0 * np.arange(1000) / 1000.0), 1000.0, Window.NONE)
    >>> round(float(s.amplitude[50]), 9), round(s.rms**2, 9)
    (2.0, 2.0)

    Raises:
        UsageError: fewer than 8 samples, a value that was not measured, or no rate.
    """
    x = checked(values, rate_hz, 8)
    n = len(x)
    w = window_values(window, n)
    lines = np.abs(np.fft.rfft(w * x))
    double = np.full(len(lines), 2.0)
    double[0] = 1.0
    if n % 2 == 0:
        double[-1] = 1.0
    squares = double * lines**2 / (n * float(np.sum(w * w)))
    mean_square = float(np.mean(x * x))
    total = float(squares.sum())
    scale = mean_square / total if total > 0.0 else 1.0
    total_w = float(w.sum())
    return Spectrum(
        frequency_hz=np.asarray(np.fft.rfftfreq(n, 1.0 / rate_hz), dtype=np.float64),
        amplitude=double * lines / total_w,
        power=scale * squares,
        window=window,
        coherent_gain=total_w / n,
        noise_bandwidth_bins=n * float(np.sum(w * w)) / total_w**2,
        scale=scale,
        resolution_hz=rate_hz / n,
    )


def scalloping(window: Window) -> float:
    """Amplitude that a tone half way between two lines is read with, over that of a tone on a line [1].

    >>> from math import log10
    >>> round(-20 * log10(scalloping(Window.NONE)), 2), round(-20 * log10(scalloping(Window.HANN)), 2)
    (3.92, 1.42)
    """
    return float(np.abs(_response(window, np.array([0.5]), 4096))[0])


def leakage(window: Window, n: int = 4096, half_width_bins: int | None = None) -> float:
    """Largest share of the power of a tone that lies outside its main lobe, for any place between two lines [1].

    This is what a record that does not hold a whole number of periods may show beside a tone; with a whole number the
    share is 0. ``half_width_bins`` takes the place of the half width of the main lobe.
    """
    half = MAIN_LOBE_BINS[window] if half_width_bins is None else half_width_bins
    worst = 0.0
    lines = np.arange(-n // 2, n // 2)
    for offset in np.linspace(0.0, 0.5, _OFFSETS):
        power = np.abs(_response(window, lines - offset, n)) ** 2
        inside = np.abs(lines - offset) <= half
        worst = max(worst, float(power[~inside].sum() / power.sum()))
    return worst


def _response(window: Window, bins: FloatArray, n: int) -> FloatArray:
    """Transform of the window at ``bins`` (need not be whole), over its value at 0."""
    total = np.zeros(len(bins), dtype=np.complex128)
    for j, a in enumerate(COSINES[window]):
        for shift in (0,) if j == 0 else (-j, j):
            total += (-1) ** j * a * (1.0 if j == 0 else 0.5) * _dirichlet(bins - shift, n)
    response: FloatArray = np.abs(total) / COSINES[window][0]
    return response


def _dirichlet(x: FloatArray, n: int) -> npt.NDArray[np.complex128]:
    """Σ exp(-2πi x m/n) / n over m = 0 … n-1."""
    below = np.sin(pi * x / n)
    is_whole = np.abs(below) < 1e-12
    ratio = np.where(is_whole, 1.0, np.sin(pi * x) / (n * np.where(is_whole, 1.0, below)))
    return np.asarray(ratio * np.exp(-1j * pi * x * (n - 1) / n))


def checked(values: FloatArray, rate_hz: float, least: int) -> FloatArray:
    """The record (n,) as floats, in its unit; ``rate_hz`` [Hz].

    Raises:
        UsageError: too short, a value that was not measured, or no rate.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < least:
        raise UsageError("the record is too short", got=x.shape, expected=f"one channel, at least {least} samples")
    if not rate_hz > 0.0:
        raise UsageError("not a sample rate", got=rate_hz, expected="Hz above 0")
    if not np.isfinite(x).all():
        remedy = "Take a stretch in which nothing is missing: Burst.whole gives the longest."
        raise UsageError(
            "the record has values that were not measured", got=int((~np.isfinite(x)).sum()), remedy=remedy
        )
    return x
