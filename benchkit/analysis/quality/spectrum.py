"""The spectrum of a steady stretch: the line that stands out most, and where a frequency appears after sampling.

Source: spectrum and folding, textbook of signal processing (sampling theorem); what counts as a line is derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchkit.analysis.quality.row_facts import FloatArray

LINE_OVER_FLOOR = 30.0
"""Power of a line over the median power round it. Of 8000 bins of noise the largest reaches 18: -log2 of 1/8000, plus
some."""
_LOWEST_HZ = 0.5


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a spectrum."""

    frequency_hz: float
    amplitude: float
    width_hz: float


def strongest_line(values: FloatArray, rate_hz: float) -> Line | None:
    """The line that stands out most from the floor round it, or None.

    Args:
        values: samples (n,) at an even rate; NaN is taken as the mean.
        rate_hz: sample rate [Hz].
    """
    n = values.size
    absent = np.isnan(values)
    missing = int(np.count_nonzero(absent))
    if n < 256 or n - missing < 0.9 * n:
        return None
    x = np.where(absent, np.nanmean(values), values) if missing else values
    along, window = _shapes(n)
    x = x - x.mean()
    # no product of numpy's that starts threads: they cost more than the sum
    x -= along * (float(np.sum(along * x)) / ((n * n - 1.0) * n / 12.0))
    spectrum = np.abs(np.fft.rfft(x * window)) * (2.0 / window.sum())
    width = rate_hz / n
    first = max(2, math.ceil(_LOWEST_HZ / width))
    power = spectrum[first:-1] ** 2
    if power.size < 64:
        return None
    over = power / np.maximum(_floor(power), 1e-300)
    k = int(np.argmax(over))
    if over[k] < LINE_OVER_FLOOR:
        return None
    near = spectrum[first + max(0, k - 1) : first + k + 2]
    # a Hann line spreads over three bins; their powers add up to 1.5 times that of the line
    amplitude = float(np.sqrt(np.sum(near**2) / 1.5))
    return Line((first + k) * width, amplitude, width)


@lru_cache(maxsize=4)
def _shapes(n: int) -> tuple[FloatArray, FloatArray]:
    """A straight line through zero, and a Hann window, of n rows; points of a run are mostly of one length."""
    return np.asarray(np.arange(n) - 0.5 * (n - 1), dtype=np.float64), np.hanning(n)


def _floor(power: FloatArray) -> FloatArray:
    """Median of the power round each bin: in pieces of some 24 bins and more, finer where wander makes it steep.

    Of noise the power of a bin is exponentially distributed: its median is ln 2 exp(gamma) = 1.235 of the geometric
    mean, which is quicker to get.
    """
    edges = np.unique(np.round(np.concatenate([[0], np.geomspace(24, power.size, 14)])).astype(int))
    logs = np.add.reduceat(np.log(np.maximum(power, 1e-300)), edges[:-1]) / np.diff(edges)
    middles = 0.5 * (edges[:-1] + edges[1:])
    return np.asarray(1.235 * np.exp(np.interp(np.arange(power.size), middles, logs)))


def folded(frequency_hz: float, rate_hz: float) -> float:
    """Where a frequency [Hz] appears after sampling at a rate [Hz]: between 0 and half the rate [Hz].

    >>> folded(16_003.0, 200.0)
    3.0
    """
    rest = frequency_hz % rate_hz
    return min(rest, rate_hz - rest)
