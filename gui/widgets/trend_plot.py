"""One plot of the trends and the table of its traces. All parts are made once; a frame only sets their data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent, QPixmap, QResizeEvent
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
from gui.widgets.look import colour, font, line_pen, on_panel
from gui.widgets.trend_canvas import TrendCanvas
from gui.widgets.trend_paint import Band, Rule, Upright

FloatArray = npt.NDArray[np.float64]
Points = Mapping[str, tuple[FloatArray, FloatArray]]
FLAGS = 12
_ROW_PX = 18
_BIG_PX = 34
_TITLE_PX = 22
_FLAG_PENS: dict[Tone, Callable[[], tuple[str, tuple[float, ...]]]] = {
    Tone.DANGER: lambda: (theme.RED, ()),
    Tone.CAUTION: lambda: (theme.CAUTION_EDGE, (6.0, 3.0)),
    Tone.PLAIN: lambda: (theme.TICK, (2.0, 4.0)),
}
_NONE: FloatArray = np.empty(0)


class TraceTable(QWidget):
    """Title of a plot, then one row per trace: its line, its name, its value."""

    def __init__(self, group: TrendGroup) -> None:
        super().__init__()
        self.setFixedWidth(228)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._group = group
        self._values: Mapping[str, float] = {}
        self._stale_s: float | None = None
        self._picture: QPixmap | None = None
        self.setAccessibleName(f"{group.title}, {group.unit}")

    def show_values(self, values: Mapping[str, float], stale_s: float | None) -> None:
        """Show present values; ``stale_s`` is their age where they are old."""
        self._values, self._stale_s = values, stale_s
        self._picture = None
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        self._picture = None
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        ratio = self.devicePixelRatioF()
        if self._picture is None or self._picture.devicePixelRatio() != ratio:
            self._picture = QPixmap(self.size() * ratio)
            self._picture.setDevicePixelRatio(ratio)
            painter = QPainter(self._picture)
            self._paint(painter)
            painter.end()
        QPainter(self).drawPixmap(0, 0, self._picture)

    def _paint(self, painter: QPainter) -> None:
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
        self.setAttribute(Qt.WidgetAttribute.WA_NoSystemBackground)  # its two parts cover it
        self.group = group
        self._axis: tuple[float, float] | None = None
        self._lead: tuple[Limit, ...] = ()
        self._active: dict[str, bool] = {}
        self.canvas = TrendCanvas({t.channel.name: t.style for t in group.traces})
        self.canvas.range_changed.connect(self.range_changed)
        self.canvas.clicked.connect(self.cursor_asked)
        self.canvas.is_browsable = browsable
        self.table = TraceTable(group)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.canvas, 1)
        layout.addWidget(self.table)
        self._texts = self._limit_texts()

    def show_points(self, points: Points, start_s: float, end_s: float) -> None:
        """Set the data of every trace between two times."""
        canvas = self.canvas
        canvas.points = {t.channel.name: points[t.channel.name] for t in self.group.traces if t.channel.name in points}
        canvas.span = (start_s, end_s)
        canvas.time_ticks = time_ticks(start_s, end_s, self.pixels())
        low, high = data_range([y for _, y in canvas.points.values()])
        wanted = axis_range(low, high, self.group)
        if wanted != self._axis:
            self._axis = wanted
            canvas.set_axis(*wanted, axis_ticks(*wanted))
            self._show_bands()
        canvas.update()

    def show_values(self, values: Mapping[str, float], stale_s: float | None) -> None:
        """Present values beside the plot; old values and their traces turn grey."""
        self.table.show_values(values, stale_s)
        stale = stale_s is not None
        if stale is not self.canvas.is_stale:
            self.canvas.is_stale = stale
            self.canvas.update()
        active = {
            limit.name: is_active(limit, values.get(limit.channel, float("nan"))) and not stale
            for limit in self.group.limits
        }
        if active != self._active:
            self._active = active
            self._show_bands()

    def show_lead(self, limits: Sequence[Limit]) -> None:
        """Draw these limits as bands with their texts, the others as thin lines."""
        if tuple(limits) != self._lead:
            self._lead = tuple(limits)
            self._show_bands()

    def show_limits(self, limits: Sequence[Limit]) -> None:
        """Other set points: a person has moved some."""
        if tuple(limits) != self.group.limits:
            self.group = replace(self.group, limits=tuple(limits))
            names = {limit.name for limit in self._lead}
            self._lead = tuple(limit for limit in limits if limit.name in names)
            self._texts = self._limit_texts()
            self._show_bands()
            self._axis = None  # the next points take the new limits into the axis

    def show_flags(self, flags: Sequence[Flag]) -> None:
        """Upright lines at events, numbered as in the list."""
        shown = []
        for flag in flags[:FLAGS]:
            hue, dashes = _FLAG_PENS.get(flag.tone, _FLAG_PENS[Tone.PLAIN])()
            shown.append(Upright(flag.time_s, hue, dashes, flag.text))
        if shown != self.canvas.flags:
            self.canvas.flags = shown
            self.canvas.update()

    def show_cursor(self, time_s: float) -> None:
        """Put the cursor of a recorded run."""
        self.show_cursors([(time_s, "")])

    def show_cursors(self, cursors: Sequence[tuple[float, str]]) -> None:
        """Put cursors: time and name of each; none takes them away."""
        shown = [Upright(at, theme.INK, (), name, 2.0) for at, name in cursors]
        if shown != self.canvas.cursors:
            self.canvas.cursors = shown
            self.canvas.update()

    def show_time_axis(self, *, visible: bool) -> None:
        """Only the lowest plots of a column carry the texts of the time axis."""
        self.canvas.show_times(visible=visible)

    def let_browse(self, *, browsable: bool) -> None:
        """Whether the mouse pans and zooms the time axis."""
        self.canvas.is_browsable = browsable

    def pixels(self) -> int:
        """Pixel columns of the plot."""
        return max(int(self.canvas.area().width()), 50)

    def drawn(self, channel: str) -> tuple[FloatArray, FloatArray]:
        """Points of one trace as drawn."""
        x, y = self.canvas.points.get(channel, (_NONE, _NONE))
        return np.asarray(x), np.asarray(y)

    def _limit_texts(self) -> dict[str, str]:
        many = len({limit.channel for limit in self.group.limits}) > 1
        channels = {t.channel.name: t.channel for t in self.group.traces}
        return {x.name: limit_label(x, channels[x.channel], many=many) for x in self.group.limits}

    def _show_bands(self) -> None:
        """Bands of the channel that is first to trip, with their texts; the other limits are thin lines."""
        if self._axis is None:
            return
        foot, head = self._axis
        many = len({limit.channel for limit in self.group.limits}) > 1
        styles = {t.channel.name: t.style for t in self.group.traces}
        lead = {limit.name for limit in self._lead}
        bands, rules = [], []
        for limit in self.group.limits:
            hue = styles[limit.channel].colour if many else theme.RED if is_trip(limit) else theme.CAUTION_EDGE
            text = self._texts[limit.name] if limit.name in lead else ""
            # trips stand at the left edge, cautions at the right, so that close ones do not lie on one another
            rules.append(
                Rule(
                    limit.set_point,
                    hue,
                    (1.0, 5.0) if many else (10.0, 4.0),
                    text,
                    Tone.DANGER if is_trip(limit) else Tone.CAUTION,
                    is_trip(limit),
                    limit.kind is LimitKind.BELOW,
                )
            )
            if limit.name in lead:
                low, high = band_edges(limit, foot, head, self.group.limits)
                bands.append(Band(low, high, _band_colour(limit, active=self._active.get(limit.name, False))))
        self.canvas.set_bands(bands, rules)


def _band_colour(limit: Limit, *, active: bool) -> str:
    if is_trip(limit):
        return theme.TRIP_BAND_ACTIVE if active else theme.TRIP_BAND
    return theme.CAUTION_BAND_ACTIVE if active else theme.CAUTION_BAND
