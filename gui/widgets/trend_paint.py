"""What a plot of the trends is painted of, part by part: grid, bands, limits, axes, flags, traces, cursors."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import cast

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen, QStaticText
from shiboken6 import Shiboken

from gui.state import theme
from gui.state.strokes import all_segments, places, shown_segments
from gui.state.theme import LineStyle, Tone
from gui.widgets.look import colour, dashed_pen, font, line_pen, on_panel

FloatArray = npt.NDArray[np.float64]
Ticks = Sequence[tuple[float, str]]
_FEW = 60
"""Traces of fewer points are long straight lines: dashes along them cost nothing and look right."""
_TICK_PX = 4
_APART_PX = 13.0
"""Texts that are nearer would lie on one another."""
_TEXTS_KEPT = 400


@dataclass(frozen=True, slots=True)
class Band:
    """A limit's band between two values."""

    low: float
    high: float
    hue: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A level line across the plot, with a text where it has one."""

    at: float
    hue: str
    dashes: tuple[float, ...]
    text: str = ""
    tone: Tone = Tone.PLAIN
    is_left: bool = True
    is_above: bool = False
    """The text stands above the line."""


@dataclass(frozen=True, slots=True)
class Upright:
    """An upright line across the plot, with a text where it has one."""

    at: float
    hue: str
    dashes: tuple[float, ...]
    text: str = ""
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to pixels along one direction: ``px = factor value + offset``."""

    factor: float
    offset: float

    @classmethod
    def between(cls, low: float, high: float, low_px: float, high_px: float) -> Scale:
        """The scale that puts ``low`` at ``low_px`` and ``high``, another value, at ``high_px``."""
        factor = (high_px - low_px) / (high - low)
        return cls(factor, low_px - low * factor)

    def px(self, value: float) -> int:
        """Nearest whole pixel."""
        return round(value * self.factor + self.offset)

    def value(self, px: float) -> float:
        """The value at a pixel."""
        return (px - self.offset) / self.factor


class Texts:
    """Short texts that come again each frame, laid out once."""

    def __init__(self, pixels: int) -> None:
        self.font = font(pixels)
        self._known: dict[str, QStaticText] = {}

    def of(self, text: str) -> QStaticText:
        """A laid out text."""
        known = self._known.get(text)
        if known is None:
            if len(self._known) >= _TEXTS_KEPT:
                self._known.clear()
            known = self._known[text] = QStaticText(text)
            known.setTextFormat(Qt.TextFormat.PlainText)
            known.prepare(font=self.font)
        return known


def paint_bands(painter: QPainter, area: QRectF, bands: Iterable[Band], y: Scale) -> None:
    """Bands of limits across the plot."""
    for band in bands:
        top, bottom = sorted((y.px(band.low), y.px(band.high)))
        painter.fillRect(QRectF(area.left(), top, area.width(), bottom - top), colour(band.hue))


def paint_left_axis(painter: QPainter, area: QRectF, ticks: Ticks, y: Scale, texts: Texts) -> None:
    """The upright axis left of the plot and its grid across it."""
    left, right = int(area.left()), int(area.right())
    line, ink, grid = dashed_pen(theme.TICK), colour(theme.INK_SOFT), colour(theme.GRID)
    painter.setFont(texts.font)
    drawn_at = -math.inf
    for at, text in ticks:
        place = y.px(at)
        if not area.top() - 1.0 <= place <= area.bottom() + 1.0:
            continue
        painter.setPen(grid)
        painter.drawLine(left, place, right, place)
        painter.setPen(line)
        painter.drawLine(left - _TICK_PX, place, left, place)
        # the highest and the lowest text stay inside the plot
        top = min(max(place - 8.0, area.top()), area.bottom() - 16.0)
        if abs(top - drawn_at) < _APART_PX:
            continue
        drawn_at = top
        painter.setPen(ink)
        where = QRectF(0.0, top, left - _TICK_PX - 3.0, 16.0)
        painter.drawText(where, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)
    painter.setPen(line)
    painter.drawLine(left, int(area.top()), left, int(area.bottom()))


def paint_time_grid(painter: QPainter, area: QRectF, ticks: Ticks, x: Scale) -> None:
    """Upright grid lines at the ticks of the time axis."""
    top, bottom = int(area.top()), int(area.bottom())
    painter.setPen(colour(theme.GRID))
    for at, _ in ticks:
        place = x.px(at)
        painter.drawLine(place, top, place, bottom)


