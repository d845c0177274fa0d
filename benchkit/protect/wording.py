"""Short, exact texts for events: ``winding_hot: winding_temp 140.6 °C above 140 °C (trip)``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchkit.model.events import JsonValue
from benchkit.model.limits import (
    LOW_SIDE,
    Against,
    Direction,
    Limit,
    LimitKind,
    RateWindow,
    SumWindow,
    WhileMoving,
    set_point_unit,
    watched_unit,
)
from benchkit.protect.limits import Evidence, LimitChange


def number(value: float, beside: float | None = None) -> str:
    """``value`` with four significant digits, or as many more as it takes to tell it from ``beside``."""
    text = _digits(value, 4)
    if beside is None or value == beside:
        return text
    for digits in range(5, 18):
        if float(text) != beside:
            break
        text = _digits(value, digits)
    return text


def _digits(value: float, digits: int) -> str:
    """No exponent for the sizes of a bench: 101325, not 1.013e+05."""
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in text and 1.0 <= abs(value) < 1e15 else text


def seconds(value: float) -> str:
    """A time as set, without trailing zeros."""
    return f"{value:.10g} s"


def describe(change: LimitChange, unit: str, stale_after_s: float) -> str:
    """What happened to a limit, for the event log. ``unit`` is that of its channel."""
    limit = change.limit
    return f"{limit.name}: {limit.channel} " + (
        _acting(change, unit, stale_after_s) if change.acts else _letting_go(change, unit)
    )


def _acting(change: LimitChange, unit: str, stale_after_s: float) -> str:
    limit = change.limit
    delay = f" for {seconds(limit.on_delay_s)}" if limit.on_delay_s > 0.0 else ""
    if change.evidence is Evidence.VALUE:
        what = f"{_beyond(change, unit)}{delay}"
    elif change.evidence is Evidence.NOT_MEASURED:
        others = listed((*limit.partners, *(line.channel for line in limit.lines)))
        what = f"not measured{others and f', or {others} is not or is outside its line'}{delay}"
    elif change.evidence is Evidence.LOST:
        what = f"missing{delay}, {change.source} lost"
    elif limit.kind is LimitKind.STALE:
        what = f"without a good sample for more than {seconds(limit.set_point)}{delay and ', standing' + delay}"
    else:
        what = f"missing{delay}, {change.source} silent for more than {seconds(stale_after_s)}"
    return f"{what} ({limit.severity.value})"


_CHANGE = {Direction.RISE: "rising at", Direction.FALL: "falling at", Direction.EITHER: "changing at"}


def _beyond(change: LimitChange, unit: str) -> str:
    """The watched value against the set point in force: ``1.04 of its thermal capacity above 1``."""
    limit, point = change.limit, change.set_point
    unit = watched_unit(limit, unit)
    if limit.kind in (LimitKind.OUTSIDE, LimitKind.INSIDE):
        nearest = min((x for x in (change.low, point) if not math.isnan(x)), key=lambda x: abs(change.value - x))
        return f"{number(change.value, nearest)} {unit} {limit.kind.value} {_band(change.low, point, unit)}"
    shown, set_to = f"{number(change.value, point)} {unit}".strip(), f"{point:.10g} {unit}".strip()
    side = "below" if limit.kind in LOW_SIDE else "above"
    return f"{watched_phrase(limit, shown)} {side} {set_to}"


def watched_phrase(limit: Limit, shown: str) -> str:
    """What the watched value ``shown`` (with its unit) is of the channel."""
    detail = limit.detail
    if isinstance(detail, RateWindow):
        return f"{_CHANGE[detail.direction]} {shown}"
    if isinstance(detail, WhileMoving):
        return f"moved by {shown} in {seconds(detail.window_s)} while {detail.partner} moved,"
    if isinstance(detail, Against):
        others = listed(detail.channels)
        return f"{shown} away from {others}," if limit.kind is LimitKind.DEVIATION else f"and {others} {shown} apart,"
    if isinstance(detail, SumWindow):
        return f"{shown} in {seconds(detail.window_s)}"
    words = {
        LimitKind.INVERSE_TIME: f"{shown} of its inverse-time integral",
        LimitKind.THERMAL_REPLICA: f"{shown} of its thermal capacity",
        LimitKind.I2T: f"{shown} of I²t",
    }
    return words.get(limit.kind, shown)


def _band(low: float, high: float, unit: str) -> str:
    """``300 V to 450 V``; an edge that is off is left out."""
    if math.isnan(low) or math.isnan(high):
        return f"{high:.10g} {unit} and less" if math.isnan(low) else f"{low:.10g} {unit} and more"
    return f"{low:.10g} {unit} to {high:.10g} {unit}"


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _letting_go(change: LimitChange, unit: str) -> str:
    limit = change.limit
    held = ", latched until reset" if limit.latching else ""
    cleared = f"({limit.severity.value} cleared{held})"
    if limit.kind is LimitKind.STALE:
        return f"has good samples again {cleared}"
    if change.evidence is Evidence.OFF:
        return f"is not limited in this phase {cleared}"
    unit = watched_unit(limit, unit)
    shown = watched_phrase(limit, f"{number(change.value)} {unit}".strip())
    if limit.kind in (LimitKind.OUTSIDE, LimitKind.INSIDE):
        side = "within" if limit.kind is LimitKind.OUTSIDE else "clear of"
        by = f" by {limit.deadband:.10g}" if limit.deadband > 0.0 else ""
        return f"{shown} is back {side} {_band(change.low, change.set_point, unit)}{by} {cleared}"
    sign = 1.0 if limit.kind in LOW_SIDE else -1.0
    back = f"{change.set_point + sign * limit.deadband:.10g} {unit}".strip()
    return f"{shown} is back at {back} {'or less' if sign < 0 else 'or more'} {cleared}"


def in_common(change: LimitChange) -> str:
    """What the change shares with those of other limits: the silence or the loss of its source; else empty."""
    if change.evidence is Evidence.LOST:
        return f"{change.source} lost"
    if change.evidence is Evidence.SILENT and change.limit.kind is not LimitKind.STALE:
        return f"{change.source} silent"
    return ""


def set_point(limit: Limit, unit: str) -> str:
    """The set point of a limit with its unit, a band with both edges."""
    unit = set_point_unit(limit, unit)
    return " to ".join(f"{x:.10g} {unit}" for x in limit.edges or (limit.set_point,))


def told(change: LimitChange, unit: str) -> dict[str, JsonValue]:
    """Numbers of a change for the ``data`` of its event. ``unit`` is that of the channel; a value is in ``unit``."""
    is_stale = change.limit.kind is LimitKind.STALE
    numbers: dict[str, JsonValue] = {
        "value": None if is_stale or math.isnan(change.value) else change.value,
        "set_point": None if math.isnan(change.set_point) else change.set_point,
        "unit": watched_unit(change.limit, unit) or "1",
    }
    if not math.isnan(change.low):
        numbers["low"] = change.low
    return numbers
