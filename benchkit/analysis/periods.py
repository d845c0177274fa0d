"""Averaging windows cut to whole electrical periods.

The mean of a signal with a ripple of the electrical frequency is free of it over whole periods only; over n periods and
a part the rest is at most the amplitude of the ripple over ``pi n`` (exact for a sine).

Source: the integral of a sine (derived).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LEAST_SAMPLES = 2.0
"""Samples of one period that are needed to know it for what it is (sampling theorem)."""


def whole_periods(time_s: FloatArray, frequency_hz: FloatArray) -> tuple[int, int, str]:
    """How many rows, counted from the end, hold whole electrical periods.

    ``periods = floor(N f / f_s)``, ``rows = round(periods f_s / f)`` (1), with f the mean frequency and f_s the rate of
    sampling. The cut is at a whole row, so up to half a sample interval of a period is left.

    Args:
        time_s: sample times (n,) [s], rising.
        frequency_hz: electrical frequency (n,) [Hz]; NaN is left out.

    Returns:
        Rows to keep; whole periods in them, 0 where nothing was cut; and why not, in words.

    >>> t = np.arange(1000) / 1000.0
    >>> whole_periods(t, np.full(1000, 130.0))
    (1000, 130, '')
    >>> whole_periods(t, np.full(1000, 130.6))
    (995, 130, '')
    >>> whole_periods(t, np.full(1000, 620.0))[2]
    'The sampling, 1000 Hz, cannot resolve periods of 620 Hz: not cut to whole periods.'
    """
    rows = time_s.size
    good = frequency_hz[~np.isnan(frequency_hz)]
    f = float(good.mean()) if good.size else math.nan
    if rows < 2 or not time_s[-1] > time_s[0]:
        return rows, 0, "Too few rows to cut to whole periods."
    if not abs(f) > 0.0:
        return rows, 0, "No electrical frequency here: not cut to whole periods."
    f, rate = abs(f), (rows - 1) / float(time_s[-1] - time_s[0])
    if LEAST_SAMPLES * f >= rate:
        text = f"The sampling, {rate:.4g} Hz, cannot resolve periods of {f:.4g} Hz: not cut to whole periods."
        return rows, 0, text
    periods = math.floor(rows * f / rate + 1e-9 * rows)
    if periods < 1:
        return rows, 0, f"The window is shorter than one period of {f:.4g} Hz."
    return min(rows, round(periods * rate / f)), periods, ""
