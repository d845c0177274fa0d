"""The bare frame of a plot: a view and two axes that draw the ticks they are handed, and nothing else.

The library's own plot brings some sixty widgets of menus along, and its axes measure their texts anew each frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QGraphicsGridLayout

from gui.state import theme
from gui.widgets.look import colour, dashed_pen, font

Ticks = Sequence[tuple[float, str]]
_TICK_PX = 4
_APART_PX = 13.0
"""Texts that are nearer would lie on one another."""


class PlainAxis(pg.AxisItem):  # type: ignore[misc]  # the library has no types
    """Left or bottom axis; ``show_ticks`` sets places and texts."""

    def __init__(self, side: str) -> None:
        super().__init__(side)
        self._places: Ticks = ()
        self._is_upright = side == "left"
        self._font = font(11)
        self.setStyle(autoExpandTextSpace=False)

    def setRange(self, mn: float, mx: float) -> None:  # noqa: N802 - the library's name
        if getattr(self, "range", None) != [mn, mx]:  # the library asks before it has made it
            self.range = [mn, mx]
            self.update()

    def updateAutoSIPrefix(self) -> None:  # noqa: N802 - the library's name
        """No label, no prefix."""

    def show_ticks(self, ticks: Ticks) -> None:
        """Show these ticks."""
        if ticks != self._places:
            self._places = ticks
            self.update()

    def places(self) -> Ticks:
        """The ticks shown."""
        return self._places

    def paint(self, painter: QPainter, option: Any, widget: Any) -> None:  # noqa: ARG002 - Qt's signature
        box: QRectF = self.mapRectFromParent(self.geometry())
        low, high = self.range
        if high <= low:
            return
        painter.setFont(self._font)
        line, ink = dashed_pen(theme.TICK), colour(theme.INK_SOFT)
        painter.setPen(line)
        if self._is_upright:
            painter.drawLine(box.topRight(), box.bottomRight())
        else:
            painter.drawLine(box.topLeft(), box.topRight())
        has_texts = self.style["showValues"]
        drawn_at = -math.inf
        for at, text in self._places:
            share = (at - low) / (high - low)
            if not -1e-9 <= share <= 1.0 + 1e-9:
                continue
            painter.setPen(line)
            if self._is_upright:
                y = box.bottom() - share * box.height()
                painter.drawLine(int(box.right()) - _TICK_PX, int(y), int(box.right()), int(y))
                painter.setPen(ink)
                # the highest and the lowest text stay inside the plot
                top = min(max(y - 8.0, box.top()), box.bottom() - 16.0)
                if abs(top - drawn_at) < _APART_PX:
                    continue
                drawn_at = top
                where = QRectF(box.left(), top, box.width() - _TICK_PX - 3.0, 16.0)
                painter.drawText(where, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)
            else:
                x = box.left() + share * box.width()
                painter.drawLine(int(x), int(box.top()), int(x), int(box.top()) + _TICK_PX)
                if has_texts:
                    painter.setPen(ink)
                    # the last text stays inside the plot
                    half = 0.5 * painter.fontMetrics().horizontalAdvance(text) + 1.0
                    middle = min(max(x, box.left() + half - 20.0), box.right() - half)
                    where = QRectF(middle - half, box.top() + _TICK_PX, 2.0 * half, 15.0)
                    painter.drawText(where, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop, text)


class PlotFrame(pg.GraphicsWidget):  # type: ignore[misc]  # the library has no types
    """A view ``vb`` with an upright axis on its left and a time axis below."""

    def __init__(self) -> None:
        super().__init__()
        self.vb = pg.ViewBox(enableMenu=False)
        self.axes = {side: PlainAxis(side) for side in ("left", "bottom")}
        grid = QGraphicsGridLayout(self)
        grid.setContentsMargins(1.0, 1.0, 1.0, 1.0)
        grid.setHorizontalSpacing(0.0)
        grid.setVerticalSpacing(0.0)
        grid.addItem(self.axes["left"], 0, 0)
        grid.addItem(self.vb, 0, 1)
        grid.addItem(self.axes["bottom"], 1, 1)
        for axis in self.axes.values():
            axis.linkToView(self.vb)

    def addItem(self, item: Any, ignoreBounds: bool = False) -> None:  # noqa: N802 - the library's names
        """Put an item into the view."""
        self.vb.addItem(item, ignoreBounds=ignoreBounds)

    def removeItem(self, item: Any) -> None:  # noqa: N802 - the library's name
        """Take an item out of the view."""
        self.vb.removeItem(item)

    def getAxis(self, side: str) -> PlainAxis:  # noqa: N802 - the library's name
        """``left`` or ``bottom``."""
        return self.axes[side]

    def getViewBox(self) -> Any:  # noqa: N802 - the library's name
        """The view."""
        return self.vb
