"""Where the power path is drawn: outlines and labels in pixels, computed from the powers. Widgets only paint them.

The ribbon's upper edge is straight; each loss leaves at the lower edge and bends off downwards. Its thickness is the
power on a scale that only changes in steps of 1, 2, 5, so that two glances can be compared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from gui.state.power import Node, PowerPath
from gui.state.theme import Tone
from gui.state.wording import NOT_MEASURED, percent, watts

Command = tuple[str, tuple[float, ...]]
"""``M x y`` (move), ``L x y`` (line), ``C x1 y1 x2 y2 x y`` (cubic), as in a path of SVG."""
_THINNEST_PX = 1.5
_BEND = 0.30
"""Where along a stage its loss leaves."""
_NODE_TEXT_PX = 160.0
"""Room for the power of a node before the efficiency of its stage."""
_RADIUS = 0.16
"""Radius of the bend, share of the height."""


class Fill(StrEnum):
    """What an outline shows."""

    POWER = "power"
    LOSS = "loss"
    UNKNOWN = "unknown"


class Size(StrEnum):
    """Sizes of text on the ribbon."""

    SMALL = "small"
    MEDIUM = "medium"
    LARGE = "large"


@dataclass(frozen=True, slots=True)
class Outline:
    """A closed outline and what it shows."""

    fill: Fill
    path: tuple[Command, ...]


@dataclass(frozen=True, slots=True)
class Label:
    """A text that starts at (x, y); y is its base line."""

    x: float
    y: float
    text: str
    size: Size
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class RibbonPicture:
    """All there is to paint."""

    outlines: tuple[Outline, ...]
    labels: tuple[Label, ...]
    ticks: tuple[tuple[float, float, float], ...]
    """Upright lines at the nodes: x, upper y, lower y."""


def scale_step(power_w: float) -> float:
    """The power of the full thickness: the next of 1, 2, 5 times a power of ten at or above ``power_w``, in W.

    At least 100 W, so that noise at rest does not fill the ribbon.
    """
    if not power_w > 100.0:
        return 100.0
    decade = 10.0 ** math.floor(math.log10(power_w))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= power_w * (1 - 1e-12))


def ribbon_picture(
    path: PowerPath, full_w: float, width: float, height: float, tone: Tone = Tone.PLAIN
) -> RibbonPicture:
    """Lay the power path out in ``width`` by ``height`` pixels; ``full_w`` is the power of the full thickness."""
    top, room = 0.42 * height, 0.34 * height
    left, step = 0.012 * width, 0.985 * width / len(path.nodes)
    places = [left + i * step for i in range(len(path.nodes))]
    labels = _node_labels(path, places, height, tone) + _stage_labels(path, places, step, height, tone)
    labels += _loss_labels(path, places, step, height, full_w, room, tone)
    labels += _drive_label(path, places[-1] + 0.60 * step, height, tone)
    ticks = tuple((x, 0.07 * height, top + room) for x in places)
    thick = [_thickness(n, full_w, room) for n in path.nodes]
    if path.is_regenerating:
        # laid out along the flow, from the propeller's side, on an axis that runs to the left
        along = [-x for x in reversed(places)]
        outlines = _band(along, thick[::-1], step, _Room(top, height), ends_early=0.10 * step)
        return RibbonPicture(tuple(_mirrored(o) for o in outlines), tuple(labels), ticks)
    outlines = _band(places, thick, step, _Room(top, height), ends_early=0.0)
    return RibbonPicture(tuple(outlines), tuple(labels), ticks)


@dataclass(frozen=True, slots=True)
class _Room:
    top: float
    height: float


def _band(places: list[float], thick: list[float], step: float, room: _Room, *, ends_early: float) -> list[Outline]:
    """Outlines along the flow; the head is behind the last node, or before it where it ``ends_early``."""
    outlines: list[Outline] = []
    last = len(places) - 2
    if ends_early and math.isfinite(thick[0]):
        tail = _box(places[0] - 0.45 * step, room.top, places[0], room.top + thick[0])
        outlines.append(Outline(Fill.POWER, tail))
    for i in range(last + 1):
        end = places[i + 1] - (ends_early if i == last else 0.0)
        span = _Span(places[i], places[i] + _BEND * step, end, thick[i], thick[i + 1])
        outlines += _stage_outlines(span, room.top, room.height)
    if math.isnan(thick[-1]):
        return outlines
    head_end = places[-1] + (0.0 if ends_early else 0.45 * step)
    outlines.append(_head(places[-1] - ends_early, head_end, thick[-1], room.top))
    return outlines


def _thickness(node: Node, full_w: float, room: float) -> float:
    power = abs(node.power_w.value)
    return max(power / full_w * room, _THINNEST_PX) if math.isfinite(power) else math.nan


@dataclass(frozen=True, slots=True)
class _Span:
    """One stage along the ribbon: from start to end, its loss leaving at bend; thicknesses in pixels."""

    start: float
    bend: float
    end: float
    thick_in: float
    thick_out: float


def _stage_outlines(span: _Span, top: float, height: float) -> list[Outline]:
    start, bend, end, thick_in, thick_out = span.start, span.bend, span.end, span.thick_in, span.thick_out
    if math.isnan(thick_in) or math.isnan(thick_out):
        depth = next((t for t in (thick_in, thick_out) if math.isfinite(t)), 6.0)
        return [Outline(Fill.UNKNOWN, _box(start, top, end, top + depth))]
    if thick_in <= thick_out:
        # no loss to draw: more comes out than goes in, within the uncertainty or by a wrong sensor; the text says so
        taper = _box(start, top, bend, top + thick_in), _box(bend, top, end, top + thick_out)
        return [Outline(Fill.POWER, p) for p in taper]
    loss = thick_in - thick_out
    foot = 0.90 * height
    turn = min(_RADIUS * height, foot - (top + thick_in) - 4.0)
    outer_x, inner_x = bend + turn + loss, bend + turn
    power = (
        ("M", (start, top)),
        ("L", (end, top)),
        ("L", (end, top + thick_out)),
        ("L", (bend, top + thick_out)),
        ("L", (bend, top + thick_in)),
        ("L", (start, top + thick_in)),
    )
    k = 0.55
    y_out, y_in = top + thick_out, top + thick_in
    limb = (
        ("M", (bend, y_out)),
        ("C", (bend + k * (turn + loss), y_out, outer_x, y_in + turn - k * (turn + loss), outer_x, y_in + turn)),
        ("L", (outer_x, foot)),
        ("L", (0.5 * (outer_x + inner_x), foot + 0.5 * loss + 4.0)),
        ("L", (inner_x, foot)),
        ("L", (inner_x, y_in + turn)),
        ("C", (inner_x, y_in + turn - k * turn, bend + k * turn, y_in, bend, y_in)),
    )
    return [Outline(Fill.POWER, power), Outline(Fill.LOSS, limb)]


def _head(start: float, end: float, thick: float, top: float) -> Outline:
    tip = max(0.5 * thick, 5.0)
    middle = top + 0.5 * thick
    return Outline(
        Fill.POWER,
        (
            ("M", (start, top)),
            ("L", (end - tip, top)),
            ("L", (end - tip, top - 4.0)),
            ("L", (end, middle)),
            ("L", (end - tip, top + thick + 4.0)),
            ("L", (end - tip, top + thick)),
            ("L", (start, top + thick)),
        ),
    )


def _box(left: float, top: float, right: float, bottom: float) -> tuple[Command, ...]:
    return (("M", (left, top)), ("L", (right, top)), ("L", (right, bottom)), ("L", (left, bottom)))


def _mirrored(outline: Outline) -> Outline:
    turned = tuple(
        (name, tuple(-v if i % 2 == 0 else v for i, v in enumerate(numbers))) for name, numbers in outline.path
    )
    return Outline(outline.fill, turned)


def _node_labels(path: PowerPath, places: list[float], height: float, tone: Tone) -> list[Label]:
    soft = Tone.STALE if tone is Tone.STALE else Tone.SOFT
    out = []
    for node, x in zip(path.nodes, places, strict=True):
        out.append(Label(x + 8.0, 0.14 * height, node.name, Size.SMALL, soft))
        out.append(Label(x + 8.0, 0.34 * height, watts(node.power_w.value), Size.LARGE, tone))
    return out


def _stage_labels(path: PowerPath, places: list[float], step: float, height: float, tone: Tone) -> list[Label]:
    soft = Tone.STALE if tone is Tone.STALE else Tone.SOFT
    out = []
    for stage, x in zip(path.stages, places, strict=False):
        at = x + max(0.42 * step, _NODE_TEXT_PX)
        out.append(Label(at, 0.14 * height, stage.name, Size.SMALL, soft))
        text = percent(stage.efficiency.value, stage.efficiency.u)
        out.append(Label(at, 0.32 * height, "" if text == NOT_MEASURED else text, Size.MEDIUM, tone))
    return out


def _loss_labels(
    path: PowerPath, places: list[float], step: float, height: float, full_w: float, room: float, tone: Tone
) -> list[Label]:
    """Beside the limb: to its right, or to its left where the path is mirrored."""
    out = []
    for stage, x in zip(path.stages, places, strict=False):
        loss_px = max(stage.loss_w.value, 0.0) / full_w * room if stage.loss_w.is_measured else 0.0
        right = x + _BEND * step + _RADIUS * height + loss_px + 8.0
        at = x + 0.06 * step if path.is_regenerating else right
        text = f"{stage.loss_name} {watts(stage.loss_w.value)}"
        out.append(Label(at, 0.84 * height, text, Size.MEDIUM, tone))
    return out


def _drive_label(path: PowerPath, x: float, height: float, tone: Tone) -> list[Label]:
    """The whole drive at the end of the line."""
    text = percent(path.drive.value, path.drive.u)
    if text == NOT_MEASURED:
        return []
    soft = Tone.STALE if tone is Tone.STALE else Tone.SOFT
    return [
        Label(x, 0.14 * height, "DC link to shaft", Size.SMALL, soft),
        Label(x, 0.32 * height, text, Size.MEDIUM, tone),
    ]
