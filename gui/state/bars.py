"""Margins as bars: texts and lengths, ready to paint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.model.limits import LimitKind, Severity
from gui.state.margins import Margin
from gui.state.theme import Tone
from gui.state.wording import number, span

RESORT_S = 1.0
"""Bars change places at most this often: a list that jumps cannot be read."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar. ``fill`` and ``ticks`` are shares of its length, 0 to 1; beyond the limit the bar is full, in words."""

    channel: str
    label: str
    value: str
    limit: str
    fill: float
    ticks: tuple[float, ...]
    tone: Tone
    is_urgent: bool


def bars(margins: Sequence[Margin], stale: frozenset[str]) -> tuple[Bar, ...]:
    """Bars of margins, in their order."""
    return tuple(_bar(m, is_stale=m.channel.name in stale) for m in margins)


def keep_order(margins: Sequence[Margin], order: Sequence[str]) -> tuple[Margin, ...]:
    """Margins in the order of channel names that is shown now; channels that are new come last."""
    place = {name: i for i, name in enumerate(order)}
    return tuple(sorted(margins, key=lambda m: place.get(m.channel.name, len(place))))


def _bar(margin: Margin, *, is_stale: bool) -> Bar:
    word = margin.limit.severity.value
    is_band = margin.limit.kind is LimitKind.INSIDE
    side = " band from" if is_band else " below" if margin.is_below else ""
    set_point = number(margin.set_point, margin.channel.quantity)
    point, short = f"{word}{side} {set_point}", f"{word}{side if is_band else ''} {set_point}"
    tone, urgent = Tone.PLAIN, True
    if is_stale:
        tone, text = Tone.STALE, f"stale, {short}"
    elif math.isnan(margin.share):
        tone, text = Tone.CAUTION, f"NOT MEASURED, {short}"
    elif margin.is_beyond:
        tone = Tone.DANGER if margin.limit.severity is Severity.TRIP else Tone.CAUTION
        text = f"{'IN' if is_band else 'BEYOND'} {short}"
    elif margin.is_past_caution:
        by = f" by {margin.by}" if margin.by else ""
        soon = f"{word} {_soon(margin.time_to_s)}{by}" if math.isfinite(margin.time_to_s) else point
        tone, text = Tone.CAUTION, f"CAUTION, {soon}"
    else:
        text, urgent = _when(margin, point), math.isfinite(margin.time_to_s)
    fill = 0.0 if math.isnan(margin.share) else min(max(margin.share, 0.0), 1.0)
    return Bar(
        margin.channel.name,
        margin.channel.label,
        f"{number(margin.value, margin.channel.quantity)} {margin.channel.unit}",
        text,
        fill,
        tuple(t for t in margin.ticks if 0.0 <= t <= 1.0),
        tone,
        urgent,
    )


def _when(margin: Margin, point: str) -> str:
    if not math.isfinite(margin.time_to_s):
        return point
    return f"{margin.by or point} {_soon(margin.time_to_s)}"


def _soon(time_s: float) -> str:
    return f"in {span(time_s)}" if time_s >= 1.0 else "within 1 s"
