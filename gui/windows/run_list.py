"""The runs of a folder: found by words and conditions, opened, laid over one another, analysed, compared."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMainWindow,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from benchkit.campaign.entry import Entry, State
from benchkit.model.cautions import ONE_LINE
from gui.bridge.catalogue import CatalogueWatch
from gui.bridge.job import Job
from gui.state import theme
from gui.state.flag_book import FlagBook, FlagCount
from gui.state.overlay import MOST_RUNS
from gui.state.run_list import FlagWish, RunRow, Wish, chosen, rows_of, sides, values_of
from gui.widgets.report_blocks import soft
from gui.widgets.run_table import RunTable
from gui.windows.menus import add_menu, add_window_menu


class RunListWindow(QMainWindow):
    """What is asked for is told by signals: another opens the windows.

    ``live_asked`` and ``run_asked`` carry a path, ``overlay_asked`` and ``results_asked`` a tuple of paths,
    ``comparison_asked`` both sides, ``stand_asked`` the path of a profile.
    """

    live_asked = Signal(object)
    run_asked = Signal(object)
    overlay_asked = Signal(object)
    results_asked = Signal(object)
    comparison_asked = Signal(object, object)
    stand_asked = Signal(object)

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.setWindowTitle(f"Runs in {folder} · benchkit dashboard")
        self.resize(1440, 720)
        self._folder = folder
        self._entries: list[Entry] = []
        self._live: dict[str, Path] = {}
        self._was_found = False
        self.book = FlagBook(folder)
        self.table = RunTable()
        self.table.opened.connect(self.open_row)
        self.words = _line("Words", "any words of the list, such as: heron trip")
        self.article = _choice("Article")
        self.firmware = _choice("Firmware")
        self.propeller = _choice("Propeller")
        self.first_day = _line("From day", "2026-03-01")
        self.last_day = _line("To day", "2026-03-31")
        self.flags = QComboBox()
        self.flags.setAccessibleName("Open flags")
        self.flags.addItems([wish.value for wish in FlagWish])
        self.message = QLabel("Looking through the folder …")
        self.message.setWordWrap(True)
        self.message.setAccessibleName("Message")
        self.count = soft("")
        self.buttons: dict[str, QPushButton] = {}
        self._arrange()
        for edit in (self.words, self.first_day, self.last_day):
            edit.textChanged.connect(self.show_chosen)
        for combo in (self.article, self.firmware, self.propeller):
            combo.currentTextChanged.connect(self.show_chosen)
        self.flags.currentTextChanged.connect(self.show_chosen)
        self._make_menus()
        self.job = Job(self)
        self.job.told.connect(self.say)
        self.job.failed.connect(self.say)
        self.job.part.connect(self._flags_found)
        self.job.done.connect(self._flags_done)
        self.watch = CatalogueWatch(folder, self)
        self.watch.found.connect(self._found)
        self.watch.told.connect(self.say)
        self.destroyed.connect(self.watch.end)
        self.watch.start()
        self.table.setFocus()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self.job.end()
        self.watch.end()
        super().closeEvent(event)

    @Slot(str)
    def say(self, text: str) -> None:
        """Show a message until the next one."""
        self.message.setText(text)

    def rows(self) -> tuple[RunRow, ...]:
        """All runs of the folder."""
        return rows_of(self._entries, self._live, self.book.known())

    @Slot()
    def show_chosen(self) -> None:
        """Show the runs that fulfil the conditions."""
        everything = self.rows()
        wish = Wish(
            words=self.words.text(),
            article=self.article.currentText(),
            firmware=self.firmware.currentText(),
            propeller=self.propeller.currentText(),
            first_day=self.first_day.text().strip(),
            last_day=self.last_day.text().strip(),
            flags=FlagWish(self.flags.currentText()),
        )
        shown = chosen(everything, wish)
        self.table.show_rows(shown)
        self.count.setText(f"{len(shown)} of {len(everything)} runs")

    @Slot()
    def clear_conditions(self) -> None:
        """Show all runs."""
        for edit in (self.words, self.first_day, self.last_day):
            edit.clear()
        for combo in (self.article, self.firmware, self.propeller):
            combo.setEditText("")
        self.flags.setCurrentText(FlagWish.ANY.value)

    @Slot()
    def open_chosen(self) -> None:
        """Open the first run that is chosen."""
        for row in self.table.chosen()[:1]:
            self.open_row(row)

    @Slot(object)
    def open_row(self, row: RunRow) -> None:
        """Open one run: attach where it is being recorded."""
        if row.live is not None:
            self.live_asked.emit(row.live)
        elif row.why_not_opened:
            self.say(row.why_not_opened)
        else:
            self.run_asked.emit(self._folder / row.entry.path)

    @Slot()
    def overlay(self) -> None:
        """Lay the chosen runs over one another."""
        rows = [row for row in self.table.chosen() if row.entry.state is not State.DAMAGED and row.live is None]
        if not 2 <= len(rows) <= MOST_RUNS:
            self.say(f"Choose 2 to {MOST_RUNS} recorded runs, with Ctrl or Shift; {len(rows)} are chosen.")
            return
        self.overlay_asked.emit(self._paths(rows))

    @Slot()
    def results(self) -> None:
        """Analyse the chosen runs together."""
        rows = [row for row in self.table.chosen() if row.can_be_analysed]
        if not rows:
            self.say("Choose at least one run that was closed in order.")
            return
        self.results_asked.emit(self._paths(rows))

    @Slot()
    def compare(self) -> None:
        """Compare the chosen runs: the firmware of the earliest one is A."""
        found = sides([row for row in self.table.chosen() if row.can_be_analysed])
        if isinstance(found, str):
            self.say(found)
            return
        self.comparison_asked.emit(self._paths(found[0]), self._paths(found[1]))

    @Slot()
    def look_for_flags(self) -> None:
        """Analyse every shown run of which nobody knows the open flags, in a process of its own."""
        names = tuple(r.entry.path for r in self.table.runs.rows if r.can_be_analysed and r.flags is None)
        if not names:
            self.say("The open flags of all runs in the list are known.")
            return
        self.job.start("flags", self._folder, names)

    @Slot()
    def choose_stand(self) -> None:
        """Ask for a stand profile to edit."""
        dialog = QFileDialog(self, "Stand profile", str(self._folder), "Stand profile (*.toml)")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda name: self.stand_asked.emit(Path(name)))
        dialog.open()

    def _paths(self, rows: list[RunRow] | tuple[RunRow, ...]) -> tuple[Path, ...]:
        return tuple(self._folder / row.entry.path for row in rows)

    @Slot(object, object)
    def _found(self, entries: list[Entry], live: dict[str, Path]) -> None:
        self._entries, self._live = entries, live
        everything = self.rows()
        for combo, column in ((self.article, "article"), (self.firmware, "firmware"), (self.propeller, "propeller")):
            typed = combo.currentText()
            combo.blockSignals(True)
            combo.clear()
            combo.addItems(["", *values_of(everything, column)])
            combo.setEditText(typed)
            combo.blockSignals(False)
        self.show_chosen()
        if not everything:
            self.say("No runs here. Record one with: benchkit record STAND --out FOLDER")
        elif not self._was_found:
            self.say("")
        self._was_found = True

    @Slot(object)
    def _flags_found(self, found: tuple[str, FlagCount]) -> None:
        name, flags = found
        entry = next((e for e in self._entries if e.path == name), None)
        if entry is not None and entry.content_sha256:
            self.book.put(entry.content_sha256, flags)
            self.show_chosen()

    @Slot(object)
    def _flags_done(self, _: object) -> None:
        self.say("Open flags are known for all runs that were in the list.")

    def _make_menus(self) -> None:
        runs = add_menu(self, "&Runs")
        runs("Open", "Ctrl+O", self.open_chosen)
        runs("Lay over one another", "Ctrl+L", self.overlay)
        runs("Results", "Ctrl+R", self.results)
        runs("Compare two firmwares", "Ctrl+D", self.compare)
        runs("Look for open flags", "Ctrl+G", self.look_for_flags)
        find = add_menu(self, "&Find")
        find("Words", "Ctrl+F", self.words.setFocus)
        find("All runs again", "Ctrl+Backspace", self.clear_conditions)
        stand = add_menu(self, "&Stand")
        stand("Edit a profile …", "Ctrl+E", self.choose_stand)
        several = "Ctrl or Shift with Up, Down, click"
        add_window_menu(self, (("Enter", "open the run"), (several, "choose several runs")))

    def _arrange(self) -> None:
        conditions = QGridLayout()
        conditions.setHorizontalSpacing(8)
        fields = (
            ("Words", self.words, 3), ("Article", self.article, 2), ("Firmware", self.firmware, 1),
            ("Propeller", self.propeller, 2), ("From day", self.first_day, 1), ("To day", self.last_day, 1),
            ("Open flags", self.flags, 2),
        )  # fmt: skip
        for i, (name, field, stretch) in enumerate(fields):
            label = QLabel(name)
            label.setStyleSheet(f"color: {theme.INK_SOFT};")
            label.setBuddy(field)
            conditions.addWidget(label, 0, i)
            conditions.addWidget(field, 1, i)
            conditions.setColumnStretch(i, stretch)
        bar = QHBoxLayout()
        for name, text, tip, does in (
            ("open", "Open", "Enter or Ctrl+O", self.open_chosen),
            ("overlay", "Lay over one another", "Ctrl+L", self.overlay),
            ("results", "Results", "Ctrl+R", self.results),
            ("compare", "Compare two firmwares", "Ctrl+D", self.compare),
            ("flags", "Look for open flags", "Ctrl+G", self.look_for_flags),
        ):
            button = QPushButton(text)
            button.setToolTip(tip)
            button.clicked.connect(does)
            bar.addWidget(button)
            self.buttons[name] = button
        bar.addStretch(1)
        bar.addWidget(self.count)
        self.message.setStyleSheet("font-weight: bold;")
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(8, 8, 8, 6)
        layout.addLayout(conditions)
        layout.addWidget(self.table, 1)
        layout.addLayout(bar)
        layout.addWidget(self.message)
        layout.addWidget(soft(ONE_LINE))
        self.setCentralWidget(holder)


def _line(name: str, example: str) -> QLineEdit:
    edit = QLineEdit()
    edit.setAccessibleName(name)
    edit.setPlaceholderText(example)
    edit.setClearButtonEnabled(True)
    return edit


def _choice(name: str) -> QComboBox:
    combo = QComboBox()
    combo.setEditable(True)
    combo.setAccessibleName(name)
    combo.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
    combo.setToolTip("One of the list, or a pattern with * and ?")
    return combo
