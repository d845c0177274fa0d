"""Margins: how much of the way to its limit a channel has used, and when it would arrive."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.stand import Channel

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Margin:
    """One bar: a limited channel and the limit it is nearest to.

    ``fraction`` is 0 at the far end of the channel's range and 1 at ``set_point``: the right end of the bar. It is
    not clamped (above 1: beyond the limit) and NaN when not measured. ``caution`` is the caution set point on the same
    side, NaN without one. ``time_to_limit_s`` counts from the last sample; 0 beyond the limit, NaN when the channel
    does not approach it.
    """

    channel: str
    limit: str
    severity: Severity
    kind: LimitKind
    unit: str
    value: float
    set_point: float
    caution: float
    fraction: float
    caution_fraction: float
    time_to_limit_s: float


def margins(
    limits: Sequence[Limit],
    channels: Mapping[str, Channel],
    recent: Mapping[str, tuple[FloatArray, FloatArray]],
) -> tuple[Margin, ...]:
    """One :class:`Margin` per channel with a limit above or below, in the order of ``channels``.

    ``recent`` holds per channel the last times in s (n,) and values (n,) in bench units, oldest first; a channel that
    is not in it is not measured. Of several trip limits on a channel the nearest counts; a caution stands for the
    channel only when it has no trip limit.
    """
    found = []
    for channel in channels.values():
        times, values = recent.get(channel.name, (np.empty(0), np.empty(0)))
        value = float(values[-1]) if values.size else math.nan
        own = [x for x in limits if x.channel == channel.name and x.kind is not LimitKind.STALE]
        leading = [x for x in own if x.severity is Severity.TRIP] or own
        if leading:
            nearest = max(leading, key=lambda x: _rank(fraction_used(x, channel, value)))
            found.append(_margin(nearest, own, channel, value, time_to_limit(nearest, times, values)))
    return tuple(found)


def fraction_used(limit: Limit, channel: Channel, value: float) -> float:
    """Share of the span from the far end of the channel's range to the set point; NaN where there is no span."""
    far_end = channel.low if limit.kind is LimitKind.ABOVE else channel.high
    span = limit.set_point - far_end
    return (value - far_end) / span if span != 0.0 else math.nan


def time_to_limit(limit: Limit, times_s: FloatArray, values: FloatArray) -> float:
    """Seconds from the last time to the set point along the least-squares line through the finite values.

    0 when the last finite value is beyond the set point. NaN when the line does not lead to it, when its slope is
    within two standard errors of zero (noise), or with fewer than three values.
    """
    is_good = np.isfinite(values)
    t, y = times_s[is_good], values[is_good]
    sign = 1.0 if limit.kind is LimitKind.ABOVE else -1.0
    if y.size and sign * (float(y[-1]) - limit.set_point) > 0.0:
        return 0.0
    if y.size < 3 or t[-1] <= t[0]:
        return math.nan
    dt = t - t.mean()
    dy = y - y.mean()
    sxx = float(dt @ dt)
    slope = float(dt @ dy) / sxx
    left = dy - slope * dt
    standard_error = math.sqrt(float(left @ left) / (y.size - 2) / sxx)
    if sign * slope <= 2.0 * standard_error:
        return math.nan
    at_end = float(y.mean()) + slope * float(dt[-1]) + slope * (float(times_s[-1]) - float(t[-1]))
    return max((limit.set_point - at_end) / slope, 0.0)


def _rank(fraction: float) -> float:
    return -math.inf if math.isnan(fraction) else fraction


def _margin(limit: Limit, own: Sequence[Limit], channel: Channel, value: float, seconds: float) -> Margin:
    cautions = [x for x in own if x.severity is Severity.CAUTION and x.kind is limit.kind]
    nearest = min(cautions, key=lambda x: fraction_used(limit, channel, x.set_point), default=None)
    caution = math.nan if nearest is None else nearest.set_point
    return Margin(
        channel=channel.name,
        limit=limit.name,
        severity=limit.severity,
        kind=limit.kind,
        unit=channel.unit,
        value=value,
        set_point=limit.set_point,
        caution=caution,
        fraction=fraction_used(limit, channel, value),
        caution_fraction=fraction_used(limit, channel, caution),
        time_to_limit_s=seconds,
    )
