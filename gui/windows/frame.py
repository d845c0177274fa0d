"""The common frame of the live and the recorded window, and how a moment is shown in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QVBoxLayout, QWidget

from benchkit.model.cautions import ONE_LINE
from gui.state import theme
from gui.state.bars import bars, keep_order
from gui.state.explanations import short_text
from gui.state.picture import Moment
from gui.widgets.event_table import EventTable
from gui.widgets.margin_bars import MarginBars
from gui.widgets.power_ribbon import PowerRibbon
from gui.widgets.state_line import StateLine
from gui.widgets.trend_pages import TrendPages

LEFT_PX = 352
_ON_THE_RIBBON = (
    "DC link power", "Shaft power", "Efficiencies and losses", "± at an efficiency", "Ideal thrust power",
)  # fmt: skip
_ON_THE_MARGINS = ("Margin", "Time to the limit")
_BAR_PX = 26


@dataclass(frozen=True, slots=True)
class _Heights:
    """Heights of the parts that do not stretch, in pixels."""

    state_line: int
    ribbon: int
    bottom: int


_ROOMY, _SMALL = _Heights(100, 164, 168), _Heights(88, 132, 132)
_ROOMY_FROM_PX = 840


class Frame(QWidget):
    """State line, power path, margins and trends, a corner and the events, cautions."""

    def __init__(self, corner: QWidget, *, browsable: bool) -> None:
        super().__init__()
        self.state_line = StateLine()
        self.ribbon = PowerRibbon()
        self.margins = MarginBars()
        self.trends = TrendPages(browsable=browsable)
        self.events = EventTable()
        self.cautions = QLabel(ONE_LINE)
        self.cautions.setWordWrap(True)
        self.cautions.setAccessibleName("Cautions")
        self.cautions.setStyleSheet(f"border-top: 1px solid {theme.RULE}; padding-top: 3px;")
        self.ribbon.setToolTip(short_text(*_ON_THE_RIBBON))
        self.margins.setToolTip(short_text(*_ON_THE_MARGINS))
        self.state_line.link.setToolTip(short_text("STALE, LATE, NO RECORDER"))
        self.margins.setFixedWidth(LEFT_PX)
        corner.setFixedWidth(LEFT_PX)
        self._corner = corner
        grid = QGridLayout()
        grid.setSpacing(8)
        grid.addWidget(self.margins, 0, 0)
        grid.addWidget(self.trends, 0, 1)
        grid.addWidget(corner, 1, 0)
        self._bottom = QVBoxLayout()
        self._bottom.setSpacing(4)
        self._bottom.addWidget(self.events)
        grid.addLayout(self._bottom, 1, 1)
        grid.setColumnStretch(1, 1)
        self._grid = grid
        grid.setRowStretch(0, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 8, 8, 6)
        layout.setSpacing(8)
        layout.addWidget(self.state_line)
        layout.addWidget(self.ribbon)
        layout.addLayout(grid, 1)
        layout.addWidget(self.cautions)
        self._column = layout
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._order: Sequence[str] = ()
        self._bar_px = 0
        self._set_heights(_ROOMY)

    def add_bar(self, bar: QWidget) -> None:
        """A line of buttons over the events."""
        bar.setFixedHeight(_BAR_PX)
        self._bar_px = _BAR_PX + 4
        self._bottom.insertWidget(0, bar)
        self._set_heights(_ROOMY)

    def add_top(self, bar: QWidget) -> None:
        """A line under the state line, for a question."""
        self._column.insertWidget(1, bar)

    def add_drawer(self, drawer: QWidget) -> None:
        """A place for panels right of trends and events."""
        self._grid.addWidget(drawer, 0, 2, 2, 1)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)
        self._set_heights(_ROOMY if self.height() >= _ROOMY_FROM_PX else _SMALL)

    def _set_heights(self, heights: _Heights) -> None:
        self.state_line.setFixedHeight(heights.state_line)
        self.ribbon.setFixedHeight(heights.ribbon)
        self._corner.setFixedHeight(heights.bottom)
        self.events.setFixedHeight(heights.bottom - self._bar_px)

    def show_moment(self, moment: Moment, where: str, *, resort: bool) -> None:
        """Show values, margins and powers; bars change places only where ``resort`` says so."""
        if resort:
            self._order = [m.channel.name for m in moment.margins]
        self.ribbon.show_path(moment.power, moment.age_s if moment.is_power_stale else None, where)
        self.margins.show_bars(bars(keep_order(moment.margins, self._order), moment.stale))
        self.trends.show_moment(moment, self._order)
