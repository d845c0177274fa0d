"""Several runs over one another, aligned by an event."""

from __future__ import annotations

from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import Qt, QTimer, Slot
from PySide6.QtGui import QCloseEvent, QPainter, QPixmap
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QMainWindow,
    QVBoxLayout,
    QWidget,
)

from benchkit.model.cautions import ONE_LINE
from gui.state import theme
from gui.state.browse import panned, zoomed
from gui.state.overlay import MOST_PLOTS, Overlay, first_channels
from gui.state.trends import axis_ticks, data_range, plain_range, time_ticks
from gui.widgets.bare_plot import bare_plot
from gui.widgets.look import colour, dashed_pen, line_pen
from gui.widgets.report_blocks import heading, soft
from gui.windows.menus import add_menu, add_window_menu

LEFT_PX = 340
_REDRAW_MS = 40


class OverlayPlot(QWidget):
    """One channel of all runs."""

    def __init__(self, title: str, styles: list[theme.LineStyle]) -> None:
        super().__init__()
        self.plot: Any = bare_plot(self, theme.INK_SOFT, 11)
        self.item: Any = self.plot.getPlotItem()
        self.item.vb.setMouseEnabled(x=True, y=False)
        self.item.getAxis("left").setWidth(52)
        self.item.showGrid(x=True, y=True, alpha=0.12)
        zero = pg.InfiniteLine(0.0, angle=90, pen=dashed_pen(theme.INK, (4.0, 3.0)))
        self.item.addItem(zero, ignoreBounds=True)
        self.curves = [pg.PlotCurveItem(pen=line_pen(style), connect="finite") for style in styles]
        for curve in self.curves:
            self.item.addItem(curve, ignoreBounds=True)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        label = QLabel(title)
        label.setStyleSheet("font-weight: bold;")
        layout.addWidget(label)
        layout.addWidget(self.plot, 1)
        self.setAccessibleName(title)

    def pixels(self) -> int:
        """Pixel columns of the plot."""
        return max(int(self.item.vb.width()), 50)

    def show_points(self, points: Any, start_s: float, end_s: float) -> None:
        """Draw all runs between two times."""
        for i, curve in enumerate(self.curves):
            if i in points:
                curve.setData(*points[i], connect="finite")
            else:
                curve.clear()
        self.item.vb.setXRange(start_s, end_s, padding=0)
        foot, head = plain_range(*data_range([y for _, y in points.values()]))
        self.item.vb.setYRange(foot, head, padding=0)
        self.item.getAxis("left").setTicks([axis_ticks(foot, head), []])
        self.item.getAxis("bottom").setTicks([time_ticks(start_s, end_s, self.pixels()), []])


