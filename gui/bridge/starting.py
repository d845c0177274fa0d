"""Starts a recorder as a process of its own, without holding up a window. The recorder outlives the dashboard."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PySide6.QtCore import QObject, QThread, Signal

from benchkit.errors import BenchkitError
from benchkit.session.process import Child, start_recorder
from gui.state.beginning import Order

MOST_WORDS = 2000


class Starting(QThread):
    """One start. ``announced`` carries the file by which the recorder is found, ``failed`` the reason."""

    announced = Signal(object)
    failed = Signal(str)

    def __init__(self, order: Order, parent: QObject) -> None:
        super().__init__(parent)
        self.setObjectName("start of a recorder")
        self._order = order
        self.child: Child | None = None

    def run(self) -> None:
        """Body of the thread."""
        try:
            self._order.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            self.failed.emit(f"{self._order.folder}: {error.strerror}")
            return
        with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as said:
            order = self._order
            try:
                self.child, _ = start_recorder(order.stand, order.folder, order.options, outlives_us=True, said=said)
            except BenchkitError as error:
                said.seek(0)
                words = said.read()[-MOST_WORDS:].strip()
                self.failed.emit(words.removeprefix("benchkit: ") or str(error))
            else:
                self.announced.emit(Path(self.child.address))
