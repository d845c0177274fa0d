"""Which channels share a plot, how their axis runs, and which limits are drawn in it."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.stand import Channel, Stand
from benchkit.units import Quantity
from gui.state import theme
from gui.state.decimals import said
from gui.state.theme import LineStyle
from gui.state.wording import number, short_label

PLOTS_PER_PAGE = 6
WINDOWS_S: tuple[float, ...] = (10.0, 30.0, 60.0, 120.0, 300.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0)
"""Lengths of the live view to choose from."""
_ORDER: tuple[Quantity, ...] = (
    Quantity.SPEED,
    Quantity.TORQUE,
    Quantity.TEMPERATURE,
    Quantity.TEMPERATURE_DIFFERENCE,
    Quantity.CURRENT,
    Quantity.FORCE,
    Quantity.VOLTAGE,
    Quantity.POWER,
    Quantity.FLOW,
    Quantity.VIBRATION,
    Quantity.PRESSURE,
)
_REST_AT_ZERO = frozenset(
    {
        Quantity.SPEED,
        Quantity.TORQUE,
        Quantity.FORCE,
        Quantity.CURRENT,
        Quantity.POWER,
        Quantity.FLOW,
        Quantity.VIBRATION,
    }
)
_TITLES: Mapping[Quantity, str] = {
    Quantity.RATIO: "Ratio",
    Quantity.FORCE: "Force",
    Quantity.TEMPERATURE_DIFFERENCE: "Temperature difference",
}


@dataclass(frozen=True, slots=True)
class Trace:
    """One line of a plot."""

    channel: Channel
    style: LineStyle


@dataclass(frozen=True, slots=True)
class TrendGroup:
    """One plot: traces of one quantity and the limits of their channels."""

    title: str
    unit: str
    traces: tuple[Trace, ...]
    limits: tuple[Limit, ...]


def trend_groups(stand: Stand, hidden: Collection[str] = ()) -> tuple[TrendGroup, ...]:
    """Channels in plots by quantity; limited channels and their plots first, at most five lines in a plot.

    All channels but those ``hidden``.
    """
    watched = [drawn for x in stand.limit_set.limits for drawn in as_drawn(x)]
    limited = {x.channel for x in watched}
    groups = []
    for quantity in sorted(Quantity, key=lambda q: _ORDER.index(q) if q in _ORDER else len(_ORDER)):
        members = [c for c in stand.channels.values() if c.quantity is quantity and c.name not in hidden]
        members.sort(key=lambda c: c.name not in limited)
        for first in range(0, len(members), len(theme.LINES)):
            chunk = members[first : first + len(theme.LINES)]
            names = {c.name for c in chunk}
            title = _TITLES.get(quantity, quantity.value.capitalize()) + (", continued" if first else "")
            traces = tuple(Trace(c, s) for c, s in zip(chunk, theme.LINES, strict=False))
            own = tuple(x for x in watched if x.channel in names)
            groups.append(TrendGroup(title, chunk[0].unit, traces, own))
    return tuple(sorted(groups, key=lambda g: not g.limits))


def as_drawn(limit: Limit) -> tuple[Limit, ...]:
    """What is drawn of a limit: nothing where it is not on the axis of its channel, two sides for a band to keep to.

    A set point that moves is drawn where ``Limit.set_point`` says.
    """
    if limit.kind is LimitKind.OUTSIDE:
        lower = replace(limit, name=f"{limit.name} low", kind=LimitKind.BELOW, set_point=limit.low)
        return lower, replace(limit, kind=LimitKind.ABOVE)
    return (limit,) if limit.is_on_axis else ()


def pages(groups: Sequence[TrendGroup]) -> tuple[tuple[TrendGroup, ...], ...]:
    """The plots, six to a page."""
    return tuple(tuple(groups[i : i + PLOTS_PER_PAGE]) for i in range(0, max(len(groups), 1), PLOTS_PER_PAGE))


def axis_range(low: float, high: float, group: TrendGroup) -> tuple[float, float]:
    """Range of the upright axis: all of the trace (``low`` to ``high``, NaN when empty), every limit, and rest.

    Rounding to a nice step keeps the axis still while the trace moves a little.
    """
    rest = [0.0] if group.traces[0].channel.quantity in _REST_AT_ZERO else []
    wanted = (low, high, *rest, *(edge for limit in group.limits for edge in limit.edges))
    points = [x for x in wanted if math.isfinite(x)]
    if not points:
        return 0.0, 1.0
    bottom, top = min(points), max(points)
    width = max(top - bottom, 1e-3 * max(abs(top), abs(bottom)), 1e-6)
    step = _nice(width / 5.0)
    foot = math.floor((bottom - 0.04 * width) / step) * step
    if bottom >= 0.0 > foot:
        foot = 0.0
    head = math.ceil((top + 0.04 * width) / step) * step
    return foot, head


def plain_range(low: float, high: float) -> tuple[float, float]:
    """Range of an upright axis without limits, in nice steps; NaN: nothing was measured."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    width = max(high - low, 1e-3 * max(abs(high), abs(low)), 1e-6)
    step = _nice(width / 12.0)
    return math.floor((low - 0.04 * width) / step) * step, math.ceil((high + 0.04 * width) / step) * step


