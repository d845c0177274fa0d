"""Short, exact texts for events: ``winding_hot: winding_temp 140.6 °C above 140 °C (trip)``."""

from __future__ import annotations

from benchkit.model.limits import Limit, LimitKind
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
        shown = number(change.value, limit.set_point)
        what = f"{shown} {unit} {limit.kind.value} {set_point(limit, unit)}{delay}"
    elif change.evidence is Evidence.NOT_MEASURED:
        what = f"not measured{delay}"
    elif change.evidence is Evidence.LOST:
        what = f"missing{delay}, {change.source} lost"
    elif limit.kind is LimitKind.STALE:
        what = f"without a good sample for more than {seconds(limit.set_point)}{delay and ', standing' + delay}"
    else:
        what = f"missing{delay}, {change.source} silent for more than {seconds(stale_after_s)}"
    return f"{what} ({limit.severity.value})"


def _letting_go(change: LimitChange, unit: str) -> str:
    limit = change.limit
    held = ", latched until reset" if limit.latching else ""
    if limit.kind is LimitKind.STALE:
        return f"has good samples again ({limit.severity.value} cleared{held})"
    sign = -1.0 if limit.kind is LimitKind.ABOVE else 1.0
    back = limit.set_point + sign * limit.deadband
    word = "or less" if sign < 0 else "or more"
    return f"{number(change.value)} {unit} is back at {back:.10g} {unit} {word} ({limit.severity.value} cleared{held})"


def in_common(change: LimitChange) -> str:
    """What the change shares with those of other limits: the silence or the loss of its source; else empty."""
    if change.evidence is Evidence.LOST:
        return f"{change.source} lost"
    if change.evidence is Evidence.SILENT and change.limit.kind is not LimitKind.STALE:
        return f"{change.source} silent"
    return ""


def set_point(limit: Limit, unit: str) -> str:
    """The set point of a limit with its unit: seconds for a stale limit, else that of the channel."""
    return f"{limit.set_point:.10g} {'s' if limit.kind is LimitKind.STALE else unit}"
