"""A result over two axes: one layer in colour with lines of equal value, points on top, and a cursor that reads."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt, Signal, Slot
from PySide6.QtGui import QBrush, QColor, QKeyEvent, QPainterPath, QPen, QPolygonF
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QGraphicsPathItem,
    QGraphicsRectItem,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from gui.state import theme
from gui.state.fields import Field, Region, Spot, contour_lines, extent, label_places, levels_of, read
from gui.widgets.bare_plot import adopt_menu, bare_plot
from gui.widgets.look import colour, dashed_pen, font

_STEPS = 60
"""Key presses across the whole axis."""
_LINES = 64


class FieldView(QWidget):
    """Pointer or arrow keys move the cursor; what is under it is read below."""

    read_out = Signal(str)

    def __init__(self, field: Field) -> None:
        super().__init__()
        self.field = field
        self.plot: Any = bare_plot(self, theme.INK, 12)
        self.item: Any = self.plot.getPlotItem()
        self.layer = QComboBox()
        self.layer.setAccessibleName("Layer")
        self.layer.addItems([layer.heading for layer in field.layers])
        self.layer.setVisible(bool(field.layers))
        self.points = QCheckBox("Measured &points")
        self.duty = QCheckBox("D&uty")
        for box, spots in ((self.points, field.points), (self.duty, field.duty)):
            box.setChecked(bool(spots))
            box.setVisible(bool(spots))
        self.reading = QLabel("Move the pointer over the map, or the cursor with the arrow keys.")
        self.reading.setAccessibleName("What is under the cursor")
        self.reading.setStyleSheet("font-size: 16px; font-weight: bold;")
        self.reading.setWordWrap(True)
        self.reading.setMinimumHeight(44)
        bar = QHBoxLayout()
        bar.setContentsMargins(0, 0, 0, 0)
        for part in (self.layer, self.points, self.duty):
            bar.addWidget(part)
        bar.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(bar)
        layout.addWidget(self.plot, 1)
        layout.addWidget(self.reading)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._image: Any = None
        self._bar: Any = None
        self._lines: list[Any] = []
        self._prepare()
        self.cross = self._cross()
        self._spots = self._add_spots(field.points, "o"), self._add_spots(field.duty, "s")
        self.layer.currentIndexChanged.connect(self.show_layer)
        self.points.toggled.connect(self._spots[0].setVisible)
        self.duty.toggled.connect(self._spots[1].setVisible)
        for box in (self.points, self.duty):
            box.toggled.connect(self._tell)
        self.plot.scene().sigMouseMoved.connect(self._hover)
        if field.layers:
            self.show_layer(0)

    @Slot(int)
    def show_layer(self, index: int) -> None:
        """Show one of the layers."""
        layer = self.field.layers[index]
        levels = levels_of(layer.shown)
        map_name = "cividis" if layer.is_uncertainty else "viridis"
        if self._image is None:
            self._image = pg.ImageItem()
            self._image.setZValue(-20)
            self._add_inside_hull(self._image)
            self._bar = pg.ColorBarItem(interactive=False, width=14, colorMap=map_name)
            adopt_menu(self._bar, self)
            self._bar.setImageItem(self._image, insert_in=self.item)
        self._image.setImage(layer.shown.T, levels=(levels[0], levels[-1]))
        self._image.setRect(_rect(self.field.x, self.field.y))
        self._bar.setColorMap(pg.colormap.get(map_name))
        self._bar.setLevels((levels[0], levels[-1]))
        self._bar.getAxis("right").setTicks([[(level, f"{level:g}") for level in levels], []])
        self._bar.getAxis("right").setTextPen(colour(theme.INK))
        for line in self._lines:
            self.item.removeItem(line)
        self._lines = []
        free = label_places(self.field, index)
        for level, lines in contour_lines(self.field, index):
            for line in lines[:_LINES]:
                curve = pg.PlotCurveItem(line[:, 0], line[:, 1], pen=dashed_pen(theme.INK), antialias=True)
                curve.setZValue(-10)
                self.item.addItem(curve, ignoreBounds=True)
                self._lines.append(curve)
            if level in free:
                self._lines.append(self._label(level, free[level]))
        self._tell()

    def put_cursor(self, x: float, y: float) -> None:
        """Put the cursor somewhere and read."""
        (left, right), (bottom, top) = extent(self.field)
        x, y = min(max(x, left), right), min(max(y, bottom), top)
        self.cross[0].setPos(x)
        self.cross[1].setPos(y)
        for line in self.cross:
            line.show()
        self._tell()

    def place(self) -> tuple[float, float]:
        """Where the cursor is."""
        return float(self.cross[0].value()), float(self.cross[1].value())

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        steps = {
            Qt.Key.Key_Left: (-1, 0), Qt.Key.Key_Right: (1, 0), Qt.Key.Key_Down: (0, -1), Qt.Key.Key_Up: (0, 1),
        }  # fmt: skip
        step = steps.get(Qt.Key(event.key()))
        if step is None:
            super().keyPressEvent(event)
            return
        (left, right), (bottom, top) = extent(self.field)
        x, y = self.place()
        if not self.cross[0].isVisible():
            x, y = 0.5 * (left + right), 0.5 * (bottom + top)
        self.put_cursor(x + step[0] * (right - left) / _STEPS, y + step[1] * (top - bottom) / _STEPS)

    @Slot(object)
    def _hover(self, place: Any) -> None:
        if self.item.vb.sceneBoundingRect().contains(place):
            at = self.item.vb.mapSceneToView(place)
            self.put_cursor(float(at.x()), float(at.y()))

    @Slot()
    def _tell(self) -> None:
        if not self.cross[0].isVisible():
            return
        x, y = self.place()
        layer = max(self.layer.currentIndex(), 0)
        text = read(self.field, layer, x, y, points=self.points.isChecked(), duty=self.duty.isChecked())
        self.reading.setText(text[:1].upper() + text[1:])
        self.read_out.emit(text)

    def _prepare(self) -> None:
        self.item.layout.setContentsMargins(2, 10, 8, 2)
        self.item.vb.setMouseEnabled(x=False, y=False)
        for name, label in (("bottom", self.field.x_label), ("left", self.field.y_label)):
            axis = self.item.getAxis(name)
            axis.enableAutoSIPrefix(False)
            axis.setLabel(label, color=theme.INK)
        (left, right), (bottom, top) = extent(self.field)
        margin = 0.06 if self.field.layers else 0.02
        self.item.vb.setXRange(left, right, padding=margin)
        self.item.vb.setYRange(bottom, top, padding=margin)
        if self.field.hull:
            hull = np.array([*self.field.hull, self.field.hull[0]])
            outline = pg.PlotCurveItem(hull[:, 0], hull[:, 1], pen=dashed_pen(theme.INK_SOFT, (4.0, 3.0)))
            self.item.addItem(outline)
        for region in self.field.regions:
            self._add_region(region)

    def _cross(self) -> tuple[Any, Any]:
        pen = dashed_pen(theme.INK, (2.0, 2.0))
        lines = pg.InfiniteLine(angle=90, pen=pen), pg.InfiniteLine(angle=0, pen=pen)
        for line in lines:
            line.setZValue(30)
            line.hide()
            self.item.addItem(line, ignoreBounds=True)
        return lines

    def _add_spots(self, spots: tuple[Spot, ...], symbol: str) -> Any:
        """Round: measured; square: duty, its side the share of time. A white ring is seen on any ground."""
        found = pg.ScatterPlotItem(
            [s.x for s in spots],
            [s.y for s in spots],
            symbol=symbol,
            size=[8.0 + (8.0 * s.size if symbol == "s" else 0.0) for s in spots],
            brush=[QBrush(QColor(theme.PANEL)) if not s.is_refused else QBrush(Qt.BrushStyle.NoBrush) for s in spots],
            pen=dashed_pen(theme.INK, (), 1.6),
        )
        found.setZValue(20)
        self.item.addItem(found)
        return found

    def _add_inside_hull(self, image: Any) -> None:
        """Nothing is said outside the hull: the half pixels around the outer nodes are cut off."""
        if not self.field.hull:
            self.item.addItem(image)
            return
        path = QPainterPath()
        path.addPolygon(QPolygonF([QPointF(x, y) for x, y in self.field.hull]))
        frame = QGraphicsPathItem(path)
        frame.setPen(QPen(Qt.PenStyle.NoPen))
        frame.setFlag(QGraphicsPathItem.GraphicsItemFlag.ItemClipsChildrenToShape)
        frame.setZValue(-20)
        self.item.addItem(frame)
        image.setParentItem(frame)
        self._frame = frame

    def _label(self, level: float, place: tuple[float, float]) -> Any:
        text = pg.TextItem(f"{level:g}", color=theme.INK, fill=colour(theme.VEIL), anchor=(0.5, 0.5))
        text.setFont(font(11))
        text.setPos(*place)
        text.setZValue(-5)
        self.item.addItem(text, ignoreBounds=True)
        return text

    def _add_region(self, region: Region) -> None:
        wide, high = region.right - region.left, region.top - region.bottom
        box = QGraphicsRectItem(QRectF(region.left, region.bottom, wide, high))
        share = region.value / self.field.reach if np.isfinite(region.value) else 0.0
        box.setBrush(QBrush(_two_sided(share)))
        box.setPen(dashed_pen(theme.PANEL, (), 2.0))
        box.setZValue(-20)
        self.item.addItem(box, ignoreBounds=True)
        if not region.is_shown:
            x, y = _hatching(region)
            hatch = pg.PlotCurveItem(x, y, pen=dashed_pen(theme.TICK), connect="pairs", antialias=True)
            hatch.setZValue(-15)
            self.item.addItem(hatch, ignoreBounds=True)
        text = pg.TextItem(_two_lines(region), color=theme.INK, fill=colour(theme.PANEL + "E0"), anchor=(0.5, 0.5))
        text.setFont(font(12))
        text.setPos(0.5 * (region.left + region.right), region.bottom + 0.3 * (region.top - region.bottom))
        text.setZValue(10)
        self.item.addItem(text, ignoreBounds=True)


def _hatching(region: Region, lines: int = 14) -> tuple[Any, Any]:
    """Slanted lines over a region, as pairs of ends."""
    reach = np.linspace(0.0, 2.0, lines + 2)[1:-1]
    share_x = np.stack([np.maximum(reach - 1.0, 0.0), np.minimum(reach, 1.0)], axis=1).ravel()
    share_y = np.stack([np.minimum(reach, 1.0), np.maximum(reach - 1.0, 0.0)], axis=1).ravel()
    return (
        region.left + share_x * (region.right - region.left),
        region.bottom + share_y * (region.top - region.bottom),
    )


def _two_lines(region: Region) -> str:
    value = region.text.rpartition(": ")[2].rpartition(", ")[0]
    return f"{value}\n{region.word}"


def _two_sided(share: float) -> QColor:
    """Orange for more loss, violet for less: told apart by colour-blind readers; white is no difference."""
    end = QColor("#E66101") if share > 0.0 else QColor("#5E3C99")
    part = 0.85 * min(abs(share), 1.0)
    white = QColor(theme.PANEL)
    mixed = [round(a + part * (b - a)) for a, b in zip(_rgb(white), _rgb(end), strict=True)]
    return QColor(*mixed)


def _rgb(hue: QColor) -> tuple[int, int, int]:
    return hue.red(), hue.green(), hue.blue()


def _rect(x: Any, y: Any) -> QRectF:
    """Place of an image whose pixels are centred on evenly spaced nodes."""
    half_x = 0.5 * (x[-1] - x[0]) / max(len(x) - 1, 1)
    half_y = 0.5 * (y[-1] - y[0]) / max(len(y) - 1, 1)
    return QRectF(x[0] - half_x, y[0] - half_y, x[-1] - x[0] + 2 * half_x, y[-1] - y[0] + 2 * half_y)
