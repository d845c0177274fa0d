"""Whether an operating point was steady: tests of drift and scatter with their uncertainty, electrical and thermal.

Three answers are kept apart: a channel is **steady** where even the upper bound of its movement is within what is
allowed, **not steady** where even the lower bound is beyond, and **not shown** in between: the record is too short or
too noisy. Bounds are one-sided with 95 %. Block means remember (a lagging sensor, a slow controller), so a record
counts as the number of independent readings it is worth.

Source: rules of this project, but for the 3-minute rule of CS-E 150(d) where a function names it; t distribution as in
JCGM 100:2008, G.3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.folding import Segment
from benchkit.analysis.stillness import band_of
from benchkit.analysis.uncertainty import correlation_time
from benchkit.model.results import Estimate, Settled, SteadyLabel
from benchkit.model.stand import Stand, ThermalSteadiness

FloatArray = npt.NDArray[np.float64]

BOUND = 0.95
"""Probability of each one-sided bound."""
SCATTER_WIDTH = 2.0
"""Standard deviations of the block means that must fit into the band."""
END_SHARE = 60
"""A thermal change is taken between means over this fraction of the time: 30 s of half an hour."""
LEAST_GOOD = 0.8
"""Share of blocks that must be measured."""
_LEAST_BLOCKS = 5
_SEVERITY = (Settled.STEADY, Settled.NOT_SHOWN, Settled.NOT_STEADY)


@dataclass(frozen=True, slots=True)
class Trend:
    """Line through a record: slope per second with its standard uncertainty and degrees of freedom, and the standard
    deviation about it."""

    slope: float
    u_slope: float
    dof: float
    scatter: float


def trend(time_s: FloatArray, values: FloatArray, order: int = 1) -> Trend:
    """Least-squares line through (n,) values, and the scatter about it (or about a parabola); memory is counted.

    ``time_s`` [s]; slope in the unit of the values per second, scatter in that unit.

    ``u(b)² = s² tau / sum (t - t̄)²`` (1) with ``s² = sum e² / (n - 2)`` and tau the readings per independent reading of
    the residuals e; degrees of freedom ``n/tau - 2`` (2), at least 1. For independent residuals (1) is the textbook
    variance of a slope. With ``order=2`` the scatter and tau are those about a parabola.

    Validity: memory short against the record; below some five memory times the interval is too narrow even so.

    Source of the effective sample size in a test of a trend: B. D. Santer et al., Journal of Geophysical Research 105
    (2000) 7337, doi 10.1029/1999JD901105 (from memory); it takes tau from the first lag alone, here it is that of
    :func:`~benchkit.analysis.uncertainty.correlation_time`.

    >>> t = np.arange(6.0)
    >>> trend(t, 2.0 * t + np.array([0.1, -0.1, 0.1, -0.1, 0.1, -0.1])).slope.__round__(3)
    1.983
    """
    n = time_s.size
    x = time_s - time_s.mean()
    square = float(np.sum(x**2))
    slope = float(np.sum(x * values)) / square
    fitted = np.polynomial.Polynomial.fit(x, values, order)(x)
    residuals = values - fitted
    tau = correlation_time(residuals)
    free = max(n - 1 - order, 1)
    scatter = math.sqrt(float(np.sum(residuals**2)) / free)
    return Trend(slope, scatter * math.sqrt(tau / square), max(n / tau - 1.0 - order, 1.0), scatter)


def electrical_label(
    stand: Stand, channels: Sequence[str], segment: Segment, first: int, stop: int
) -> SteadyLabel | None:
    """Label of blocks ``first`` to ``stop`` after the bands of the stand: drift over the window, and scatter."""
    labels = [
        drift_label(
            segment.times[first:stop],
            segment.means[first:stop, channels.index(name)],
            channel=name,
            unit=stand.channels[name].unit,
            band=band_of(stand, name),
        )
        for name in stand.steadiness.channels
    ]
    return deciding(labels)


def thermal_label(stand: Stand, channels: Sequence[str], segment: Segment, first: int, stop: int) -> SteadyLabel | None:
    """Label of a point that ends with block ``stop``, in a hold that began with block ``first``; None: no rule."""
    rule = stand.steadiness.thermal
    if rule is None:
        return None
    labels = []
    for name in rule.channels:
        if name in channels:
            column = segment.means[first:stop, channels.index(name)]
            labels.append(change_label(segment.times[first:stop], column, rule, channel=name))
        else:
            labels.append(
                _not_shown(name, stand.channels[name].unit, rule.change_k, rule.over_s, "is not in this stream")
            )
    return deciding(labels)


def drift_label(time_s: FloatArray, means: FloatArray, *, channel: str, unit: str, band: float) -> SteadyLabel:
    """Drift over the whole record, and twice the scatter of its block means, against a band.

    Args:
        time_s, means: mean times (n,) [s] and block means (n,); NaN is left out.
        band: widest movement, in ``unit``.

    >>> t = np.arange(60.0)
    >>> noise = np.random.default_rng(1).standard_normal(60)
    >>> def state(k: float) -> str:
    ...     return drift_label(t, k * t + noise, channel="speed", unit="rpm", band=10.0).state.value
    >>> [state(k) for k in (0.0, 0.17, 1.0)]
    ['steady', 'not shown', 'not steady']
    """
    good = ~(np.isnan(means) | np.isnan(time_s))
    over_s = float(np.nanmax(time_s) - np.nanmin(time_s)) if np.any(~np.isnan(time_s)) else 0.0
    if np.count_nonzero(good) < max(_LEAST_BLOCKS, LEAST_GOOD * means.size) or not over_s > 0.0:
        return _not_shown(channel, unit, band, over_s, "is not measured")
    line = trend(time_s[good], means[good])
    change = Estimate(line.slope * over_s, line.u_slope * over_s, unit, line.dof)
    drift = _state(change, band)
    low, high = _scatter_bounds(line)
    scatter = Settled.STEADY if high <= band else Settled.NOT_STEADY if low > band else Settled.NOT_SHOWN
    by_scatter = _SEVERITY.index(scatter) > _SEVERITY.index(drift)
    state = scatter if by_scatter else drift
    what = f"scatters by {line.scatter:.3g} {unit}" if by_scatter else f"drifts by {change.value:+.3g} {unit}"
    return SteadyLabel(
        state=state,
        channel=channel,
        decided_by="scatter" if by_scatter else "drift",
        slope=Estimate(line.slope, line.u_slope, f"{unit}/s", line.dof),
        change=change,
        scatter=line.scatter,
        allowed=band,
        over_s=over_s,
        reason=f"{channel} {what} in {over_s:.4g} s; {band:g} {unit} is allowed: {state.value}.",
    )


def change_label(
    time_s: FloatArray, means: FloatArray, rule: ThermalSteadiness, *, channel: str, end_blocks: int | None = None
) -> SteadyLabel:
    """Change of a temperature over the last ``rule.over_s`` of a record, against ``rule.change_k``.

    ``change = T(end) - T(end - over)`` (3), each the mean of ``end_blocks`` blocks (a sixtieth of the time when not
    given). Its uncertainty comes from the scatter about a parabola, with its memory. A record that is shorter than
    ``over`` cannot show that the channel is steady; where its slope is beyond what is allowed, it shows that it is not.

    Args:
        time_s, means: mean times (n,) [s] and block means (n,) [°C] since the load was set; NaN is left out.

    Source of the usual numbers, 1 K in half an hour: IEC 60034-1, thermal equilibrium (second-hand; the edition is not
    here). The profile names its own.
    """
    good = ~(np.isnan(means) | np.isnan(time_s))
    t, x = time_s[good], means[good]
    if t.size < max(_LEAST_BLOCKS, LEAST_GOOD * means.size):
        return _not_shown(channel, "°C", rule.change_k, rule.over_s, "is not measured")
    length_s = float(np.median(np.diff(t)))
    ends = max(1, round(rule.over_s / END_SHARE / length_s)) if end_blocks is None else end_blocks
    apart = round(rule.over_s / length_s)
    long_enough = t.size >= apart + ends and t[-1] - t[0] >= rule.over_s - 0.5 * length_s
    if not long_enough:
        return _too_short(t, x, rule, channel)
    # rows may be missing: the earlier end is found by time, not by counting
    back = int(np.searchsorted(t, t[-1] - rule.over_s - 0.5 * length_s))
    early = x[max(0, back - ends + 1) : back + 1]
    line = trend(t[back:], x[back:], order=2)
    memory = (t.size - back) / (line.dof + 3.0)  # readings per independent reading, from (2)
    u = line.scatter * math.sqrt(2.0 * min(1.0, memory / ends))
    change = Estimate(float(x[-ends:].mean() - early.mean()), u, "K", line.dof)
    state = _state(change, rule.change_k)
    text = f"{channel} changed by {change.value:+.3g} K in {_minutes(rule.over_s)}; {rule.change_k:g} K is allowed"
    return _thermal(state, "drift", change, line.scatter, rule, channel, f"{text}: {state.value}.")


def _too_short(t: FloatArray, x: FloatArray, rule: ThermalSteadiness, channel: str) -> SteadyLabel:
    line = trend(t, x)
    change = Estimate(line.slope * rule.over_s, line.u_slope * rule.over_s, "K", line.dof)
    beyond = _state(change, rule.change_k) is Settled.NOT_STEADY
    state, by = (Settled.NOT_STEADY, "drift") if beyond else (Settled.NOT_SHOWN, "length")
    text = f"{channel} moves by {change.value:+.3g} K in {_minutes(rule.over_s)} at the rate of its last "
    text += f"{_minutes(float(t[-1] - t[0]))}: {state.value}."
    return _thermal(state, by, change, line.scatter, rule, channel, text)


def _thermal(
    state: Settled, by: str, change: Estimate, scatter: float, rule: ThermalSteadiness, channel: str, text: str
) -> SteadyLabel:
    slope = Estimate(change.value / rule.over_s, change.u / rule.over_s, "K/s", change.dof)
    return SteadyLabel(state, channel, by, slope, change, scatter, rule.change_k, rule.over_s, text)


def _not_shown(channel: str, unit: str, allowed: float, over_s: float, why: str) -> SteadyLabel:
    nothing = Estimate(math.nan, math.nan, unit)
    slope = Estimate(math.nan, math.nan, f"{unit}/s")
    return SteadyLabel(
        Settled.NOT_SHOWN, channel, "length", slope, nothing, math.nan, allowed, over_s, f"{channel} {why}: not shown."
    )


def _state(change: Estimate, allowed: float) -> Settled:
    from scipy.special import stdtrit

    reach = float(stdtrit(change.dof, BOUND)) * change.u
    if abs(change.value) + reach <= allowed:
        return Settled.STEADY
    return Settled.NOT_STEADY if abs(change.value) - reach > allowed else Settled.NOT_SHOWN


def _scatter_bounds(line: Trend) -> tuple[float, float]:
    """Bounds of :data:`SCATTER_WIDTH` standard deviations, from the chi-squared distribution of their variance."""
    from scipy.special import chdtri

    # chdtri takes the probability above the bound
    low = math.sqrt(line.dof / float(chdtri(line.dof, 1.0 - BOUND)))
    high = math.sqrt(line.dof / float(chdtri(line.dof, BOUND)))
    return SCATTER_WIDTH * line.scatter * low, SCATTER_WIDTH * line.scatter * high


def deciding(labels: Sequence[SteadyLabel]) -> SteadyLabel | None:
    """The label of the channel that is furthest from steady; of equals the one nearest to what it is allowed."""
    return max(labels, key=_furthest, default=None)


def _furthest(label: SteadyLabel) -> tuple[int, float]:
    share = abs(label.change.value) / label.allowed
    return _SEVERITY.index(label.state), -1.0 if math.isnan(share) else share


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.3g} min" if seconds >= 120.0 else f"{seconds:.3g} s"
