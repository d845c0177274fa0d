"""The window of results: what the report says of some runs, to look into. Worked out in a process of its own."""

from __future__ import annotations

from html import escape
from pathlib import Path

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import (
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QMainWindow,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from benchkit.errors import BenchkitError
from benchkit.model.cautions import ONE_LINE
from benchkit.report.figure_files import SUFFIXES, write_figure
from benchkit.report.model import Table
from gui.bridge.job import Job
from gui.state import theme
from gui.state.result_pages import Drawn, Page, Results, help_lines
from gui.widgets.field_view import FieldView
from gui.widgets.report_blocks import Picture, flag_table, heading, soft, table_panel, text_panel
from gui.windows.menus import add_menu, add_window_menu

LEFT_PX = 250
FIELD_PX = 470


class ResultsWindow(QMainWindow):
    """Pages on the left, what they say on the right. ``rows_asked`` names rows to be looked at in the recorded view."""

    rows_asked = Signal(object)

    def __init__(self, job: str, *arguments: object) -> None:
        super().__init__()
        self.setWindowTitle("Results · benchkit dashboard")
        self.resize(1600, 900)
        self._job_name, self._arguments = job, arguments
        self.results: Results | None = None
        self._holders: dict[int, QWidget] = {}
        self.fields: list[FieldView] = []
        self.pages = QListWidget()
        self.pages.setAccessibleName("Results")
        self.pages.setFixedWidth(LEFT_PX)
        self.pages.currentRowChanged.connect(self._show_page)
        self.stack = QStackedWidget()
        self.message = QLabel()
        self.message.setStyleSheet("font-size: 16px; padding: 4px 0;")
        self.message.setWordWrap(True)
        self.message.setAccessibleName("What is being done")
        self.head = QLabel()
        self.head.setStyleSheet("font-size: 20px; font-weight: bold;")
        self.simulated = QLabel()
        self.simulated.setWordWrap(True)
        pair = theme.TONES[theme.Tone.CAUTION]
        self.simulated.setStyleSheet(f"color: {pair.text}; background: {pair.ground}; padding: 4px;")
        self.simulated.hide()
        self.job = Job(self)
        self.job.told.connect(self.say)
        self.job.done.connect(self._take)
        self.job.failed.connect(self.say)
        self.writer = Job(self)
        self.writer.told.connect(self.say)
        self.writer.failed.connect(self.say)
        self.writer.done.connect(self._written)
        self._duty: Path | None = None
        self._arrange()
        figure = add_menu(self, "&Figure")
        figure("Save as …", "Ctrl+S", self.save_figure)
        result = add_menu(self, "&Result")
        result("What is this?", "F2", self.show_help)
        result("With a duty …", "Ctrl+U", self.choose_duty)
        result("Write as a page …", "Ctrl+P", self.ask_report)
        result("Next", "PgDown", self.next_page)
        result("Previous", "PgUp", self.previous_page)
        add_window_menu(self, (("Arrow keys", "cursor of a map that has the focus"),))
        self.again()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self.job.end()
        self.writer.end()
        super().closeEvent(event)

    def again(self) -> None:
        """Work it out (again)."""
        self.say("Starting …")
        more = () if self._duty is None else (self._duty,)
        self.job.start(self._job_name, *self._arguments, *more)

    def page(self) -> Page | None:
        """The page that is shown."""
        row = self.pages.currentRow()
        return self.results.pages[row] if self.results is not None and row >= 0 else None

    def open_page(self, page_id: str) -> bool:
        """Show the page with this id; False where there is none."""
        for row, page in enumerate(self.results.pages if self.results is not None else ()):
            if page.id == page_id:
                self.pages.setCurrentRow(row)
                return True
        return False

    @Slot()
    def next_page(self) -> None:
        """The next result."""
        self.pages.setCurrentRow(min(self.pages.currentRow() + 1, self.pages.count() - 1))

    @Slot()
    def previous_page(self) -> None:
        """The previous result."""
        self.pages.setCurrentRow(max(self.pages.currentRow() - 1, 0))

    @Slot()
    def show_help(self) -> QDialog | None:
        """What the things on the page are, their equations and sources."""
        page = self.page()
        if page is None:
            return None
        dialog = QDialog(self)
        dialog.setWindowTitle(f"{page.title}: what it is and how it is made")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.resize(760, 640)
        text = QTextBrowser()
        text.setHtml(
            "".join(
                f"<p><b>{escape(name)}</b><br>{escape(what)}"
                + (f"<br><span style='color:{theme.INK_SOFT}'>Source: {escape(source)}</span>" if source else "")
                + "</p>"
                for name, what, source in help_lines(page)
            )
            or "<p>No equation stands behind this page.</p>"
        )
        QVBoxLayout(dialog).addWidget(text)
        dialog.show()
        return dialog

    @Slot()
    def save_figure(self) -> None:
        """Ask for a file, and write the figure of the page to it; of several, one that is chosen by its button."""
        page = self.page()
        if page is None or not page.figures:
            self.say("This page has no figure.")
            return
        self.ask_and_save(page.figures[0])

    def ask_and_save(self, drawn: Drawn) -> None:
        """Ask for a file: its suffix says whether it is drawn or its numbers are written."""
        kinds = "Drawing, vector (*.svg);;Drawing, pixels (*.png);;Numbers (*.csv)"
        dialog = QFileDialog(self, "Save figure", f"{drawn.spec.id}.svg", kinds)
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda name: self.save_as(drawn, Path(name)))
        dialog.open()

    def save_as(self, drawn: Drawn, path: Path) -> None:
        """Write a figure: ``.svg``, ``.png`` or ``.csv``."""
        try:
            write_figure(drawn.spec, path)
        except BenchkitError as error:
            self.say(str(error))
        else:
            self.say(f"Written: {path}")

    @Slot()
    def choose_duty(self) -> None:
        """Ask for a duty, and put it over the maps."""
        dialog = QFileDialog(self, "Duty: loads with their times", "", "Duty (*.csv *.toml)")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda name: self.take_duty(Path(name)))
        dialog.open()

    def take_duty(self, path: Path) -> None:
        """Put a duty over the maps."""
        if self._job_name != "results":
            self.say("A duty belongs to the results of runs, not to a comparison.")
            return
        self._duty = path
        self.again()

    @Slot()
    def ask_report(self) -> None:
        """Ask for a file, and write all of this as one page."""
        dialog = QFileDialog(self, "Write as a page", "report.html", "Page (*.html)")
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda name: self.write_report(Path(name)))
        dialog.open()

    def write_report(self, path: Path) -> None:
        """Write all of this as one page, in a process of its own."""
        if self._job_name == "comparison":
            self.writer.start("comparison_report", *self._arguments, path)
        else:
            self.writer.start("report", *self._arguments, self._duty, path)

    @Slot(str)
    def say(self, text: str) -> None:
        """Show a message until the next one."""
        self.message.setText(text)
        self.message.setVisible(bool(text))

    @Slot(object)
    def _take(self, results: Results) -> None:
        before = self.page()
        self.results = results
        self.message.hide()
        self.head.setText(results.title)
        self.simulated.setText("\n".join(results.simulated))
        self.simulated.setVisible(bool(results.simulated))
        self.setWindowTitle(f"{results.title} · benchkit dashboard")
        for holder in self._holders.values():
            self.stack.removeWidget(holder)
            holder.deleteLater()
        self._holders, self.fields = {}, []
        self.pages.blockSignals(True)
        self.pages.clear()
        self.pages.addItems([page.title for page in results.pages])
        self.pages.blockSignals(False)
        if before is None or not self.open_page(before.id):
            self.pages.setCurrentRow(0)

    @Slot(object)
    def _written(self, path: Path) -> None:
        self.say(f"Written: {path}")

    @Slot(int)
    def _show_page(self, row: int) -> None:
        if self.results is None or row < 0:
            return
        if row not in self._holders:
            self._holders[row] = self._built(self.results.pages[row])
            self.stack.addWidget(self._holders[row])
        self.stack.setCurrentWidget(self._holders[row])

    def _built(self, page: Page) -> QWidget:
        inner = QWidget()
        layout = QVBoxLayout(inner)
        layout.setContentsMargins(4, 0, 14, 8)
        layout.setSpacing(8)
        title = QHBoxLayout()
        title.addWidget(heading(page.title), 1)
        button = QPushButton("What is this? (F2)")
        button.clicked.connect(self.show_help)
        title.addWidget(button)
        layout.addLayout(title)
        for text in (block for block in page.blocks if not isinstance(block, Table)):
            layout.addWidget(text_panel(text))
        for drawn in page.figures:
            layout.addWidget(self._figure(drawn))
        if page.flags:
            flags = flag_table(page.flags)
            flags.opened.connect(self._open_flag)
            flags.setMinimumHeight(min(flags.sizeHint().height(), 420))
            layout.addWidget(flags)
            layout.addWidget(soft("Enter on a line with rows shows them in the recorded view."))
        for table in (block for block in page.blocks if isinstance(block, Table)):
            layout.addWidget(table_panel(table))
        layout.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setFrameShape(QScrollArea.Shape.NoFrame)
        area.setWidget(inner)
        return area

    def _figure(self, drawn: Drawn) -> QWidget:
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(0, 0, 0, 8)
        row = QHBoxLayout()
        row.addWidget(heading(drawn.spec.title), 1)
        button = QPushButton(f"Save as {', '.join(s[1:].upper() for s in SUFFIXES)} …")
        button.clicked.connect(lambda: self.ask_and_save(drawn))
        row.addWidget(button)
        layout.addLayout(row)
        if drawn.field is not None:
            view = FieldView(drawn.field)
            view.setFixedHeight(FIELD_PX)
            self.fields.append(view)
            layout.addWidget(view)
        else:
            layout.addWidget(Picture(drawn.png, drawn.spec.title, drawn.spec.description))
        layout.addWidget(soft(drawn.spec.description))
        return holder

    @Slot(int)
    def _open_flag(self, row: int) -> None:
        page = self.page()
        if page is None or row >= len(page.flags):
            return
        jump = page.flags[row].jump
        if jump is None:
            self.say("This flag is not about rows.")
        else:
            self.rows_asked.emit(jump)

    def _arrange(self) -> None:
        cautions = soft(ONE_LINE)
        body = QHBoxLayout()
        body.setSpacing(8)
        body.addWidget(self.pages)
        body.addWidget(self.stack, 1)
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(8, 8, 8, 6)
        layout.addWidget(self.head)
        layout.addWidget(self.simulated)
        layout.addWidget(self.message)
        layout.addLayout(body, 1)
        layout.addWidget(cautions)
        self.setCentralWidget(holder)
