"""Margins: how much of the way to its limit a channel has used, and when it would arrive."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.limits import (
    ON_AXIS,
    InverseTime,
    Limit,
    LimitKind,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    edge_towards,
    watched_unit,
)
from benchkit.model.stand import Channel
from benchkit.protect.predict import (
    along_exponential,
    along_line,
    energy_time,
    inverse_time_left,
    replica_time,
    square_time,
)
from benchkit.units import Quantity

FloatArray = npt.NDArray[np.float64]
NOT_IN_A_BAR = frozenset({LimitKind.STALE, LimitKind.FROZEN})
"""Kinds that are not approached: a channel is fresh or stale, moves or does not."""


@dataclass(frozen=True, slots=True)
class Margin:
    """One bar: a limited channel and the limit it is nearest to.

    ``fraction`` is 0 at rest and 1 at ``set_point``: the right end of the bar. Rest is the far end of the channel's
    range where the limit is on the channel itself, the middle of the band for ``outside``, else 0. It is not clamped
    (above 1: beyond the limit) and NaN when not measured. ``value`` and ``unit`` are those of what is watched.
    ``caution`` is the caution set point on the same side, NaN without one. ``time_to_limit_s`` counts from the last
    sample; 0 beyond the limit, NaN when the channel does not approach it.
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
    watched: Mapping[str, float] | None = None,
) -> tuple[Margin, ...]:
    """One :class:`Margin` per channel with a limit that it can approach, in the order of ``channels``.

    ``recent`` holds per channel the last times in s (n,) and values (n,) in bench units, oldest first; a channel that
    is not in it is not measured. ``watched`` holds by limit name what a limit watches that is more than the value
    itself (:attr:`benchkit.protect.limits.LimitEngine.watched`); without it such a limit is not measured. Of several
    trip limits on a channel the nearest counts; a caution stands for the channel only when it has no trip limit. A set
    point that moves counts as ``Limit.set_point`` says.
    """
    found = []
    for channel in channels.values():
        times, values = recent.get(channel.name, (np.empty(0), np.empty(0)))
        own = [x for x in limits if x.channel == channel.name and x.kind not in NOT_IN_A_BAR]
        leading = [x for x in own if x.severity is Severity.TRIP] or own
        if leading:
            now = float(values[-1]) if values.size else math.nan
            shown = {x.name: now if x.kind in ON_AXIS else _of(x.name, watched, now) for x in leading}
            nearest = max(leading, key=lambda x: _rank(fraction_used(x, channel, shown[x.name])))
            value = shown[nearest.name]
            found.append(_margin(nearest, own, channel, value, _time(nearest, channel, times, values, value)))
    return tuple(found)


def _of(name: str, watched: Mapping[str, float] | None, now: float) -> float:
    """NaN while the channel itself is not measured: an old integral says nothing of now."""
    return math.nan if watched is None or math.isnan(now) else watched.get(name, math.nan)


def fraction_used(limit: Limit, channel: Channel, value: float) -> float:
    """Share of the span from rest to the set point that ``value`` is heading for; NaN where there is no span."""
    return _share(limit, channel, *edge_towards(limit, value), value)


def _share(limit: Limit, channel: Channel, edge: float, sign: float, value: float) -> float:
    if limit.kind is LimitKind.OUTSIDE:
        rest = 0.5 * (limit.low + limit.set_point)
    elif limit.kind in ON_AXIS:
        rest = channel.low if sign > 0.0 else channel.high
    else:
        rest = 0.0
    span = edge - rest
    return (value - rest) / span if span != 0.0 else math.nan


def time_to_limit(limit: Limit, times_s: FloatArray, values: FloatArray, *, thermal: bool = False) -> float:
    """Seconds from the last time until the channel meets the set point of a limit on the channel itself.

    Along the straight line through ``values``; with ``thermal`` (a temperature) along an exponential approach where
    that fits better (:func:`~benchkit.protect.predict.along_exponential`). 0 beyond the set point, NaN where it is not
    met.
    """
    good = values[np.isfinite(values)]
    edge, sign = edge_towards(limit, float(good[-1]) if good.size else math.nan)
    if good.size and sign * (float(good[-1]) - edge) > 0.0:
        return 0.0
    curved = along_exponential(times_s, values, edge, sign) if thermal else None
    return along_line(times_s, values, edge, sign) if curved is None else curved


def _time(  # noqa: PLR0911  one return a model
    limit: Limit, channel: Channel, times: FloatArray, values: FloatArray, watched: float
) -> float:
    """By the model of the kind; NaN where it has none."""
    if limit.kind in ON_AXIS:
        return time_to_limit(limit, times, values, thermal=channel.quantity is Quantity.TEMPERATURE)
    now = float(values[-1]) if values.size else math.nan
    if math.isnan(watched) or math.isnan(now):
        return math.nan
    if isinstance(limit.detail, ThermalReplica):
        return replica_time(limit.set_point, limit.detail, watched, now)
    if isinstance(limit.detail, InverseTime):
        return inverse_time_left(limit.set_point, limit.detail, watched, now)
    if isinstance(limit.detail, SquareIntegral):
        return square_time(limit.set_point, limit.detail, watched, now)
    if isinstance(limit.detail, SumWindow):
        return energy_time(limit.set_point, limit.detail, watched, now)
    return 0.0 if watched > limit.set_point else math.nan


def _rank(fraction: float) -> float:
    return -math.inf if math.isnan(fraction) else fraction


def _margin(limit: Limit, own: Sequence[Limit], channel: Channel, value: float, seconds: float) -> Margin:
    cautions = [x for x in own if x.severity is Severity.CAUTION and x.kind is limit.kind and x.detail == limit.detail]
    edge, sign = edge_towards(limit, value)

    def fraction(x: float) -> float:
        return _share(limit, channel, edge, sign, x)

    edges = [edge_towards(x, value)[0] for x in cautions]
    caution = min(edges, key=fraction, default=math.nan)
    return Margin(
        channel=channel.name,
        limit=limit.name,
        severity=limit.severity,
        kind=limit.kind,
        unit=watched_unit(limit, channel.unit) or "1",
        value=value,
        set_point=edge,
        caution=caution,
        fraction=fraction_used(limit, channel, value),
        caution_fraction=fraction(caution),
        time_to_limit_s=seconds,
    )
