"""All that moves in a plot, painted by one item: grid, bands, limits, flags, traces, cursors.

An item of the library for each of these is told of every step of the time axis, whether it is seen or not: that alone
cost more than the traces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from pyqtgraph.Qt.internals import PrimitiveArray
from PySide6.QtCore import QLineF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen

from gui.state import theme
from gui.state.strokes import Places, places, segments
from gui.state.theme import LineStyle, Tone
from gui.widgets.look import colour, dashed_pen, font, line_pen, on_panel

FloatArray = npt.NDArray[np.float64]
_FEW = 60
"""Traces of fewer points are long straight lines: dashes along them cost nothing and look right."""


@dataclass(frozen=True, slots=True)
class Band:
    """A limit's band between two values, its text at ``at`` and the side of the text."""

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


class TrendCanvas(pg.GraphicsObject):  # type: ignore[misc]  # the library has no types
    """Holds what is shown; a setter only marks it for painting."""

    def __init__(self, box: Any, styles: Mapping[str, LineStyle]) -> None:
        super().__init__()
        self._box = box
        self._styles = dict(styles)
        self.is_stale = False
        self.points: dict[str, tuple[FloatArray, FloatArray]] = {}
        self.bands: Sequence[Band] = ()
        self.rules: Sequence[Rule] = ()
        self.flags: Sequence[Upright] = ()
        self.cursors: Sequence[Upright] = ()
        self.ticks: tuple[Sequence[float], Sequence[float]] = ((), ())
        self._lines = {name: PrimitiveArray(QLineF, 4) for name in styles}
        self._small, self._text = font(10), font(11)

    def boundingRect(self) -> QRectF:  # noqa: N802 - Qt's name
        return QRectF(self._box.viewRect())

    def viewTransformChanged(self) -> None:  # noqa: N802 - the library's name
        self.prepareGeometryChange()
        super().viewTransformChanged()

    def paint(self, painter: QPainter, option: Any, widget: Any) -> None:  # noqa: ARG002 - Qt's signature
        place = painter.transform()
        scale_x, scale_y = (place.m11(), place.dx()), (place.m22(), place.dy())
        view: QRectF = self._box.viewRect()
        left, right = (view.left() * scale_x[0] + scale_x[1], view.right() * scale_x[0] + scale_x[1])
        low, high = sorted((view.top() * scale_y[0] + scale_y[1], view.bottom() * scale_y[0] + scale_y[1]))
        area = QRectF(left, low, right - left, high - low)
        painter.save()
        painter.resetTransform()
        painter.setClipRect(area)

        def x_of(value: float) -> int:
            return round(value * scale_x[0] + scale_x[1])

        def y_of(value: float) -> int:
            return round(value * scale_y[0] + scale_y[1])

        for band in self.bands:
            top, bottom = sorted((y_of(band.low), y_of(band.high)))
            painter.fillRect(QRectF(left, top, area.width(), bottom - top), colour(band.hue))
        painter.setPen(colour(theme.GRID))
        for x in map(x_of, self.ticks[0]):
            painter.drawLine(x, int(low), x, int(high))
        for y in map(y_of, self.ticks[1]):
            painter.drawLine(int(left), y, int(right), y)
        for rule in self.rules:
            painter.setPen(dashed_pen(rule.hue, rule.dashes))
            painter.drawLine(int(left), y_of(rule.at), int(right), y_of(rule.at))
        self._paint_texts(painter, area, y_of)
        for flag in self.flags:
            self._paint_upright(painter, flag, x_of(flag.at), area)
        self._paint_traces(painter, scale_x, scale_y)
        for cursor in self.cursors:
            self._paint_upright(painter, cursor, x_of(cursor.at), area)
        painter.restore()

    def _paint_texts(self, painter: QPainter, area: QRectF, y_of: Any) -> None:
        painter.setFont(self._text)
        for rule in self.rules:
            if not rule.text:
                continue
            width = painter.fontMetrics().horizontalAdvance(rule.text) + 6
            x = area.left() + 2 if rule.is_left else area.right() - width - 2
            y = y_of(rule.at)
            box = QRectF(x, y - 17.0 if rule.is_above else y + 2.0, width, 15.0)
            painter.fillRect(box, colour(theme.VEIL))
            painter.setPen(on_panel(rule.tone))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, rule.text)

    def _paint_upright(self, painter: QPainter, line: Upright, x: int, area: QRectF) -> None:
        painter.setPen(dashed_pen(line.hue, line.dashes, line.width))
        painter.drawLine(x, int(area.top()), x, int(area.bottom()))
        if line.text and area.left() <= x <= area.right():
            painter.setFont(self._small)
            width = painter.fontMetrics().horizontalAdvance(line.text) + 6
            box = QRectF(min(x + 1.0, area.right() - width), area.bottom() - 16.0, width, 13.0)
            painter.fillRect(box, colour(theme.PANEL))
            painter.setPen(colour(theme.INK_SOFT))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, line.text)

    def _paint_traces(self, painter: QPainter, scale_x: tuple[float, float], scale_y: tuple[float, float]) -> None:
        known: tuple[FloatArray, Places] | None = None
        width = painter.device().devicePixelRatioF()  # columns of pixels touch, also where a pixel is several
        for name, (x, y) in self.points.items():
            if known is None or known[0] is not x:  # traces of one source share their times
                known = (x, places(x, *scale_x))
            style, at = self._styles[name], known[1]
            if len(at.px) <= _FEW and not at.is_paired:
                pen = line_pen(style, stale=self.is_stale)
                strokes = segments(at, y, *scale_y)
            else:
                pen = QPen(colour(theme.TICK if self.is_stale else style.colour), width)
                pen.setCosmetic(True)
                pen.setCapStyle(Qt.PenCapStyle.FlatCap)  # with another one a level trace is two pixels thick
                strokes = segments(at, y, *scale_y, style.dashes)
            if len(strokes):
                painter.setPen(pen)
                lines = self._lines[name]
                lines.resize(len(strokes))
                lines.ndarray()[:] = strokes
                painter.drawLines(*lines.drawargs())
