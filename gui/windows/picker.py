"""The choice of a run in a folder: one that is being recorded, or a recorded one."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, QTimer, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QLabel, QListWidget, QListWidgetItem, QMainWindow, QVBoxLayout, QWidget

from gui.state.runs import Found, find_runs

_LOOK_AGAIN_MS = 1000


class PickerWindow(QMainWindow):
    """A list that follows the folder; Enter or a double click opens."""

    chosen = Signal(object)

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.setWindowTitle("Runs · benchkit dashboard")
        self.resize(760, 480)
        self._folder = folder
        self._found: tuple[Found, ...] | None = None
        self.message = QLabel()
        self.message.setWordWrap(True)
        self.list = QListWidget()
        self.list.setAccessibleName("Runs")
        self.list.itemActivated.connect(self._activated)
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.addWidget(QLabel(f"Runs in {folder}. Enter opens; those being recorded come first."))
        layout.addWidget(self.list, 1)
        layout.addWidget(self.message)
        self.setCentralWidget(holder)
        self.timer = QTimer(self)
        self.timer.setInterval(_LOOK_AGAIN_MS)
        self.timer.timeout.connect(self.look)
        self.timer.start()
        self.look()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        self.timer.stop()
        super().closeEvent(event)

    @Slot()
    def look(self) -> None:
        """Read the folder again; the list changes only when the folder did."""
        found = find_runs(self._folder)
        if found == self._found:
            return
        self._found = found
        row = max(self.list.currentRow(), 0)
        self.list.clear()
        for run in found:
            item = QListWidgetItem(f"{'LIVE      ' if run.is_live else 'recorded  '}{run.name}   {run.note}")
            item.setData(Qt.ItemDataRole.UserRole, run)
            self.list.addItem(item)
        self.list.setCurrentRow(min(row, len(found) - 1))
        if not found:
            self.message.setText("No runs here. Record one with: benchkit record STAND --out FOLDER")

    def say(self, text: str) -> None:
        """Show why a run could not be opened."""
        self.message.setText(text)

    @Slot(QListWidgetItem)
    def _activated(self, item: QListWidgetItem) -> None:
        self.chosen.emit(item.data(Qt.ItemDataRole.UserRole))
