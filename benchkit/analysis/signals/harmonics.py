"""Fundamental, harmonic distortion and ripple of a record that need not hold a whole number of periods.

The harmonics are fitted, not read from a transform, so a window that is not coherent does not leak:

    (1) x(t) = c + Σ_h a_h cos(h φ) + b_h sin(h φ),   φ = 2π f t + π r t²

with frequency f and its drift r found by least squares (Gauss-Newton; the four-parameter sine fit of IEEE Std 1057
with seven harmonics and a drift, weighted by a Hann window: other tones do not pull at it). With A_h² = a_h² + b_h²

    (2) THD = √(Σ_{h=2}^{H} A_h²) / A_1          harmonics of the stated band only (IEC 61000-4-7)
    (3) TWD = √(X² - c² - A_1²/2) / (A_1/√2)     all that is not the fundamental, X the RMS of the band

A square wave has THD √(π²/8 - 1) and a triangle √(π⁴/96 - 1) when all harmonics are counted.

Sources: IEEE Std 1057 and IEC 61000-4-7 as cited at each formula; (3) and the waveforms by Parseval's theorem, (4) and
(5) derived here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals.spectrum import Window, checked, spectrum, window_values
from benchkit.errors import UsageError
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

LEAST_PERIODS = 2.0
_TRACKED = 7
_PIECE = 4096
_PER_PERIOD = 64
_ROUNDS = 25
_CLOSE = 1e-12
_MANY_LINES = 4096
_BY_CHANCE = 1e-6
"""Chance that the highest line of noise alone is followed as a fundamental."""
"""The search ends when a step moves the phase at the ends of the record by less, in turns."""
_PARTS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Fundamental:
    """The fundamental of a record: frequency at its middle, drift, and what the fit left."""

    frequency_hz: float
    u_frequency_hz: float
    drift_hz_per_s: float
    periods: float
    """In the record."""


@dataclass(frozen=True, slots=True, eq=False)
class Harmonics:
    """Amplitudes (peak) of harmonics 1 … H and the mean, with the standard uncertainty of an amplitude."""

    fundamental: Fundamental
    mean: float
    amplitudes: FloatArray
    u_amplitude: float
    residual_rms: float
    """RMS of what is neither mean nor one of the harmonics."""
    highest_hz: float
    residual: FloatArray
    """The record less its mean and its fundamental (n,)."""

    @property
    def thd(self) -> float:
        """Equation (2) [1]."""
        return float(np.linalg.norm(self.amplitudes[1:]) / self.amplitudes[0])


def fundamental(
    values: FloatArray, rate_hz: float, guess_hz: float | None = None, *, with_drift: bool = True
) -> Fundamental:
    """Frequency [Hz] of the fundamental of a record (n,), equation (1). ``guess_hz`` [Hz] where another line may be
    stronger.

    ``u_frequency_hz`` is that of the fit, with what the harmonics leave taken as noise. The time base adds its own.

    Raises:
        UsageError: fewer than two periods, no tone to follow, or a record that cannot be used.
    """
    x = checked(values, rate_hz, 32)
    start = _peak_hz(x, rate_hz) if guess_hz is None else guess_hz
    n = len(x)
    if not 0.0 < start < 0.5 * rate_hz or start * n / rate_hz < LEAST_PERIODS:
        raise UsageError(
            "no fundamental to follow",
            got=f"{start * n / rate_hz:.2g} periods in the record",
            expected=f"at least {LEAST_PERIODS:g}",
            remedy="Take a longer record, or name its frequency.",
        )
    # the mean of a block of a sine is the sine at its middle, a little smaller: the frequency stays what it is
    block = max(1, int(rate_hz / (_PER_PERIOD * start)))
    y = x[: n - n % block].reshape(-1, block).mean(axis=1)
    t: FloatArray = np.asarray(((np.arange(len(y)) + 0.5) * block - 0.5 * n) / rate_hz, dtype=np.float64)
    orders = [h for h in range(1, _TRACKED + 1) if h * start < 0.45 * rate_hz / block]
    orders = orders[: max(1, len(y) // 8)]
    w = window_values(Window.HANN, len(y) + 1)[1:, None]
    f, r, span = start, 0.0, n / rate_hz
    size = 1 + 2 * len(orders)
    full, left, scale = np.empty((0, 0)), y, np.ones(1)
    for _ in range(_ROUNDS):
        columns = _columns(t, f, r, orders)
        fit = _least_squares(columns * w, y * w[:, 0])
        left = y - np.einsum("ij,j->i", columns, fit)
        slope = _slope(columns, fit, orders)
        full = np.column_stack([columns, *[2.0 * pi * t * slope, pi * t**2 * slope][: 1 + with_drift]])
        scale = np.linalg.norm(full, axis=0)
        scale[scale == 0.0] = 1.0
        full = full / scale * w
        moved = (_least_squares(full, left * w[:, 0]) / scale)[size:]
        limit = 0.25 / span
        f += float(np.clip(moved[0], -limit, limit))
        if with_drift:
            r += float(np.clip(moved[1], -limit / span, limit / span))
        if abs(moved[0]) < _CLOSE / span:
            break
    sigma = sqrt(_mean_square(left) * len(y) / max(1, len(y) - full.shape[1]))
    inverse = np.linalg.inv(_products(full, full))
    spread = inverse @ _products(full * w, full * w) @ inverse
    u = sigma * sqrt(max(0.0, float(spread[size, size]))) / float(scale[size])
    return Fundamental(f, u, r, f * span)


def harmonics(
    values: FloatArray, rate_hz: float, band_hz: float | None = None, *, tracked: Fundamental | None = None
) -> Harmonics:
    """Harmonics of a record (n,) up to ``band_hz`` [Hz] (default: 0.45 of the sample rate, 50 at most), equation (1).

    Amplitudes are peak, in the unit of the record.

    ``u_amplitude`` is σ_A = √(median of the lines that are left below the highest harmonic / ln 2); of white noise that
    is σ √(2/n) (IEEE Std 1057), and what lies above the band, such as switching ripple, is not counted.

    Raises:
        UsageError: as :func:`fundamental`, or a band without a second harmonic.
    """
    x = checked(values, rate_hz, 32)
    found = tracked or fundamental(x, rate_hz)
    f = found.frequency_hz
    highest = 0.45 * rate_hz if band_hz is None else band_hz
    count = int(highest / f + 1e-9)
    if band_hz is None:
        count = min(count, 50)
    if count < 2 or count * f >= 0.5 * rate_hz:
        raise UsageError(
            "the band holds no harmonics that were sampled",
            got=f"{highest:g} Hz with a fundamental of {f:g} Hz at {rate_hz:g} samples a second",
            expected="at least twice the fundamental, below half the sample rate",
        )
    t = _times(len(x), rate_hz)
    fit, left = _fit(x, t, found, count)
    first = _columns(t, f, found.drift_hz_per_s, [1])
    return Harmonics(
        fundamental=found,
        mean=float(fit[0]),
        amplitudes=np.hypot(fit[1::2], fit[2::2]),
        u_amplitude=_u_amplitude(left, rate_hz, count * f),
        residual_rms=sqrt(_mean_square(left) * len(x) / max(1, len(x) - len(fit))),
        highest_hz=count * f,
        residual=x - np.einsum("ij,j->i", first, fit[:3]),
    )


def _u_amplitude(left: FloatArray, rate_hz: float, top_hz: float) -> float:
    lines = np.abs(np.fft.rfft(left)[1 : max(4, int(top_hz * len(left) / rate_hz))]) ** 2 * 2.0 / len(left) ** 2
    return sqrt(float(np.median(lines)) / np.log(2.0))


def thd(
    values: FloatArray,
    rate_hz: float,
    band_hz: float | None = None,
    *,
    tracked: Fundamental | None = None,
    region: str = "",
) -> Metric:
    """Total harmonic distortion of a record [1], equation (2), over a stated band.

    The uncertainty is the larger of what the noise of the fit gives and of the scatter of the THD of parts of the
    record (four periods each at least), with the part added that noise alone pretends to be harmonics:

        (4) u_fit = σ_A √(1 + THD²) / A_1          (5) THD of noise alone:  √(2 (H - 1)) σ_A / A_1

    A gain error of the channel divides out. NaN where the record has no fundamental.
    """
    found = harmonics(values, rate_hz, band_hz, tracked=tracked)
    value, count = found.thd, len(found.amplitudes)
    first = float(found.amplitudes[0])
    sigma = found.u_amplitude
    u_fit = sigma * sqrt(1.0 + value * value) / first
    floor = sqrt(2.0 * (count - 1.0)) * sigma / first
    bias = value - sqrt(value * value - floor * floor) if value > floor else floor
    u = sqrt(max(u_fit, _scatter(values, rate_hz, found)) ** 2 + bias**2)
    note = (
        f"harmonics 2 to {count} of {found.fundamental.frequency_hz:.6g} Hz (to {found.highest_hz:.4g} Hz), fitted "
        f"over {found.fundamental.periods:.4g} periods: nothing leaks; noise alone would read {floor:.2g}"
    )
    return Metric("current_thd", value, u, "1", note, region)


def ripple(
    values: FloatArray,
    rate_hz: float,
    *,
    unit: str,
    band_hz: tuple[float, float] | None = None,
    has_fundamental: bool = True,
    tracked: Fundamental | None = None,
    u_of_reading: float = 0.0,
    name: str = "ripple",
    region: str = "",
) -> tuple[Metric, Metric]:
    """RMS and peak-to-peak of all that is neither mean nor fundamental, in the unit of the record.

    ``band_hz`` bounds it; the lines of a record that is not coherent with it leak by at most the share that is stated.
    ``u_of_reading`` is the relative standard uncertainty of the channel. Noise counts as ripple: what the last tenth
    of the band has per hertz, if it were the same everywhere, is the type A part. Peak to peak is of the samples: what
    lies between two of them is not seen.
    """
    x = checked(values, rate_hz, 32)
    if has_fundamental:
        tracked = tracked or fundamental(x, rate_hz)
        t = _times(len(x), rate_hz)
        columns = _columns(t, tracked.frequency_hz, tracked.drift_hz_per_s, [1])
        w = window_values(Window.HANN, len(x))
        fit = _least_squares(columns * w[:, None], x * w)  # weighted: ripple does not pull at what is taken off
        rest = x - np.einsum("ij,j->i", columns, fit)
        what = f"without mean and fundamental ({tracked.frequency_hz:.6g} Hz)"
    else:
        rest = x - x.mean()
        what = "without the mean"
    lines = np.fft.rfft(rest)
    frequency = np.fft.rfftfreq(len(x), 1.0 / rate_hz)
    top = 0.5 * rate_hz
    if band_hz is not None:
        low, top = band_hz
        lines[(frequency < low) | (frequency > top)] = 0.0
        rest = np.fft.irfft(lines, len(x))
        what += f", {low:g} to {top:g} Hz"
    else:
        what += f", to {top:g} Hz"
    rms = sqrt(_mean_square(rest))
    noise = _noise_rms(rest, rate_hz, top)
    bias = rms - sqrt(rms * rms - noise * noise) if rms > noise else rms
    u_rms = sqrt((u_of_reading * rms) ** 2 + bias**2)
    peak_to_peak = float(np.ptp(rest))
    # the largest of n samples of noise lies some √(2 ln n) σ out
    u_peak = sqrt((u_of_reading * peak_to_peak) ** 2 + 2.0 * noise**2 * 2.0 * np.log(len(rest)) / 3.0)
    note = f"{what}; noise {noise:.2g} {unit}"
    return (
        Metric(f"{name}_rms", rms, u_rms, unit, note, region),
        Metric(f"{name}_peak_to_peak", peak_to_peak, u_peak, unit, note, region),
    )


def _noise_rms(rest: FloatArray, rate_hz: float, top_hz: float) -> float:
    """RMS of the noise up to ``top_hz``, from the median of the lines in the last tenth below it: tones stand out of
    noise, and the median does not count them."""
    lines = spectrum(rest, rate_hz, Window.HANN)
    inside = (lines.frequency_hz > 0.9 * top_hz) & (lines.frequency_hz <= top_hz)
    count = int(np.count_nonzero(lines.frequency_hz <= top_hz))
    if np.count_nonzero(inside) < 4:
        return 0.0
    # the median of an exponential distribution is ln 2 of its mean
    return sqrt(float(np.median(lines.power[inside])) / np.log(2.0) * count)


def _scatter(values: FloatArray, rate_hz: float, found: Harmonics) -> float:
    """Standard deviation of the mean of the THD of parts of the record; 0 where it is too short to be parted."""
    parts = min(_PARTS, int(found.fundamental.periods / (2.0 * LEAST_PERIODS)))
    if parts < 2:
        return 0.0
    count = len(found.amplitudes)
    t = _times(len(values), rate_hz)
    each = []
    for piece, at in zip(np.array_split(values, parts), np.array_split(t, parts), strict=True):
        if len(piece) < 4 * count + 2:
            return 0.0
        fit, _ = _fit(piece, at, found.fundamental, count)
        amplitudes = np.hypot(fit[1::2], fit[2::2])
        each.append(float(np.linalg.norm(amplitudes[1:]) / amplitudes[0]))
    return float(np.std(each, ddof=1) / sqrt(parts))


def _fit(x: FloatArray, t: FloatArray, found: Fundamental, count: int) -> tuple[FloatArray, FloatArray]:
    """Least squares of mean and harmonics 1 … count, and what is left (n,).

    The products of two harmonics are harmonics again, cos A cos B = (cos(A-B) + cos(A+B))/2: the normal equations need
    only the sums of the first 2 count of them, and no matrix of all samples.
    """
    turn = _turn(t, found.frequency_hz, found.drift_hz_per_s)
    sums, products = np.zeros((2, 2 * count + 1), dtype=np.complex128)
    pieces = [slice(first, first + _PIECE) for first in range(0, len(x), _PIECE)]
    for piece in pieces:  # each small enough to stay near the processor
        power = np.ones_like(turn[piece])
        for m in range(1, 2 * count + 1):
            power *= turn[piece]
            sums[m] += power.sum()
            if m <= count:
                products[m] += complex(power.real @ x[piece], power.imag @ x[piece])
    sums[0] = len(x)
    right = np.empty(2 * count + 1)
    right[0], right[1::2], right[2::2] = x.sum(), products.real[1 : count + 1], products.imag[1 : count + 1]
    h = np.arange(1, count + 1)
    apart, together = h[:, None] - h[None, :], h[:, None] + h[None, :]
    c, s = sums.real, sums.imag
    normal = np.empty((2 * count + 1, 2 * count + 1))
    normal[0, 0] = c[0]
    normal[0, 1::2] = normal[1::2, 0] = c[h]
    normal[0, 2::2] = normal[2::2, 0] = s[h]
    normal[1::2, 1::2] = 0.5 * (c[abs(apart)] + c[together])
    normal[2::2, 2::2] = 0.5 * (c[abs(apart)] - c[together])
    normal[1::2, 2::2] = 0.5 * (s[together] - np.sign(apart) * s[abs(apart)])
    normal[2::2, 1::2] = normal[1::2, 2::2].T
    fit: FloatArray = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
    left = x - fit[0]
    weights = fit[1::2] - 1j * fit[2::2]
    for piece in pieces:  # Horner's scheme
        total = np.full(len(turn[piece]), weights[-1])
        for weight in weights[-2::-1]:
            total = total * turn[piece] + weight
        left[piece] -= (total * turn[piece]).real
    return fit, left


def _least_squares(columns: FloatArray, y: FloatArray) -> FloatArray:
    """By normal equations: sines of different periods are nearly at right angles."""
    return np.asarray(np.linalg.solve(_products(columns, columns), np.einsum("ij,i->j", columns, y)), dtype=np.float64)


def _products(a: FloatArray, b: FloatArray) -> FloatArray:
    """aᵀ b of a few columns, in one thread: several would wait for each other longer than this takes."""
    return np.asarray(np.einsum("ij,ik->jk", a, b), dtype=np.float64)


def _mean_square(x: FloatArray) -> float:
    return float(np.einsum("i,i->", x, x)) / len(x)


def _turn(t: FloatArray, f: float, r: float) -> npt.NDArray[np.complex128]:
    turn: npt.NDArray[np.complex128] = np.exp(1j * (2.0 * pi * f * t + pi * r * t * t))
    return turn


def _times(n: int, rate_hz: float) -> FloatArray:
    """Times of the samples from the middle of the record on, s."""
    return np.asarray((np.arange(n) - 0.5 * (n - 1)) / rate_hz, dtype=np.float64)


def _columns(t: FloatArray, f: float, r: float, orders: list[int]) -> FloatArray:
    turn = _turn(t, f, r)
    columns = np.empty((len(t), 1 + 2 * len(orders)))
    columns[:, 0] = 1.0
    power, at = np.ones_like(turn), 0
    for i, h in enumerate(orders):
        while at < h:
            power = power * turn
            at += 1
        columns[:, 1 + 2 * i], columns[:, 2 + 2 * i] = power.real, power.imag
    return columns


def _slope(columns: FloatArray, fit: FloatArray, orders: list[int]) -> FloatArray:
    """Derivative of the fit by the phase of the fundamental."""
    total = np.zeros(len(columns))
    for i, h in enumerate(orders):
        total += h * (fit[2 + 2 * i] * columns[:, 1 + 2 * i] - fit[1 + 2 * i] * columns[:, 2 + 2 * i])
    return total


def _peak_hz(x: FloatArray, rate_hz: float) -> float:
    """Highest line but the mean, by a parabola through the logarithms of three lines (Hann window).

    The power of a line of noise is exponential about its mean μ, its median μ ln 2, so the highest of m lines is above
    z μ with a chance of m exp(-z). Few lines may all be harmonics: there nothing is asked.
    """
    lines = spectrum(x - x.mean(), rate_hz, Window.HANN).amplitude
    k = int(np.argmax(lines[1:])) + 1
    if len(lines) > _MANY_LINES and lines[k] ** 2 <= log(len(lines) / _BY_CHANCE) / log(2.0) * np.median(lines) ** 2:
        raise UsageError(
            "no fundamental to follow",
            got=f"a highest line {lines[k] / np.median(lines):.3g} times the median line, as noise alone has it",
            expected="a line that stands out",
            remedy="Take the record while the shaft turns, or name its frequency.",
        )
    if k + 1 >= len(lines) or lines[k] <= 0.0 or min(lines[k - 1], lines[k + 1]) <= 0.0:
        return k * rate_hz / len(x)
    below, at, above = np.log(lines[k - 1 : k + 2])
    curve = below - 2.0 * at + above
    shift = 0.5 * (below - above) / curve if curve < 0.0 else 0.0
    return float((k + shift) * rate_hz / len(x))
