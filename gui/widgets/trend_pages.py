"""Six plots at a time, and the pages of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from benchkit.model.limits import Limit
from benchkit.model.stand import Stand
from gui.state import theme
from gui.state.events import Flag
from gui.state.picture import Model, Moment
from gui.state.theme import Tone
from gui.state.trends import TrendGroup, as_drawn, banded, pages, trend_groups
from gui.state.wording import span
from gui.widgets.look import block
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
        self._is_narrow = self._is_held = False
        self._holders: list[QWidget] = []
        self._stack = QStackedWidget()
        self._where = QLabel()
        self._where.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
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

    def build(self, stand: Stand, hidden: Collection[str] = (), page: int = 0) -> None:
        """Take a stand, without some channels; the plots of a page are made when it is first shown, once."""
        for old in self._holders:
            self._stack.removeWidget(old)
            old.deleteLater()
        self._groups = pages(trend_groups(stand, hidden))
        self._pages = [[] for _ in self._groups]
        self._holders = [QWidget() for _ in self._groups]
        for holder in self._holders:
            self._stack.addWidget(holder)
        page = min(page, len(self._groups) - 1)
        self._fill(page)
        self._stack.setCurrentIndex(page)

    def _fill(self, number: int) -> None:
        holder, page = self._holders[number], self._groups[number]
        if self._pages[number]:
            return
        grid = QGridLayout(holder)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(4)
        plots = [TrendPlot(group, browsable=self._browsable) for group in page]
        for plot in plots:
            plot.setParent(holder)  # also those that are not shown now
            plot.let_browse(browsable=self._is_held or self._browsable)
            plot.range_changed.connect(self.range_changed)
            plot.cursor_asked.connect(self.cursor_asked)
        for row in range(_DOWN):
            grid.setRowStretch(row, 1)
        grid.setColumnStretch(0, 1)
        self._pages[number] = plots
        self._arrange(number)
        self._tell_where()

    def set_narrow(self, *, is_narrow: bool) -> None:
        """Show one column of plots in place of two; the pages stay as they are."""
        if is_narrow is not self._is_narrow:
            self._is_narrow = is_narrow
            for number in range(len(self._pages)):
                self._arrange(number)

    def _arrange(self, number: int) -> None:
        """Two columns of three plots, or one column of the first three; their texts of time stand at the bottom."""
        plots = self._pages[number]
        grid = self._holders[number].layout()
        if not plots or not isinstance(grid, QGridLayout):
            return
        across = 1 if self._is_narrow else _ACROSS
        shown = plots[: across * _DOWN]
        for i, plot in enumerate(plots):
            plot.setVisible(i < len(shown))
            if i < len(shown):
                grid.addWidget(plot, i // across, i % across)
                plot.show_time_axis(visible=i + across >= len(shown))
        grid.setColumnStretch(1, 0 if self._is_narrow else 1)

    def set_held(self, *, is_held: bool) -> None:
        """Held trends can be panned and zoomed with the mouse, and say that they stand still."""
        self._is_held = is_held
        for page in self._pages:
            for plot in page:
                plot.let_browse(browsable=is_held or self._browsable)
        self._tell_where()

    def show_cursors(self, cursors: Sequence[tuple[float, str]]) -> None:
        """Cursors in every plot; none takes them away."""
        for plot in self.plots():
            plot.show_cursors(cursors)

    def show_limits(self, limits: Sequence[Limit]) -> None:
        """The set points in force."""
        for plot in self.plots():
            names = {t.channel.name for t in plot.group.traces}
            plot.show_limits([drawn for x in limits if x.channel in names for drawn in as_drawn(x)])

    def page(self) -> int:
        """Number of the page shown, from 0."""
        return self._stack.currentIndex()

    def pixels(self) -> int:
        """Pixel columns of the plots, which are all of one width."""
        return next((plot.pixels() for plot in self.plots()), 1)

    def plots(self) -> Sequence[TrendPlot]:
        """Plots of the page that is shown."""
        if not self._pages:
            return ()
        return self._pages[self._stack.currentIndex()][: _DOWN if self._is_narrow else _ACROSS * _DOWN]

    def draw(self, model: Model, start_s: float, end_s: float) -> None:
        """Draw the shown page between two times."""
        if abs(end_s - start_s - self._span_s) > 1e-6:
            self._span_s = end_s - start_s
            self._tell_where()
        plots = self.plots()
        names = list(dict.fromkeys(t.channel.name for plot in plots for t in plot.group.traces))
        points = model.view(names, start_s, end_s, self.pixels())
        for plot in plots:
            plot.show_points(points, start_s, end_s)

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
        held = "HELD (H follows) · " if self._is_held else ""
        self._where.setText(f"{held}Trends over {span(self._span_s)} · {page}")
        self._where.setToolTip("Run time in min:s. Held trends stand still; the recording goes on.")
        self._where.setStyleSheet(f"{block(theme.TONES[Tone.CAUTION if self._is_held else Tone.SOFT])}")
        self._where.setAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
