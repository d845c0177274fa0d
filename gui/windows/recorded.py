"""The window of a recorded run: the same panels, at the moment under the cursor."""

from __future__ import annotations

import math
from functools import partial

from PySide6.QtCore import QModelIndex, QTimer, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QMainWindow, QTextBrowser

from gui.state.browse import panned, zoomed
from gui.state.events import flags
from gui.state.facts import facts_html
from gui.state.recorded import RecordedModel
from gui.state.wording import clock_tenths
from gui.widgets.trend_plot import FLAGS
from gui.windows.frame import Frame
from gui.windows.keys import bind_keys

_REDRAW_MS = 40


class RecordedWindow(QMainWindow):
    """Trends over the whole run or a part of it; values, margins and powers at the cursor."""

    def __init__(self, model: RecordedModel) -> None:
        super().__init__()
        self.model = model
        self.setWindowTitle(f"{model.header.run_id} · recorded · benchkit dashboard")
        self.resize(1600, 900)
        self.facts = QTextBrowser()
        self.facts.setAccessibleName("Header of the run")
        self.facts.setHtml(facts_html(model.stand, model.header))
        self.frame = Frame(self.facts, browsable=True)
        self.setCentralWidget(self.frame)
        self.start_s, self.end_s = model.start_s, model.end_s
        self._redraw = QTimer(self)
        self._redraw.setSingleShot(True)
        self._redraw.setInterval(_REDRAW_MS)
        self._redraw.timeout.connect(self.draw)
        trends = self.frame.trends
        trends.build(model.stand)
        trends.range_changed.connect(self._range)
        trends.cursor_asked.connect(self.move_cursor)
        trends.zoom_asked.connect(self._zoom)
        self.frame.events.activated.connect(self._to_event)
        self.frame.events.clicked.connect(self._to_event)
        step = self._step
        bind_keys(
            self,
            trends,
            Home=self._whole,
            Left=partial(step, -1.0),
            Right=partial(step, 1.0),
            Shift_Left=partial(step, -10.0),
            Shift_Right=partial(step, 10.0),
        )
        self.frame.events.show_log(model.log)
        self.draw()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self._redraw.stop()
        self.model.close()
        super().closeEvent(event)

    @Slot()
    def draw(self) -> None:
        """Draw everything at the present view and cursor."""
        trends = self.frame.trends
        trends.blockSignals(True)
        trends.draw(self.model, self.start_s, self.end_s, pin_x=True)
        trends.blockSignals(False)
        trends.show_flags(flags(list(self.model.log.lines), self.start_s, self.end_s, FLAGS))
        trends.show_cursor(self.model.cursor_s)
        self.frame.state_line.show_headline(self.model.headline(0.0))
        where = f"at the cursor, {clock_tenths(self.model.cursor_s)}"
        self.frame.show_moment(self.model.moment(0.0), where, resort=True)

    @Slot(float)
    def move_cursor(self, time_s: float) -> None:
        """Put the cursor at a run time and show that moment."""
        self.model.move_cursor(time_s)
        self._redraw.start()

    def resizeEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)  # type: ignore[arg-type]
        self._redraw.start()

    @Slot()
    def _whole(self) -> None:
        self.start_s, self.end_s = self.model.start_s, self.model.end_s
        self._redraw.start()

    def _step(self, steps: float) -> None:
        cursor_s, self.start_s, self.end_s = panned(self.model.cursor_s, steps, self.start_s, self.end_s)
        self.move_cursor(cursor_s)

    @Slot(int)
    def _zoom(self, step: int) -> None:
        self.start_s, self.end_s = zoomed(
            self.start_s, self.end_s, self.model.cursor_s, step, (self.model.start_s, self.model.end_s)
        )
        self._redraw.start()

    @Slot(float, float)
    def _range(self, start_s: float, end_s: float) -> None:
        if math.isfinite(start_s) and math.isfinite(end_s):
            self.start_s, self.end_s = start_s, end_s
        self._redraw.start()

    @Slot(QModelIndex)
    def _to_event(self, index: QModelIndex) -> None:
        self.move_cursor(self.frame.events.lines.line(index.row()).time_s)