def paint_time_axis(painter: QPainter, area: QRectF, ticks: Ticks, x: Scale, texts: Texts | None) -> None:
    """The time axis below the plot, with its texts where ``texts`` lays them out."""
    foot = int(area.bottom())
    painter.setPen(dashed_pen(theme.TICK))
    painter.drawLine(int(area.left()), foot, int(area.right()), foot)
    seen = [(x.px(at), text) for at, text in ticks]
    seen = [(place, text) for place, text in seen if area.left() - 1.0 <= place <= area.right() + 1.0]
    for place, _ in seen:
        painter.drawLine(place, foot, place, foot + _TICK_PX)
    if texts is None:
        return
    painter.setFont(texts.font)
    painter.setPen(colour(theme.INK_SOFT))
    for place, text in seen:
        laid = texts.of(text)
        half = 0.5 * laid.size().width()
        # the last text stays inside the plot
        middle = min(max(place, area.left() + half - 20.0), area.right() - half)
        painter.drawStaticText(QPointF(round(middle - half), foot + _TICK_PX), laid)


def paint_rules(painter: QPainter, area: QRectF, rules: Sequence[Rule], y: Scale, texts: Texts) -> None:
    """Level lines of limits, then their texts."""
    for rule in rules:
        painter.setPen(dashed_pen(rule.hue, rule.dashes))
        painter.drawLine(int(area.left()), y.px(rule.at), int(area.right()), y.px(rule.at))
    painter.setFont(texts.font)
    for rule in rules:
        if not rule.text:
            continue
        width = painter.fontMetrics().horizontalAdvance(rule.text) + 6
        left = area.left() + 2 if rule.is_left else area.right() - width - 2
        place = y.px(rule.at)
        box = QRectF(left, place - 17.0 if rule.is_above else place + 2.0, width, 15.0)
        painter.fillRect(box, colour(theme.VEIL))
        painter.setPen(on_panel(rule.tone))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, rule.text)


def paint_upright(painter: QPainter, area: QRectF, line: Upright, x: Scale, texts: Texts) -> None:
    """A flag or a cursor."""
    place = x.px(line.at)
    painter.setPen(dashed_pen(line.hue, line.dashes, line.width))
    painter.drawLine(place, int(area.top()), place, int(area.bottom()))
    if line.text and area.left() <= place <= area.right():
        painter.setFont(texts.font)
        width = painter.fontMetrics().horizontalAdvance(line.text) + 6
        box = QRectF(min(place + 1.0, area.right() - width), area.bottom() - 16.0, width, 13.0)
        painter.fillRect(box, colour(theme.PANEL))
        painter.setPen(colour(theme.INK_SOFT))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, line.text)


def paint_traces(
    painter: QPainter,
    points: Mapping[str, tuple[FloatArray, FloatArray]],
    styles: Mapping[str, LineStyle],
    x: Scale,
    y: Scale,
    *,
    is_stale: bool,
) -> None:
    """Every trace of ``points``: times (m,) and values (m,) of each channel; grey where they are stale."""
    width = painter.device().devicePixelRatio()  # columns of pixels touch, also where a pixel is several
    for _, group in groupby(points.items(), key=lambda item: id(item[1][0])):  # traces of one source share their times
        traces = list(group)
        at = places(traces[0][1][0], x.factor, x.offset)
        lines, drawn = all_segments(at, np.stack([values for _, (_, values) in traces]), y.factor, y.offset)
        is_few = len(at.px) <= _FEW and not at.is_paired
        for i, (name, _) in enumerate(traces):
            style = styles[name]
            if is_few:
                pen = line_pen(style, stale=is_stale)
            else:
                pen = QPen(colour(theme.TICK if is_stale else style.colour), width)
                pen.setCosmetic(True)
                pen.setCapStyle(Qt.PenCapStyle.FlatCap)  # with another one a level trace is two pixels thick
            painter.setPen(pen)
            draw_lines(painter, shown_segments(at, lines[i], drawn[i], () if is_few else style.dashes))


def draw_lines(painter: QPainter, lines: FloatArray) -> None:
    """Draw lines (n, 4) as x1, y1, x2, y2 in pixels.

    A ``QLineF`` is four doubles, and ``drawLines`` takes the first of many and their number: the painter reads the
    array itself. Objects made for each line take longer than the drawing.
    """
    if len(lines):
        lines = np.ascontiguousarray(lines, dtype=np.float64)
        first = cast("QLineF", Shiboken.wrapInstance(lines.__array_interface__["data"][0], QLineF))
        painter.drawLines(first, len(lines))
