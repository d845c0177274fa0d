"""The question before a window closes while a run is recorded. It is a line in the window: it hides nothing."""

from __future__ import annotations

from PySide6.QtCore import Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QWidget

from gui.state import theme
from gui.state.theme import Tone
from gui.widgets.look import block

QUESTION = "A run is being recorded. Recording and protection go on without this window."


class CloseBar(QWidget):
    """Close the window, stay, or end the recording in order."""

    close_asked = Signal()
    end_asked = Signal()

    def __init__(self) -> None:
        super().__init__()
        line = QHBoxLayout(self)
        line.setContentsMargins(10, 4, 10, 4)
        self.question = QLabel(QUESTION)
        self.question.setStyleSheet(f"{block(theme.TONES[Tone.CAUTION])} padding: 4px 8px; font-weight: bold;")
        self.close_button = QPushButton("Close this window  Ctrl+W")
        self.end_button = QPushButton("End the recording in order")
        self.stay_button = QPushButton("Stay")
        self.close_button.clicked.connect(self.close_asked)
        self.end_button.clicked.connect(self._end)
        self.stay_button.clicked.connect(self.hide)
        line.addWidget(self.question, 1)
        for button in (self.stay_button, self.close_button, self.end_button):
            line.addWidget(button)
        self.hide()

    def ask(self, *, may_end: bool) -> None:
        """Ask; the first answer is to stay."""
        self.end_button.setEnabled(may_end)
        self.show()
        self.stay_button.setFocus()

    def follow(self, *, is_recording: bool) -> None:
        """Where nothing is recorded any more, there is nothing to ask."""
        if not is_recording and self.isVisible():
            self.hide()

    @Slot()
    def _end(self) -> None:
        self.hide()
        self.end_asked.emit()
