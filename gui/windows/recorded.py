"""The window of a recorded run: the same panels, at the moment under the cursor, and stretches that are chosen."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path

from PySide6.QtCore import QModelIndex, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QFileDialog, QMainWindow, QTextBrowser

from benchkit.errors import BenchkitError
from gui.bridge.job import Job
from gui.state.browse import KEYS, panned, zoomed
from gui.state.events import flags
from gui.state.facts import facts_html
from gui.state.flag_lines import Jump
from gui.state.recorded import RecordedModel
from gui.state.stretch import AT_ONCE_ROWS, StretchResult, rows_in, stretch_result
from gui.state.wording import clock_tenths, span
from gui.widgets.stretch_marks import StretchMarks
from gui.widgets.trend_plot import FLAGS
from gui.windows.frame import Frame
from gui.windows.keys import bind_keys
from gui.windows.menus import add_menu, add_window_menu, show_keys
from gui.windows.stretch import StretchDialog

_REDRAW_MS = 40
_STRETCH_SHARE = 0.1
_AROUND_ROWS = 0.6
"""Time shown beside rows that were asked for, as a share of theirs, on either side."""


class RecordedWindow(QMainWindow):
    """Trends over the whole run or a part of it; values, margins and powers at the cursor.

    ``results_asked`` and ``overlay_asked`` name this run for another window.
    """

    results_asked = Signal(object)
    overlay_asked = Signal(object)

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
            F1=partial(show_keys, self, KEYS),
            Home=self._whole,
            Left=partial(step, -1.0),
            Right=partial(step, 1.0),
            Shift_Left=partial(step, -10.0),
            Shift_Right=partial(step, 10.0),
        )
        self._make_menus()
        self.stretch: tuple[float, float] | None = None
        self.dialog: StretchDialog | None = None
        self.marks = StretchMarks(self)
        self.marks.changed.connect(self.set_stretch)
        self.job = Job(self)
        self.job.told.connect(self.say)
        self.job.failed.connect(self.say)
        self.job.done.connect(self._job_done)
        self.frame.events.show_log(model.log)
        self.draw()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self._redraw.stop()
        self.job.end()
        self.model.close()
        super().closeEvent(event)

    @Slot()
    def draw(self) -> None:
        """Draw everything at the present view and cursor."""
        trends = self.frame.trends
        trends.blockSignals(True)
        trends.draw(self.model, self.start_s, self.end_s)
        trends.blockSignals(False)
        trends.show_flags(flags(list(self.model.log.lines), self.start_s, self.end_s, FLAGS))
        trends.show_cursor(self.model.cursor_s)
        self.marks.show(trends.plots(), self.stretch)
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

    # ------------------------------------------------------------------------------------------ stretches
    @Slot(float, float)
    def set_stretch(self, start_s: float, end_s: float) -> None:
        """Choose what lies between two run times."""
        model = self.model
        start_s, end_s = (min(max(x, model.start_s), model.end_s) for x in sorted((start_s, end_s)))
        self.stretch = (start_s, end_s)
        where = f"{clock_tenths(start_s)} … {clock_tenths(end_s)}"
        self.say(f"Stretch {where}, {span(end_s - start_s)}: P averages it, Ctrl+E exports it, Esc lets go of it.")
        self._redraw.start()

    @Slot()
    def begin_stretch(self) -> None:
        """Let the stretch begin at the cursor."""
        end_s = self.stretch[1] if self.stretch is not None else math.nan
        if not end_s > self.model.cursor_s:
            end_s = self.model.cursor_s + _STRETCH_SHARE * (self.end_s - self.start_s)
        self.set_stretch(self.model.cursor_s, end_s)

    @Slot()
    def end_stretch(self) -> None:
        """Let the stretch end at the cursor."""
        start_s = self.stretch[0] if self.stretch is not None else math.nan
        if not start_s < self.model.cursor_s:
            start_s = self.model.cursor_s - _STRETCH_SHARE * (self.end_s - self.start_s)
        self.set_stretch(start_s, self.model.cursor_s)

    @Slot()
    def drop_stretch(self) -> None:
        """Let go of the stretch."""
        self.stretch = None
        self.say("")
        self._redraw.start()

    @Slot()
    def zoom_to_stretch(self) -> None:
        """Show the stretch alone."""
        if self._has_stretch() and self.stretch is not None:
            self.start_s, self.end_s = self.stretch
            self._redraw.start()

    @Slot()
    def average(self) -> None:
        """The operating point of the stretch, in a dialog; a long one is worked out in a process of its own."""
        if not self._has_stretch() or self.stretch is None:
            return
        if rows_in(self.model, *self.stretch) > AT_ONCE_ROWS:
            self.job.start("stretch", self.model.path, *self.stretch)
            return
        try:
            self._job_done(stretch_result(self.model, *self.stretch))
        except BenchkitError as error:
            self.say(str(error))

    @Slot()
    def ask_export(self) -> None:
        """Ask for a folder, and export the stretch (or the whole run) there as CSV."""
        dialog = QFileDialog(self, "Folder for the export", str(self.model.path.parent))
        dialog.setFileMode(QFileDialog.FileMode.Directory)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda name: self.export(Path(name)))
        dialog.open()

    def export(self, folder: Path) -> None:
        """Export the stretch, or the whole run where none is chosen."""
        start_s, end_s = self.stretch if self.stretch is not None else (None, None)
        self.job.start("export", self.model.path, folder, start_s, end_s, ())

    def show_rows(self, jump: Jump) -> None:
        """Show rows of a stream: they become the stretch, with some time on either side."""
        times = self.model.times_of(jump.stream, jump.row_start, jump.row_stop)
        if times is None:
            self.say(f"This run has no such rows: {jump.stream}, {jump.row_start} … {jump.row_stop - 1}.")
            return
        start_s, end_s = times
        beside = max(_AROUND_ROWS * (end_s - start_s), 1.0)
        self.start_s = max(start_s - beside, self.model.start_s)
        self.end_s = min(end_s + beside, self.model.end_s)
        self.set_stretch(start_s, end_s)
        self.say(f"Rows {jump.row_start} … {jump.row_stop - 1} of {jump.stream}.")
        self.move_cursor(start_s)

    @Slot(str)
    def say(self, text: str) -> None:
        """A line at the foot of the window."""
        self.statusBar().showMessage(text)

    @Slot(object)
    def _job_done(self, found: object) -> None:
        if isinstance(found, StretchResult):
            self.say("")
            self.dialog = StretchDialog(self, found)
            self.dialog.show()
        else:
            self.say(f"Written: {found}")

    def _has_stretch(self) -> bool:
        if self.stretch is None:
            self.say("No stretch is chosen: [ begins one at the cursor, ] ends it there.")
        return self.stretch is not None

    def _make_menus(self) -> None:
        run = add_menu(self, "&Run")
        run("Results of this run", "Ctrl+R", lambda: self.results_asked.emit((self.model.path,)))
        run("Lay over other runs …", "Ctrl+L", lambda: self.overlay_asked.emit((self.model.path,)))
        run("Export as CSV …", "Ctrl+E", self.ask_export)
        stretch = add_menu(self, "&Stretch")
        stretch("Begin at the cursor", "[", self.begin_stretch)
        stretch("End at the cursor", "]", self.end_stretch)
        stretch("Operating point", "P", self.average)
        stretch("Zoom to it", "Z", self.zoom_to_stretch)
        stretch("Let go of it", "Esc", self.drop_stretch)
        add_window_menu(self, KEYS, are_bound=True)
