"""One plot of the trends as one widget: it holds what is shown, paints it, and follows the mouse.

A scene of the library with an item for each part is told of every step of the time axis, whether it is seen or not:
that alone cost more than the traces. Ground, bands and upright axis stand still between frames and are kept as a
picture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QPixmap, QResizeEvent, QWheelEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from gui.state import theme
from gui.state.theme import LineStyle
from gui.widgets import trend_paint as parts
from gui.widgets.look import colour, dashed_pen
from gui.widgets.trend_paint import Band, Rule, Scale, Texts, Ticks, Upright

FloatArray = npt.NDArray[np.float64]
_LEFT_PX, _MARGIN_PX = 47, 1
_TIMES_PX, _NO_TIMES_PX = 21, 6
_EDGE_PX, _DRAG_PX = 6.0, 4.0
_ZOOM_PER_STEP = 0.75
_VEIL = "24"
"""How much of the stretch's colour is seen, hexadecimal."""


class TrendCanvas(QWidget):
    """A setter only marks it for painting."""

    range_changed = Signal(float, float)
    """The mouse asks for these times."""
    clicked = Signal(float)
    stretch_changed = Signal(float, float)

    def __init__(self, styles: Mapping[str, LineStyle]) -> None:
        super().__init__()
        self.is_stale = False
        self.is_browsable = False
        self.has_times = True
        self.points: dict[str, tuple[FloatArray, FloatArray]] = {}
        self.rules: Sequence[Rule] = ()
        self.flags: Sequence[Upright] = ()
        self.cursors: Sequence[Upright] = ()
        self.time_ticks: Ticks = ()
        self.stretch: tuple[float, float] | None = None
        self.span: tuple[float, float] = (0.0, 1.0)
        """Times at the left and the right edge [s]."""
        self.axis: tuple[float, float] = (0.0, 1.0)
        """Values at the foot and the head."""
        self._bands: Sequence[Band] = ()
        self._ticks: Ticks = ()
        self._styles = dict(styles)
        self._small, self._text = Texts(10), Texts(11)
        self._still: QPixmap | None = None
        self._pressed: tuple[QPointF, tuple[float, float], int | None] | None = None
        self._is_dragged = False
        self.setMinimumSize(_LEFT_PX + 50, 40)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMouseTracking(True)

    def area(self) -> QRectF:
        """Where the traces are, in pixels."""
        foot = _TIMES_PX if self.has_times else _NO_TIMES_PX
        return QRectF(_LEFT_PX, _MARGIN_PX, self.width() - _LEFT_PX - _MARGIN_PX, self.height() - foot - _MARGIN_PX)

    def scale_x(self) -> Scale:
        """From times to pixels."""
        area = self.area()
        return Scale.between(*self.span, area.left(), area.right())

    def scale_y(self) -> Scale:
        """From values to pixels, which run down."""
        area = self.area()
        return Scale.between(*self.axis, area.bottom(), area.top())

    def set_axis(self, foot: float, head: float, ticks: Ticks) -> None:
        """Another range of values."""
        self.axis, self._ticks = (foot, head), ticks
        self._forget()

    def set_bands(self, bands: Sequence[Band], rules: Sequence[Rule]) -> None:
        """Other limits."""
        self._bands, self.rules = bands, rules
        self._forget()

    def set_stretch(self, stretch: tuple[float, float] | None) -> None:
        """Another stretch, or none."""
        self.stretch = stretch
        self.update()

    def show_times(self, *, visible: bool) -> None:
        """Whether the time axis carries its texts."""
        if visible is not self.has_times:
            self.has_times = visible
            self._forget()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        self._forget()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        area, x, y = self.area(), self.scale_x(), self.scale_y()
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._still_picture(area, y))
        parts.paint_time_axis(painter, area, self.time_ticks, x, self._text if self.has_times else None)
        painter.setClipRect(area)
        parts.paint_time_grid(painter, area, self.time_ticks, x)
        self._paint_stretch(painter, area, x)
        parts.paint_rules(painter, area, self.rules, y, self._text)
        for flag in self.flags:
            parts.paint_upright(painter, area, flag, x, self._small)
        parts.paint_traces(painter, self.points, self._styles, x, y, is_stale=self.is_stale)
        for cursor in self.cursors:
            parts.paint_upright(painter, area, cursor, x, self._small)
        painter.end()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        if not self.is_browsable:
            event.ignore()
            return
        factor = _ZOOM_PER_STEP ** (event.angleDelta().y() / 120.0)
        at = self.scale_x().value(event.position().x())
        start_s, end_s = self.span
        self._ask(at + (start_s - at) * factor, at + (end_s - at) * factor)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        if event.button() is Qt.MouseButton.LeftButton and self.area().contains(event.position()):
            self._pressed = (event.position(), self.span, self._edge_at(event.position().x()))
            self._is_dragged = False

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        if self._pressed is None:
            is_edge = self._edge_at(event.position().x()) is not None
            self.setCursor(Qt.CursorShape.SplitHCursor if is_edge else Qt.CursorShape.ArrowCursor)
            return
        place, span, edge = self._pressed
        moved = event.position().x() - place.x()
        self._is_dragged = self._is_dragged or abs(moved) >= _DRAG_PX
        if not self._is_dragged:
            return
        if edge is not None:
            self._drag(edge, self.scale_x().value(event.position().x()))
        elif self.is_browsable:
            back_s = moved / self.scale_x().factor
            self._ask(span[0] - back_s, span[1] - back_s)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        if self._pressed is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        edge, self._pressed = self._pressed[2], None
        if not self._is_dragged:
            self.clicked.emit(self.scale_x().value(event.position().x()))
        elif edge is not None and self.stretch is not None:
            start_s, end_s = sorted(self.stretch)
            self.stretch_changed.emit(start_s, end_s)

    def _ask(self, start_s: float, end_s: float) -> None:
        self.span = (start_s, end_s)
        self.update()
        self.range_changed.emit(start_s, end_s)

    def _edge_at(self, px: float) -> int | None:
        """Which edge of the stretch the mouse is on: 0 or 1."""
        if self.stretch is None:
            return None
        x = self.scale_x()
        apart = [abs(px - (at * x.factor + x.offset)) for at in self.stretch]
        nearest = apart.index(min(apart))
        return nearest if apart[nearest] <= _EDGE_PX else None

    def _drag(self, edge: int, time_s: float) -> None:
        if self.stretch is not None:
            self.stretch = (time_s, self.stretch[1]) if edge == 0 else (self.stretch[0], time_s)
            self.update()

    def _forget(self) -> None:
        self._still = None
        self.update()

    def _still_picture(self, area: QRectF, y: Scale) -> QPixmap:
        """Ground, bands and upright axis: the same from frame to frame."""
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.devicePixelRatio() != ratio:
            self._still = QPixmap(self.size() * ratio)
            self._still.setDevicePixelRatio(ratio)
            self._still.fill(colour(theme.PANEL))
            painter = QPainter(self._still)
            painter.setClipRect(area)
            parts.paint_bands(painter, area, self._bands, y)
            painter.setClipping(False)
            parts.paint_left_axis(painter, area, self._ticks, y, self._text)
            painter.end()
        return self._still

    def _paint_stretch(self, painter: QPainter, area: QRectF, x: Scale) -> None:
        if self.stretch is None:
            return
        left, right = sorted(x.px(at) for at in self.stretch)
        painter.fillRect(QRectF(left, area.top(), right - left, area.height()), colour(theme.BLUE + _VEIL))
        painter.setPen(dashed_pen(theme.BLUE, (6.0, 3.0)))
        for place in (left, right):
            painter.drawLine(place, int(area.top()), place, int(area.bottom()))