def axis_ticks(foot: float, head: float) -> tuple[tuple[float, str], ...]:
    """Places and texts of the upright axis, about five."""
    step = _nice((head - foot) / 5.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(foot / step - 1e-9), math.floor(head / step + 1e-9)
    return tuple((k * step, said(f"{k * step + 0.0:.{decimals}f}")) for k in range(first, last + 1))


def time_ticks(start_s: float, end_s: float, pixels: int) -> tuple[tuple[float, str], ...]:
    """Places and texts of the time axis, about one in 65 pixels: ``40 s``, then ``3:20``, then ``1:03:20``."""
    wanted = (end_s - start_s) / max(pixels / 65.0, 1.0)
    steps = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0)
    step = next((s for s in steps if s >= wanted), 3600.0 * math.ceil(wanted / 3600.0))
    first, last = math.ceil(start_s / step - 1e-9), math.floor(end_s / step + 1e-9)
    return tuple((k * step, _time_text(k * step, step)) for k in range(first, last + 1))


def _time_text(time_s: float, step: float) -> str:
    sign, size = ("−" if time_s < 0.0 else ""), abs(time_s)
    if step < 1.0:
        return said(f"{sign}{size:.1f}")
    whole = round(size)
    hours, minutes, seconds = whole // 3600, whole % 3600 // 60, whole % 60
    return f"{sign}{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{sign}{minutes}:{seconds:02d}"


def limit_label(limit: Limit, channel: Channel, *, many: bool) -> str:
    """Text at a limit's line: ``trip > 140.0`` and, at a trip in a plot of several channels, whose it is."""
    whose = f"{short_label(channel)}: " if many and is_trip(limit) else ""
    points = [number(edge, channel.quantity) for edge in limit.edges]
    sides = {LimitKind.ABOVE: "> ", LimitKind.BELOW: "< "}
    moves = " (moves)" if limit.course is not None or limit.low_course is not None else ""
    return f"{whose}{limit.severity.value} {sides.get(limit.kind, '')}{' … '.join(points)}{moves}"


def banded(limits: Sequence[Limit], first_to_trip: Sequence[str]) -> tuple[Limit, ...]:
    """The limits drawn as bands: those of the plot's channel that is first to trip. The others are lines.

    Bands of several channels would lie on top of one another and say nothing.
    """
    names = {limit.channel for limit in limits}
    lead = next((name for name in first_to_trip if name in names), None)
    return tuple(limit for limit in limits if limit.channel == lead)


def is_active(limit: Limit, value: float) -> bool:
    """True where the present value is beyond the limit."""
    if limit.kind is LimitKind.INSIDE:
        return limit.low < value < limit.set_point
    return value > limit.set_point if limit.kind is LimitKind.ABOVE else value < limit.set_point


def live_view(edge_s: float, window_s: float, pixels: int) -> tuple[float, float, float]:
    """The live view: from the start of the run until it is full, then the newest ``window_s``.

    Returns start, end and the edge of the data, in whole pixel columns: between two columns nothing that could be
    seen changes, so nothing is drawn, and a trace does not shimmer while it moves.
    """
    column = window_s / pixels
    edge_s = math.ceil(edge_s / column) * column
    end_s = max(edge_s, window_s)
    return end_s - window_s, end_s, edge_s


def window_step(current_s: float, steps: int) -> float:
    """The next longer (``steps`` 1) or shorter (-1) length of the live view."""
    if steps > 0:
        return next((x for x in WINDOWS_S if x > current_s * 1.001), max(current_s, WINDOWS_S[-1]))
    return next((x for x in reversed(WINDOWS_S) if x < current_s * 0.999), min(current_s, WINDOWS_S[0]))


def is_trip(limit: Limit) -> bool:
    """True for a trip, False for a caution."""
    return limit.severity is Severity.TRIP


def _nice(step: float) -> float:
    decade = 10.0 ** math.floor(math.log10(step))
    return next(k * decade for k in (1.0, 2.0, 5.0, 10.0) if k * decade >= step * (1.0 - 1e-12))


def band_edges(limit: Limit, foot: float, head: float, limits: Sequence[Limit]) -> tuple[float, float]:
    """Lower and upper edge of a limit's band. A caution band ends where the trip band of its channel begins."""
    beyond = [
        x.set_point
        for x in limits
        if x.channel == limit.channel and x.kind is limit.kind and is_trip(x) and not is_trip(limit)
    ]
    if limit.kind is LimitKind.INSIDE:
        return limit.low, limit.set_point
    if limit.kind is LimitKind.ABOVE:
        return limit.set_point, min([head, *beyond])
    return max([foot, *beyond]), limit.set_point


def data_range(traces: Sequence[npt.NDArray[np.float64]]) -> tuple[float, float]:
    """Least and greatest measured value of several traces; NaN where nothing was measured."""
    finite = [y[np.isfinite(y)] for y in traces]
    lows = [float(y.min()) for y in finite if len(y)]
    highs = [float(y.max()) for y in finite if len(y)]
    return min(lows, default=math.nan), max(highs, default=math.nan)
