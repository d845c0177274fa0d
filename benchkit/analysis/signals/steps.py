"""Step responses in the terms of IEEE Std 181-2011: state levels, reference levels, transition, aberrations, settling.

    (1) level at p %:  y_p = s_1 + p/100 (s_2 - s_1)        s_1, s_2 the state levels before and after
    (2) transition duration:  t_90 - t_10, first crossings, straight between two samples
    (3) overshoot:  100 (max - s_2) / |s_2 - s_1| after the transition, in the direction of the step
    (4) undershoot: 100 (s_1 - min) / |s_2 - s_1| before it, against the direction of the step (a precursor)
    (5) settling: from the crossing of 50 % until the record stays within d % of the amplitude about s_2

State levels come from the histogram of the record (IEEE Std 181, 5.2.1): the modes of its lower and upper half, each
refined to the mean of the samples in the bin of the mode. A level that is known is better given.

Second-order system with damping ratio ζ: overshoot 100 exp(-πζ/√(1-ζ²)); first order: transition duration τ ln 9.

Source: IEEE Std 181-2011 as cited above; second-order and first-order responses, textbook of control.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
import numpy.typing as npt

from benchkit.analysis.signals.spectrum import checked
from benchkit.errors import UsageError
from benchkit.model.metrics import Metric

FloatArray = npt.NDArray[np.float64]

BINS = 256
SETTLED_PERCENT = 2.0


@dataclass(frozen=True, slots=True)
class StateLevels:
    """Levels before and after a step, and the standard uncertainty of each."""

    low: float
    high: float
    u: float


@dataclass(frozen=True, slots=True)
class Step:
    """One step; times in s from the first sample, shares in percent of the amplitude. NaN: not in the record."""

    before: float
    after: float
    u_level: float
    t10_s: float
    t50_s: float
    t90_s: float
    u_time_s: float
    """Standard uncertainty of a crossing."""
    overshoot_percent: float
    undershoot_percent: float
    u_percent: float
    settling_s: float
    """From ``t50_s``; NaN where the record ends before it has settled."""
    settled_percent: float

    @property
    def amplitude(self) -> float:
        """After less before, in the unit of the record."""
        return self.after - self.before

    @property
    def transition_s(self) -> float:
        """Transition duration [s], equation (2)."""
        return self.t90_s - self.t10_s


def state_levels(values: FloatArray, bins: int = BINS) -> StateLevels:
    """Low and high state by the histogram of a record (n,), in its unit.

    Raises:
        UsageError: the record has no two levels.
    """
    x = checked(values, 1.0, 8)
    low, high = float(x.min()), float(x.max())
    if not high > low:
        raise UsageError("the record stands still: it has no two levels", got=low)
    counts, edges = np.histogram(x, bins=bins, range=(low, high))
    half = bins // 2
    found = []
    us = []
    for first, last in ((0, half), (half, bins)):
        mode = first + int(np.argmax(counts[first:last]))
        inside = (x >= edges[mode]) & (x <= edges[mode + 1])
        found.append(float(x[inside].mean()))
        # where the level lies inside its bin is known to the bin; its mean is known better when many samples are there
        us.append(float(x[inside].std()) / sqrt(max(1, int(inside.sum()))) + (edges[1] - edges[0]) / sqrt(12.0) / bins)
    return StateLevels(found[0], found[1], max(us))


def step(
    values: FloatArray,
    rate_hz: float,
    levels: tuple[float, float] | None = None,
    *,
    settled_percent: float = SETTLED_PERCENT,
) -> Step:
    """The first step of a record (n,), equations (1) to (5). ``levels`` are those before and after, in the unit of the
    record, where they are known; ``rate_hz`` [Hz].

    ``u_time_s`` is that of noise at the slope of the crossing and of straight lines between samples; ``u_percent`` that
    of noise and of the levels.

    Raises:
        UsageError: the record does not cross its own levels.
    """
    x = checked(values, rate_hz, 8)
    if levels is None:
        found = state_levels(x)
        is_rising = float(np.mean(x[: max(1, len(x) // 20)])) < 0.5 * (found.low + found.high)
        before, after = (found.low, found.high) if is_rising else (found.high, found.low)
        u_level = found.u
    else:
        (before, after), u_level = levels, 0.0
    amplitude = after - before
    if amplitude == 0.0:
        raise UsageError("the two levels are the same", got=before)
    y = (x - before) / amplitude
    middle = _crossing(y, 0.5, 0)
    if middle is None:
        raise UsageError("the record does not cross the middle of its levels", got=f"{before:g} and {after:g}")
    t10 = _last_before(y, 0.1, middle)
    t90 = _crossing(y, 0.9, int(middle))
    noise = _noise(x) / abs(amplitude)
    peak = float(y[int(middle) :].max())
    trough = float(y[: int(middle) + 1].min())
    outside = np.flatnonzero(np.abs(y - 1.0) > settled_percent / 100.0)
    settling = nan
    if len(outside) and outside[-1] + 1 < len(y):
        settling = float(_edge(y, int(outside[-1]), settled_percent / 100.0) - middle) / rate_hz
    slope = abs(y[min(len(y) - 1, int(middle) + 1)] - y[int(middle)])
    return Step(
        before=before,
        after=after,
        u_level=u_level,
        t10_s=nan if t10 is None else t10 / rate_hz,
        t50_s=middle / rate_hz,
        t90_s=nan if t90 is None else t90 / rate_hz,
        u_time_s=_u_time(y, middle, t90, noise, slope) / rate_hz,
        overshoot_percent=100.0 * max(0.0, peak - 1.0),
        undershoot_percent=100.0 * max(0.0, -trough),
        u_percent=100.0 * sqrt(noise**2 + 2.0 * (u_level / amplitude) ** 2),
        settling_s=settling,
        settled_percent=settled_percent,
    )


def step_metrics(
    found: Step, name: str, unit: str, *, u_of_reading: float = 0.0, region: str = ""
) -> tuple[Metric, ...]:
    """The figures of a step as metrics ``NAME_step_…``: amplitude in ``unit``, transition and settling [s], overshoot
    and undershoot [%]; ``u_of_reading`` [1] is the relative standard uncertainty of the channel."""
    levels = f"levels {found.before:.5g} and {found.after:.5g} {unit}"
    u_amplitude = sqrt(2.0 * found.u_level**2 + (u_of_reading * found.amplitude) ** 2)
    u_duration = sqrt(2.0) * found.u_time_s
    band = f"from 50 % until it stays within {found.settled_percent:g} % of the amplitude"
    return (
        Metric(f"{name}_step_amplitude", found.amplitude, u_amplitude, unit, levels, region),
        Metric(f"{name}_step_transition", found.transition_s, u_duration, "s", f"10 to 90 %, {levels}", region),
        Metric(f"{name}_step_overshoot", found.overshoot_percent, found.u_percent, "%", levels, region),
        Metric(f"{name}_step_undershoot", found.undershoot_percent, found.u_percent, "%", levels, region),
        Metric(f"{name}_step_settling", found.settling_s, u_duration, "s", f"{band}, {levels}", region),
    )


def crossings(values: FloatArray, level: float, *, rising: bool, start: int = 0) -> FloatArray:
    """Places (m,) [samples, straight between two] where a record (n,) goes through ``level``, in its unit."""
    y = np.asarray(values, dtype=np.float64)[start:]
    above = y >= level
    at = np.flatnonzero(~above[:-1] & above[1:]) if rising else np.flatnonzero(above[:-1] & ~above[1:])
    places: FloatArray = start + at + (level - y[at]) / (y[at + 1] - y[at])
    return places


def _crossing(y: FloatArray, level: float, start: int) -> float | None:
    found = crossings(y, level, rising=True, start=start)
    return float(found[0]) if len(found) else None


def _last_before(y: FloatArray, level: float, middle: float) -> float | None:
    found = crossings(y[: int(middle) + 2], level, rising=True)
    return float(found[-1]) if len(found) else None


def _edge(y: FloatArray, last_outside: int, band: float) -> float:
    """Where the record comes into the band for good, straight between two samples."""
    side = 1.0 + band if y[last_outside] > 1.0 else 1.0 - band
    rise = y[last_outside + 1] - y[last_outside]
    return last_outside + ((side - y[last_outside]) / rise if rise != 0.0 else 1.0)


def _noise(x: FloatArray) -> float:
    """Standard deviation of noise from second differences, which a smooth course hardly has; the median leaves out the
    few samples of a step (0.6745 of a normal deviation, √6 for the difference)."""
    second = x[2:] - 2.0 * x[1:-1] + x[:-2]
    return float(np.median(np.abs(second))) / 0.6745 / sqrt(6.0)


def _u_time(y: FloatArray, middle: float, t90: float | None, noise: float, slope: float) -> float:
    """In samples: noise over the slope at the flattest of the crossings, and the bend between two samples."""
    slopes = [slope]
    if t90 is not None and int(t90) + 1 < len(y):
        slopes.append(abs(y[int(t90) + 1] - y[int(t90)]))
    flattest = min(slopes)
    if flattest == 0.0:
        return inf
    k = min(max(int(middle), 1), len(y) - 2)
    bend = abs(y[k + 1] - 2.0 * y[k] + y[k - 1]) / 8.0
    return sqrt((noise / flattest) ** 2 + (bend / flattest) ** 2)
