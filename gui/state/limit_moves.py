"""A set point to be moved: what the profile allows, and what the new one would have done to the data so far."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import RefusedError
from benchkit.model.limits import LOW_SIDE, Limit, set_point_unit
from benchkit.model.stand import Stand
from benchkit.protect.tightening import tightened, why_fixed
from gui.state.live import LiveModel
from gui.state.wording import number, span

FloatArray = npt.NDArray[np.float64]
PREVIEW_S = 600.0
PREVIEW_PIXELS = 340


@dataclass(frozen=True, slots=True)
class MoveRow:
    """One limit: its words, and why its set point cannot be moved (empty: it can)."""

    name: str
    label: str
    fixed: str


@dataclass(frozen=True, slots=True)
class Preview:
    """What a new set point means. ``fault`` is empty where it is allowed; ``x`` (m,), ``y`` (m,): the data."""

    limit: Limit
    unit: str
    set_point: float
    before: float
    profile: float
    fault: str
    text: str
    acts_now: bool
    x: FloatArray
    y: FloatArray

    @property
    def is_allowed(self) -> bool:
        """True where the recorder will take it, as far as this side can tell."""
        return not self.fault


def move_rows(model: LiveModel) -> tuple[MoveRow, ...]:
    """All limits, those that may be moved first."""
    stand, allowed = model.in_force, model.stand.alarm_rules.tightened_live
    rows = []
    for limit in stand.limit_set.limits:
        why = why_fixed(limit)
        if not why and limit.name not in allowed:
            why = "not named in tightened_live of the profile"
        unit = set_point_unit(limit, stand.channels[limit.channel].unit)
        rows.append(MoveRow(limit.name, f"{limit.name}: {limit.severity.value} {_point(limit, stand)} {unit}", why))
    return tuple(sorted(rows, key=lambda row: bool(row.fixed)))


def preview(model: LiveModel, name: str, set_point: float, now_s: float) -> Preview:
    """What ``set_point`` would mean for the limit ``name``, on the data of the last ten minutes."""
    stand = model.in_force
    limit = next(x for x in stand.limit_set.limits if x.name == name)
    said = next(x for x in model.stand.limit_set.limits if x.name == name)
    channel = stand.channels[limit.channel]
    unit = set_point_unit(limit, channel.unit)
    fault = ""
    try:
        tightened(model.stand, model.stand.alarm_rules.tightened_live, name, set_point)
    except RefusedError as refusal:
        fault = refusal.what + (f": {refusal.expected}" if refusal.expected else "")
    end_s = model.edge_s(now_s)
    start_s = max(end_s - PREVIEW_S * model.pace, 0.0)
    view = model.view([channel.name], start_s, max(end_s, start_s + 1.0), PREVIEW_PIXELS) if limit.is_on_axis else {}
    x, y = view.get(channel.name, (np.empty(0), np.empty(0)))
    text, acts = _told(limit, set_point, y, model, end_s - start_s)
    return Preview(limit, unit, set_point, limit.set_point, said.set_point, fault, text, acts, x, y)


def _told(limit: Limit, set_point: float, y: FloatArray, model: LiveModel, seconds: float) -> tuple[str, bool]:
    if not math.isfinite(set_point):
        return "", False
    if not limit.is_on_axis:
        return "This limit watches no value of its channel itself: no preview.", False
    good = y[np.isfinite(y)]
    if not len(good):
        return "Nothing measured to try it on.", False
    channel = model.stand.channels[limit.channel]
    low_side = limit.kind in LOW_SIDE
    beyond = good < set_point if low_side else good > set_point
    extreme = float(good.min() if low_side else good.max())
    newest = float(good[-1])
    acts = bool(newest < set_point if low_side else newest > set_point)
    word = "lowest" if low_side else "highest"
    over = f"In the last {span(seconds)} the {word} value was {number(extreme, channel.quantity)} {channel.unit}"
    if acts:
        told = "the value is beyond it NOW: it would act at once"
        if limit.severity.value == "trip":
            told += " and STOP the stand"
    elif beyond.any():
        told = "it would have acted in that time"
    else:
        told = "it would not have acted"
    return f"{over}: {told} (on-delay {limit.on_delay_s:g} s not counted).", acts


def _point(limit: Limit, stand: Stand) -> str:
    side = "<" if limit.kind in LOW_SIDE else ">"
    if limit.is_on_axis:
        return f"{side} {number(limit.set_point, stand.channels[limit.channel].quantity)}"
    return f"{limit.kind.value} {limit.set_point:g}"
