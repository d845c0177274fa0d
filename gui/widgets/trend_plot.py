"""One plot of the trends and the table of its traces. All items are made once; a frame only sets their data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from PySide6.QtCore import QRectF, Qt, Signal, Slot
from PySide6.QtGui import QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QWidget

from benchkit.model.limits import Limit, LimitKind
from gui.state import theme
from gui.state.events import Flag
from gui.state.theme import Tone
from gui.state.trends import (
    Trace,
    TrendGroup,
    axis_range,
    axis_ticks,
    band_edges,
    data_range,
    is_active,
    is_trip,
    limit_label,
    time_ticks,
)
from gui.state.wording import age, number, short_label
from gui.widgets.look import colour, dashed_pen, font, line_pen, on_panel

FloatArray = npt.NDArray[np.float64]
Points = Mapping[str, tuple[FloatArray, FloatArray]]
FLAGS = 12
_ROW_PX = 18
_BIG_PX = 34
_TITLE_PX = 22
_FLAG_PENS: dict[Tone, tuple[str, tuple[float, ...]]] = {
    Tone.DANGER: (theme.RED, ()),
    Tone.CAUTION: (theme.CAUTION_EDGE, (6.0, 3.0)),
    Tone.PLAIN: (theme.TICK, (2.0, 4.0)),
}


class TraceTable(QWidget):
    """Title of a plot, then one row per trace: its line, its name, its value."""

    def __init__(self, group: TrendGroup) -> None:
        super().__init__()
        self.setFixedWidth(228)
        self._group = group
        self._values: Mapping[str, float] = {}
        self._stale_s: float | None = None
        self.setAccessibleName(f"{group.title}, {group.unit}")

    def show_values(self, values: Mapping[str, float], stale_s: float | None) -> None:
        """Show present values; ``stale_s`` is their age where they are old."""
        self._values, self._stale_s = values, stale_s
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        painter = QPainter(self)
        painter.fillRect(self.rect(), colour(theme.PANEL))
        painter.setFont(font(13, bold=True))
        painter.setPen(on_panel(Tone.PLAIN))
        unit = "" if self._group.unit == "1" else f", {self._group.unit}"
        painter.drawText(6, 16, f"{self._group.title}{unit}")
        stale = self._stale_s is not None
        if len(self._group.traces) == 1:
            self._paint_big(painter, stale=stale)
        step = min(_ROW_PX, (self.height() - _TITLE_PX) // len(self._group.traces))
        for i, trace in enumerate(self._group.traces):
            middle = _TITLE_PX + i * step + step // 2
            painter.setPen(line_pen(trace.style, stale=stale))
            painter.drawLine(6, middle, 30, middle)
            painter.setPen(on_panel(Tone.STALE if stale else Tone.PLAIN))
            painter.setFont(font(13))
            single = len(self._group.traces) == 1
            value = "" if single else self._value(trace)
            width = painter.fontMetrics().horizontalAdvance(value)
            row = QRectF(36, middle - 9, self.width() - 42, 18)
            painter.drawText(row, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, value)
            painter.setFont(font(12))
            name = painter.fontMetrics().elidedText(
                short_label(trace.channel), Qt.TextElideMode.ElideRight, int(row.width()) - width - 6
            )
            painter.drawText(row, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, name)
        if self._stale_s is not None:
            painter.setFont(font(12, bold=True))
            painter.setPen(on_panel(Tone.STALE))
            title = QRectF(6, 2, self.width() - 12, 18)
            painter.drawText(title, Qt.AlignmentFlag.AlignRight, f"stale {age(self._stale_s)}")

    def _value(self, trace: Trace) -> str:
        return number(self._values.get(trace.channel.name, float("nan")), trace.channel.quantity)

    def _paint_big(self, painter: QPainter, *, stale: bool) -> None:
        """A single value is shown large as well: there is room, and it reads from across the room."""
        trace = self._group.traces[0]
        painter.setFont(font(min(_BIG_PX, self.height() // 3), bold=True))
        painter.setPen(on_panel(Tone.STALE if stale else Tone.PLAIN))
        value = self._value(trace)
        above = _TITLE_PX + _ROW_PX
        box = QRectF(6, above, self.width() - 12, self.height() - above)
        painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, value)


class TrendPlot(QWidget):
    """Traces of one quantity with their limits, flags and, in a recorded run, the cursor."""

    range_changed = Signal(float, float)
    cursor_asked = Signal(float)

    def __init__(self, group: TrendGroup, *, browsable: bool) -> None:
        super().__init__()
        self.group = group
        self._axis: tuple[float, float] | None = None
        self._stale: bool | None = None
        self._lead: tuple[Limit, ...] = ()
        self._active: dict[str, bool] = {}
        self.plot: Any = pg.PlotWidget(background=theme.PANEL, enableMenu=False)
        self.item: Any = self.plot.getPlotItem()
        self.table = TraceTable(group)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.plot, 1)
        layout.addWidget(self.table)
        self.plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._prepare_axes(browsable=browsable)
        self._bands, self._limit_lines, self._limit_texts = self._make_limits()
        self._curves = {t.channel.name: self._make_curve(t.style) for t in group.traces}
        self._flags = [self._make_flag() for _ in range(FLAGS)]
        self._cursor: Any = pg.InfiniteLine(angle=90, pen=dashed_pen(theme.INK, (), 2.0))
        self._cursor.setZValue(20)
        self._cursor.hide()
        self.item.addItem(self._cursor, ignoreBounds=True)

    def show_points(self, points: Points, start_s: float, end_s: float, *, pin_x: bool) -> None:
        """Set the data of every trace; ``pin_x`` moves the time axis as well (live)."""
        for name, curve in self._curves.items():
            if name in points:
                curve.setData(*points[name], connect="finite")
            else:
                curve.clear()
        if pin_x:
            self.item.vb.setXRange(start_s, end_s, padding=0)
        self.item.getAxis("bottom").setTicks([time_ticks(start_s, end_s, self.pixels()), []])
        low, high = data_range([points[n][1] for n in self._curves if n in points])
        wanted = axis_range(low, high, self.group)
        if wanted != self._axis:
            self._axis = wanted
            self.item.vb.setYRange(*wanted, padding=0)
            self.item.getAxis("left").setTicks([axis_ticks(*wanted), []])
            self._place_bands(*wanted)

    def show_values(self, values: Mapping[str, float], stale_s: float | None) -> None:
        """Present values beside the plot; old values and their traces turn grey."""
        self.table.show_values(values, stale_s)
        stale = stale_s is not None
        if stale is not self._stale:
            self._stale = stale
            for trace in self.group.traces:
                self._curves[trace.channel.name].setPen(line_pen(trace.style, stale=stale))
        for limit in self.group.limits:
            active = is_active(limit, values.get(limit.channel, float("nan"))) and not stale
            if active != self._active.get(limit.name):
                self._active[limit.name] = active
                self._bands[limit.name].setBrush(colour(_band_colour(limit, active=active)))

    def show_lead(self, limits: Sequence[Limit]) -> None:
        """Draw these limits as bands with their texts, the others as thin lines."""
        if tuple(limits) == self._lead:
            return
        self._lead = tuple(limits)
        names = {limit.name for limit in limits}
        for name, band in self._bands.items():
            band.setVisible(name in names)
            self._limit_texts[name].setVisible(name in names)

    def show_flags(self, flags: Sequence[Flag]) -> None:
        """Upright lines at events, numbered as in the list."""
        for i, line in enumerate(self._flags):
            if i >= len(flags):
                line.hide()
                continue
            hue, dashes = _FLAG_PENS.get(flags[i].tone, _FLAG_PENS[Tone.PLAIN])
            line.setPen(dashed_pen(hue, dashes))
            line.setPos(flags[i].time_s)
            line.label.setFormat(flags[i].text)
            line.show()

    def show_cursor(self, time_s: float) -> None:
        """Put the cursor of a recorded run."""
        self._cursor.setPos(time_s)
        self._cursor.show()

    def show_time_axis(self, *, visible: bool) -> None:
        """Only the lowest plots of a column carry the texts of the time axis."""
        self.item.getAxis("bottom").setStyle(showValues=visible)
        self.item.getAxis("bottom").setHeight(20 if visible else 5)

    def pixels(self) -> int:
        """Pixel columns of the plot."""
        return max(int(self.item.vb.width()), 50)

    def drawn(self, channel: str) -> tuple[FloatArray, FloatArray]:
        """Points of one trace as drawn."""
        x, y = self._curves[channel].getData()
        return np.asarray([] if x is None else x), np.asarray([] if y is None else y)

    def _prepare_axes(self, *, browsable: bool) -> None:
        self.item.hideButtons()
        self.item.vb.setMouseEnabled(x=browsable, y=False)
        self.item.vb.disableAutoRange()
        for name in ("left", "bottom"):
            axis = self.item.getAxis(name)
            axis.setPen(dashed_pen(theme.TICK))
            axis.setTextPen(colour(theme.INK_SOFT))
            axis.setStyle(tickFont=font(11), tickLength=-4, autoExpandTextSpace=False)
        self.item.getAxis("left").setWidth(46)
        self.item.showGrid(x=True, y=True, alpha=0.12)
        if browsable:
            self.item.vb.sigXRangeChanged.connect(self._tell_range)
            self.plot.scene().sigMouseClicked.connect(self._tell_click)

    @Slot(object, object)
    def _tell_range(self, box: Any, limits: Sequence[float]) -> None:  # noqa: ARG002 - pyqtgraph's signature
        self.range_changed.emit(float(limits[0]), float(limits[1]))

    @Slot(object)
    def _tell_click(self, click: Any) -> None:
        if self.item.vb.sceneBoundingRect().contains(click.scenePos()):
            self.cursor_asked.emit(float(self.item.vb.mapSceneToView(click.scenePos()).x()))

    def _make_curve(self, style: theme.LineStyle) -> Any:
        curve = pg.PlotCurveItem(pen=line_pen(style), antialias=False, connect="finite")
        curve.setZValue(10)
        self.item.addItem(curve, ignoreBounds=True)
        return curve

    def _make_limits(self) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
        bands, lines, texts = {}, {}, {}
        many = len({limit.channel for limit in self.group.limits}) > 1
        styles = {t.channel.name: t for t in self.group.traces}
        for limit in self.group.limits:
            band = pg.LinearRegionItem(
                (0, 0),
                "horizontal",
                colour(_band_colour(limit, active=False)),
                pen=QPen(Qt.PenStyle.NoPen),
                movable=False,
            )
            band.setZValue(-10)
            band.hide()
            trace = styles[limit.channel]
            hue = trace.style.colour if many else (theme.RED if is_trip(limit) else theme.CAUTION_EDGE)
            line = pg.InfiniteLine(limit.set_point, angle=0, pen=dashed_pen(hue, (1.0, 5.0) if many else (10.0, 4.0)))
            text = pg.TextItem(
                limit_label(limit, trace.channel, many=many),
                color=on_panel(Tone.DANGER if is_trip(limit) else Tone.CAUTION),
                fill=colour(theme.VEIL),
                anchor=(0 if is_trip(limit) else 1, 1 if limit.kind is LimitKind.BELOW else 0),
            )
            text.setFont(font(11))
            text.setZValue(6)  # below the traces: a text never hides one
            text.hide()
            for item in (band, line, text):
                self.item.addItem(item, ignoreBounds=True)
            bands[limit.name], lines[limit.name], texts[limit.name] = band, line, text
        return bands, lines, texts

    def _place_bands(self, foot: float, head: float) -> None:
        for limit in self.group.limits:
            self._bands[limit.name].setRegion(band_edges(limit, foot, head, self.group.limits))
        self._place_texts()

    def _place_texts(self) -> None:
        # trips stand at the left edge, cautions at the right, so that close ones do not lie on one another
        left, right = self.item.vb.viewRange()[0]
        places = {True: left, False: right}
        for limit in self.group.limits:
            self._limit_texts[limit.name].setPos(places[is_trip(limit)], limit.set_point)

    def follow_texts(self) -> None:
        """Keep the limits' texts at the left edge after the time axis moved."""
        self._place_texts()

    def _make_flag(self) -> Any:
        line = pg.InfiniteLine(
            angle=90,
            label="",
            labelOpts={"position": 0.08, "color": theme.INK_SOFT, "fill": theme.PANEL, "movable": False},
        )
        line.label.setFont(font(10))
        line.setZValue(5)
        line.hide()
        self.item.addItem(line, ignoreBounds=True)
        return line


def _band_colour(limit: Limit, *, active: bool) -> str:
    if is_trip(limit):
        return theme.TRIP_BAND_ACTIVE if active else theme.TRIP_BAND
    return theme.CAUTION_BAND_ACTIVE if active else theme.CAUTION_BAND
