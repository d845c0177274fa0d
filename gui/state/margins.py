"""How far each limited channel is from its limit, and what will trip first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.model.limits import Limit, LimitKind, Severity, edge_towards
from benchkit.model.stand import Channel, Stand

FloatArray = npt.NDArray[np.float64]
HORIZON_S = 900.0
"""A prediction further ahead than this is not shown."""


@dataclass(frozen=True, slots=True)
class Margin:
    """One bar. ``share`` runs from 0 (rest) to 1 (the limit at the right end), NaN where not measured.

    ``time_to_s`` is the predicted time to the limit, as the recorder tells it (a temperature along its own approach, an
    integral by its equation), else along the present slope: 0 beyond it, infinity where the channel does not move
    towards it. ``ticks`` are the shares of the channel's caution limits on the same side.
    """

    channel: Channel
    limit: Limit
    value: float
    share: float
    time_to_s: float
    ticks: tuple[float, ...] = ()
    by: str = ""
    """Another limit of the channel that is met first, where the recorder predicts so; empty: that of the bar."""

    @property
    def set_point(self) -> float:
        """Set point at the right end: of a band the edge that the value is nearer to."""
        return edge_towards(self.limit, self.value)[0]

    @property
    def is_below(self) -> bool:
        """True where the set point is met from above."""
        return edge_towards(self.limit, self.value)[1] < 0.0

    @property
    def is_beyond(self) -> bool:
        """True where the value is past the limit at the right end."""
        return self.share > 1.0

    @property
    def is_past_caution(self) -> bool:
        """True where the value is past one of the caution ticks."""
        return any(self.share > tick for tick in self.ticks)


@dataclass(frozen=True, slots=True)
class Slope:
    """Least-squares slope with its standard uncertainty, per second; NaN with fewer than three values."""

    value: float
    u: float

    @property
    def is_clear(self) -> bool:
        """True where the slope is more than three standard uncertainties away from level."""
        return math.isfinite(self.u) and abs(self.value) > 3.0 * self.u


def slope(time_s: FloatArray, values: FloatArray) -> Slope:
    """Straight line through the measured values: ``time_s`` (n,), ``values`` (n,); needs three of them."""
    good = np.isfinite(values)
    t, y = time_s[good], values[good]
    if len(t) < 3 or t[-1] <= t[0]:
        return Slope(math.nan, math.nan)
    t = t - t.mean()
    spread = float(t @ t)
    rate = float(t @ y) / spread
    rest = y - y.mean() - rate * t
    return Slope(rate, math.sqrt(float(rest @ rest) / (len(t) - 2) / spread))


def steady_slope(time_s: FloatArray, values: FloatArray) -> Slope:
    """The slope of the newer half, where both halves clearly go the same way; else level.

    A step that is over leaves a slope in the whole, and none in the newer half: it must not predict a trip.
    """
    if len(time_s) < 6:
        return Slope(math.nan, math.nan)
    middle = int(np.searchsorted(time_s, 0.5 * (time_s[0] + time_s[-1])))
    older, newer = slope(time_s[:middle], values[:middle]), slope(time_s[middle:], values[middle:])
    agree = older.is_clear and newer.is_clear and older.value * newer.value > 0.0
    return newer if agree else Slope(0.0, newer.u)


def share(value: float, channel: Channel, limit: Limit) -> float:
    """Where ``value`` stands between rest (0) and the limit (1).

    Rest is zero for an upper limit, or the foot of the channel's range where zero is outside it or past the limit;
    for a lower limit it is the top of the range, between two edges the middle. A share may be below 0 or above 1: it is
    not clamped.
    """
    return _share(value, channel, limit, *edge_towards(limit, value))


def _share(value: float, channel: Channel, limit: Limit, edge: float, sign: float) -> float:
    if limit.kind is LimitKind.OUTSIDE:
        rest = 0.5 * (limit.low + limit.set_point)
    elif sign < 0.0:
        rest = channel.high
    else:
        rest = 0.0 if channel.low <= 0.0 < edge else channel.low
    width = edge - rest
    return (value - rest) / width if width else math.nan


def time_to_limit(value: float, rate: Slope, limit: Limit) -> float:
    """Seconds until the value meets the limit along ``rate``; 0 beyond it; infinity when not on the way there."""
    if not math.isfinite(value):
        return math.nan
    edge, sign = edge_towards(limit, value)
    distance = edge - value
    if sign * distance < 0.0:
        return 0.0
    if not rate.is_clear or rate.value == 0.0 or distance / rate.value < 0.0:
        return math.inf
    seconds = distance / rate.value
    return seconds if seconds <= HORIZON_S else math.inf


def margins(
    stand: Stand,
    values: Mapping[str, float],
    slopes: Mapping[str, Slope],
    predicted: Mapping[str, tuple[str, float]] | None = None,
) -> tuple[Margin, ...]:
    """One margin per channel with limits on its own axis, first to trip first.

    ``predicted`` holds by channel the limit that the recorder looked at and the time to it in s (NaN: not approached).

    Where a channel has several trip limits, the bar is that of the nearest. A channel with caution limits only has
    its caution at the right end.
    """
    level = Slope(math.nan, math.nan)
    found = []
    for channel in stand.channels.values():
        own = [x for x in stand.limit_set.limits if x.channel == channel.name and x.is_on_axis]
        trips = [x for x in own if x.severity is Severity.TRIP]
        if not own:
            continue
        value = values.get(channel.name, math.nan)
        rate = slopes.get(channel.name, level)
        bars = [_margin(channel, x, own, value, rate) for x in trips or own]
        found.append(_as_predicted(min(bars, key=_urgency), (predicted or {}).get(channel.name)))
    return tuple(sorted(found, key=_urgency))


def _as_predicted(margin: Margin, predicted: tuple[str, float] | None) -> Margin:
    """The margin with the time that the recorder predicts: it knows the law of the limit, a slope does not."""
    if predicted is None or margin.is_beyond or not math.isfinite(margin.share):
        return margin
    name, seconds = predicted
    seconds = seconds if 0.0 <= seconds <= HORIZON_S else math.inf
    if name == margin.limit.name:
        return replace(margin, time_to_s=seconds)
    return replace(margin, time_to_s=seconds, by=name) if seconds < margin.time_to_s else margin


def _margin(channel: Channel, limit: Limit, own: Iterable[Limit], value: float, rate: Slope) -> Margin:
    edge, sign = edge_towards(limit, value)
    ticks = tuple(
        _share(edge_towards(x, value)[0], channel, limit, edge, sign)
        for x in own
        if x.severity is Severity.CAUTION and x.kind is limit.kind and x is not limit
    )
    return Margin(channel, limit, value, share(value, channel, limit), time_to_limit(value, rate, limit), ticks)


def _urgency(margin: Margin) -> tuple[float, bool, float]:
    """Sort key: time to the limit, trips before cautions, then the fuller bar. A channel not measured comes first."""
    if math.isnan(margin.share):
        return (-1.0, margin.limit.severity is not Severity.TRIP, 0.0)
    return (margin.time_to_s, margin.limit.severity is not Severity.TRIP, -margin.share)
