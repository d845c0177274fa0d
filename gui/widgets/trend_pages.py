"""Six plots at a time, and the pages of them."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QStackedWidget, QVBoxLayout, QWidget

from benchkit.model.stand import Stand
from gui.state import theme
from gui.state.events import Flag
from gui.state.picture import Model, Moment
from gui.state.trends import TrendGroup, banded, pages, trend_groups
from gui.state.wording import span
from gui.widgets.trend_plot import FLAGS, TrendPlot

_ACROSS, _DOWN = 2, 3


class TrendPages(QWidget):
    """Trends grouped by quantity, two columns, three rows; Page Down shows the next six."""

    range_changed = Signal(float, float)
    cursor_asked = Signal(float)
    zoom_asked = Signal(int)

    def __init__(self, *, browsable: bool) -> None:
        super().__init__()
        self._browsable = browsable
        self._groups: tuple[tuple[TrendGroup, ...], ...] = ()
        self._pages: list[list[TrendPlot]] = []
        self._span_s = 0.0
        self._holders: list[QWidget] = []
        self._stack = QStackedWidget()
        self._where = QLabel()
        self._where.setStyleSheet(f"color: {theme.INK_SOFT};")
        bar = QHBoxLayout()
        bar.setContentsMargins(0, 0, 0, 0)
        bar.addWidget(self._where, 1)
        for text, tip, slot in (
            ("Shorter", "shorter time on the trends (+)", self.zoom_in),
            ("Longer", "longer time on the trends (−)", self.zoom_out),
            ("Previous page", "Page Up", self.previous_page),
            ("Next page", "Page Down", self.next_page),
        ):
            button = QPushButton(text)
            button.setToolTip(tip)
            button.setStyleSheet("padding: 1px 8px;")
            button.clicked.connect(slot)
            bar.addWidget(button)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(3)
        layout.addLayout(bar)
        layout.addWidget(self._stack, 1)

    def build(self, stand: Stand) -> None:
        """Take a stand; the plots of a page are made when it is first shown, once."""
        for old in self._holders:
            self._stack.removeWidget(old)
            old.deleteLater()
        self._groups = pages(trend_groups(stand))
        self._pages = [[] for _ in self._groups]
        self._holders = [QWidget() for _ in self._groups]
        for holder in self._holders:
            self._stack.addWidget(holder)
        self._fill(0)

    def _fill(self, number: int) -> None:
        holder, page = self._holders[number], self._groups[number]
        if self._pages[number]:
            return
        grid = QGridLayout(holder)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(4)
        plots = [TrendPlot(group, browsable=self._browsable) for group in page]
        for i, plot in enumerate(plots):
            grid.addWidget(plot, i // _ACROSS, i % _ACROSS)
            plot.show_time_axis(visible=i + _ACROSS >= len(plots))
            plot.range_changed.connect(self.range_changed)
            plot.cursor_asked.connect(self.cursor_asked)
        for row in range(_DOWN):
            grid.setRowStretch(row, 1)
        for column in range(_ACROSS):
            grid.setColumnStretch(column, 1)
        self._pages[number] = plots
        self._tell_where()

    def page(self) -> int:
        """Number of the page shown, from 0."""
        return self._stack.currentIndex()

    def pixels(self) -> int:
        """Pixel columns of the plots, which are all of one width."""
        return self.plots()[0].pixels() if self.plots() else 1

    def plots(self) -> Sequence[TrendPlot]:
        """Plots of the page that is shown."""
        return self._pages[self._stack.currentIndex()] if self._pages else ()

    def draw(self, model: Model, start_s: float, end_s: float, *, pin_x: bool) -> None:
        """Draw the shown page between two times."""
        if abs(end_s - start_s - self._span_s) > 1e-6:
            self._span_s = end_s - start_s
            self._tell_where()
        for plot in self.plots():
            names = [t.channel.name for t in plot.group.traces]
            points = model.view(names, start_s, end_s, plot.pixels())
            plot.show_points(points, start_s, end_s, pin_x=pin_x)

    def show_moment(self, moment: Moment, order: Sequence[str]) -> None:
        """Present values, and the bands of each plot's first to trip."""
        for plot in self.plots():
            names = {t.channel.name for t in plot.group.traces}
            plot.show_values(moment.values, moment.age_s if names & moment.stale else None)
            plot.show_lead(banded(plot.group.limits, order))

    def show_flags(self, flags: Sequence[Flag]) -> None:
        """Upright lines at events."""
        for plot in self.plots():
            plot.show_flags(flags[:FLAGS])

    def show_cursor(self, time_s: float) -> None:
        """The cursor of a recorded run, in every plot."""
        for plot in self.plots():
            plot.show_cursor(time_s)

    @Slot()
    def zoom_in(self) -> None:
        """Ask for a shorter view."""
        self.zoom_asked.emit(-1)

    @Slot()
    def zoom_out(self) -> None:
        """Ask for a longer view."""
        self.zoom_asked.emit(1)

    @Slot()
    def next_page(self) -> None:
        """The next six plots; after the last page comes the first."""
        self._turn(1)

    @Slot()
    def previous_page(self) -> None:
        """The previous six plots."""
        self._turn(-1)

    def _turn(self, step: int) -> None:
        if self._pages:
            number = (self._stack.currentIndex() + step) % len(self._pages)
            self._fill(number)
            self._stack.setCurrentIndex(number)
            self._tell_where()
            self.range_changed.emit(float("nan"), float("nan"))

    def _tell_where(self) -> None:
        page = f"page {self._stack.currentIndex() + 1} of {max(len(self._pages), 1)}"
        self._where.setText(f"Trends over {span(self._span_s)}, run time in min:s · {page}")
        self._where.setAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