class OverlayWindow(QMainWindow):
    """Which runs, aligned by what, on the left; the chosen channels on the right."""

    def __init__(self, overlay: Overlay) -> None:
        super().__init__()
        self.overlay = overlay
        self.setWindowTitle(f"{len(overlay.models)} runs over one another · benchkit dashboard")
        self.resize(1600, 900)
        self.align = QComboBox()
        self.align.setAccessibleName("Aligned by")
        self.align.addItems(overlay.events())
        self.align.setCurrentText(overlay.by)
        self.legend = QListWidget()
        self.legend.setAccessibleName("Runs")
        self.legend.setSelectionMode(QListWidget.SelectionMode.NoSelection)
        self.legend.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.legend.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.channels = QListWidget()
        self.channels.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.channels.setAccessibleName("Channels; Space shows or hides one")
        wanted = first_channels(overlay)
        for channel in overlay.channels():
            item = QListWidgetItem(f"{channel.label}, {channel.unit}")
            item.setData(Qt.ItemDataRole.UserRole, channel.name)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setCheckState(Qt.CheckState.Checked if channel.name in wanted else Qt.CheckState.Unchecked)
            self.channels.addItem(item)
        self.plots: dict[str, OverlayPlot] = {}
        self._grid = QGridLayout()
        self._grid.setSpacing(6)
        self._arrange()
        self.start_s, self.end_s = overlay.extent()
        self._is_drawing = False
        self._redraw = QTimer(self)
        self._redraw.setSingleShot(True)
        self._redraw.setInterval(_REDRAW_MS)
        self._redraw.timeout.connect(self.draw)
        self.align.currentTextChanged.connect(self.align_by)
        self.channels.itemChanged.connect(self._build)
        view = add_menu(self, "&View")
        view("Shorter", "+", lambda: self._zoom(-1))
        view("Longer", "-", lambda: self._zoom(1))
        view("Earlier", "Left", lambda: self._pan(-20.0))
        view("Later", "Right", lambda: self._pan(20.0))
        view("Everything", "Home", self.whole)
        view("Align by the next event", "A", self.next_event)
        add_window_menu(self, (("Space", "show or hide the channel that is chosen in the list"),))
        self._legend()
        self._build()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self._redraw.stop()
        self.overlay.close()
        super().closeEvent(event)

    @Slot(str)
    def align_by(self, event: str) -> None:
        """Put this event of every run at zero."""
        self.overlay.by = event
        self._legend()
        self.whole()

    @Slot()
    def next_event(self) -> None:
        """The next event to align by."""
        self.align.setCurrentIndex((self.align.currentIndex() + 1) % self.align.count())

    @Slot()
    def whole(self) -> None:
        """Show all of it."""
        self.start_s, self.end_s = self.overlay.extent()
        self._redraw.start()

    def shown_channels(self) -> list[str]:
        """Channels that have a plot."""
        items = (self.channels.item(i) for i in range(self.channels.count()))
        names = [x.data(Qt.ItemDataRole.UserRole) for x in items if x.checkState() is Qt.CheckState.Checked]
        return names[:MOST_PLOTS]

    @Slot()
    def draw(self) -> None:
        """Draw all plots at the present view."""
        self._is_drawing = True
        for name, plot in self.plots.items():
            points = self.overlay.view(name, self.start_s, self.end_s, plot.pixels())
            plot.show_points(points, self.start_s, self.end_s)
        self._is_drawing = False

    def resizeEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)  # type: ignore[arg-type]
        self._redraw.start()

    @Slot()
    def _build(self) -> None:
        names = self.shown_channels()
        for name in [n for n in self.plots if n not in names]:
            plot = self.plots.pop(name)
            self._grid.removeWidget(plot)
            plot.deleteLater()
        labels = {channel.name: f"{channel.label}, {channel.unit}" for channel in self.overlay.channels()}
        styles = [run.style for run in self.overlay.runs()]
        for i, name in enumerate(names):
            if name not in self.plots:
                plot = OverlayPlot(labels[name], styles)
                plot.item.vb.sigXRangeChanged.connect(self._range)
                self.plots[name] = plot
            self._grid.removeWidget(self.plots[name])
            across = 1 if len(names) < 3 else 2
            self._grid.addWidget(self.plots[name], i // across, i % across)
        self._redraw.start()

    @Slot(object, object)
    def _range(self, box: Any, limits: Any) -> None:  # noqa: ARG002 - pyqtgraph's signature
        if not self._is_drawing:
            self.start_s, self.end_s = float(limits[0]), float(limits[1])
            self._redraw.start()

    def _zoom(self, step: int) -> None:
        whole = self.overlay.extent()
        self.start_s, self.end_s = zoomed(self.start_s, self.end_s, 0.5 * (self.start_s + self.end_s), step, whole)
        self._redraw.start()

    def _pan(self, steps: float) -> None:
        edge = self.end_s if steps > 0.0 else self.start_s
        _, self.start_s, self.end_s = panned(edge, steps, self.start_s, self.end_s)
        self._redraw.start()

    def _legend(self) -> None:
        self.legend.clear()
        for run in self.overlay.runs():
            item = QListWidgetItem(run.text)
            swatch = QPixmap(36, 14)
            swatch.fill(colour(theme.PANEL))
            painter = QPainter(swatch)
            pen = line_pen(run.style)
            pen.setWidthF(2.0)
            painter.setPen(pen)
            painter.drawLine(0, 7, 36, 7)
            painter.end()
            item.setIcon(swatch)
            self.legend.addItem(item)

    def _arrange(self) -> None:
        left = QVBoxLayout()
        left.addWidget(heading("Runs"))
        self.legend.setIconSize(self.legend.iconSize().expandedTo(QPixmap(36, 14).size()))
        self.legend.setFixedHeight(min(66 * len(self.overlay.models) + 8, 300))
        left.addWidget(self.legend)
        left.addWidget(heading("Aligned by"))
        left.addWidget(self.align)
        left.addWidget(heading(f"Channels, {MOST_PLOTS} at most"))
        left.addWidget(self.channels, 1)
        side = QWidget()
        side.setLayout(left)
        side.setFixedWidth(LEFT_PX)
        body = QHBoxLayout()
        body.addWidget(side)
        body.addLayout(self._grid, 1)
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(8, 8, 8, 6)
        layout.addLayout(body, 1)
        layout.addWidget(soft(f"Time in min:s from the event at the dashed line. {ONE_LINE}"))
        self.setCentralWidget(holder)

    def say(self, text: str) -> None:
        """A line at the foot of the window."""
        self.statusBar().showMessage(text)
