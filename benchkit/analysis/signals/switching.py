"""Edges of switched signals: switching frequency of a leg, dead time between its two sides.

    (1) edge: where the record goes through the middle of its two state levels, straight between two samples
    (2) switching frequency  f = Σ k² / Σ k t_k,  the least-squares line through m rising edges, k from their middle:
        the edges of a modulated leg are shifted to and fro, and both ends alone would show it
    (3) dead time: from the falling edge of one side to the next rising edge of the other, both off between

A straight line between two samples is exact for an edge that is a ramp of at least two samples; a steeper edge is known
to within a sample, ± T/√12 (type B).

Source: (1) reference level of IEEE Std 181 as in :mod:`benchkit.analysis.signals.steps`; (2) least squares and (3),
derived here; T/√12 the rectangular law of JCGM 100, 4.3.7.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals.spectrum import checked
from benchkit.analysis.signals.steps import crossings, state_levels
from benchkit.errors import UsageError
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

LEAST_EDGES = 3
LARGEST_SPREAD = 0.1
"""Median distance from the nearer level, over the distance of the two: noise has 0.2 and more."""


def edges(values: FloatArray, rate_hz: float, *, rising: bool) -> tuple[FloatArray, float]:
    """Times (m,) [s] of the edges from the first sample on, and the standard uncertainty of one [s], equation (1).

    Raises:
        UsageError: the record has no two levels.
    """
    x = checked(values, rate_hz, 8)
    levels = state_levels(x)
    middle, amplitude = 0.5 * (levels.low + levels.high), levels.high - levels.low
    about = (np.abs(x[x < middle] - levels.low), np.abs(x[x >= middle] - levels.high))
    if max(float(np.median(part)) if len(part) else 0.0 for part in about) > LARGEST_SPREAD * amplitude:
        raise UsageError(
            "the record is not at one of two levels most of the time", got=f"{levels.low:g} … {levels.high:g}"
        )
    places = _without_chatter(crossings(x, middle, rising=rising))
    y = (x - levels.low) / amplitude
    k = places.astype(np.int64)
    seen = np.array(
        [np.count_nonzero((y[max(0, i - 2) : i + 4] > 0.05) & (y[max(0, i - 2) : i + 4] < 0.95)) for i in k[:50]]
    )
    is_ramp = bool(len(seen)) and float(np.mean(seen >= 2)) > 0.5
    u_place = 0.05 if is_ramp else 1.0 / sqrt(12.0)
    return places / rate_hz, u_place / rate_hz


def switching_frequency(leg_voltage: FloatArray, rate_hz: float, *, u_rate: float = 0.0, region: str = "") -> Metric:
    """Switching frequency of a leg [Hz], equation (2). ``u_rate`` [1] is the relative uncertainty of the sample clock.

    NaN with fewer than three edges: nothing switches.
    """
    try:
        times, u_edge = edges(leg_voltage, rate_hz, rising=True)
    except UsageError:
        times, u_edge = np.empty(0), 0.0
    if len(times) < LEAST_EDGES:
        return Metric("switching_frequency", float("nan"), float("nan"), "Hz", "fewer than three edges", region)
    k = np.arange(len(times)) - 0.5 * (len(times) - 1)
    spread = float(k @ k)
    period = float(k @ times) / spread
    f = 1.0 / period
    scatter = float(np.std(times - times.mean() - period * k))
    u = f * sqrt((u_edge**2 + scatter**2) / spread / period**2 + u_rate**2)
    return Metric("switching_frequency", f, u, "Hz", f"{len(times)} rising edges", region)


def dead_time(upper: FloatArray, lower: FloatArray, rate_hz: float, *, region: str = "") -> Metric:
    """Mean time in which both sides of a leg are off [s], equation (3); the least of them in the note.

    NaN where the two sides do not take turns. Negative: both sides are on together.
    """
    try:
        gaps, u_edge = _gaps(upper, lower, rate_hz)
    except UsageError:
        gaps, u_edge = np.empty(0), 0.0
    if len(gaps) < LEAST_EDGES:
        return Metric("dead_time", float("nan"), float("nan"), "s", "the two sides do not take turns", region)
    u = sqrt(float(np.var(gaps, ddof=1)) / len(gaps) + 2.0 * u_edge**2)
    note = f"{len(gaps)} changes, the shortest {1e6 * float(gaps.min()):.3f} µs; middle levels"
    return Metric("dead_time", float(gaps.mean()), u, "s", note, region)


def _gaps(upper: FloatArray, lower: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    found = []
    u = 0.0
    for off_side, on_side in ((upper, lower), (lower, upper)):
        off, u_off = edges(off_side, rate_hz, rising=False)
        on, u_on = edges(on_side, rate_hz, rising=True)
        u = max(u, u_off, u_on)
        period = float(np.median(np.diff(off))) if len(off) > 1 else 0.0
        # the nearest rising edge, before or after: a leg that shoots through must not look like one that waits
        for time in off:
            if len(on):
                nearest = float(on[int(np.argmin(np.abs(on - time)))] - time)
                if abs(nearest) < 0.25 * period:
                    found.append(nearest)
    return np.array(found), u


def _without_chatter(places: FloatArray) -> FloatArray:
    """Of crossings closer than a twentieth of the usual distance the first counts: noise on an edge."""
    if len(places) < LEAST_EDGES:
        return places
    usual = float(np.median(np.diff(places)))
    keep = np.concatenate([[True], np.diff(places) > 0.05 * usual])
    kept: FloatArray = places[keep]
    return kept
