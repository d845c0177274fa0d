"""Requests to the recorder, as buttons with keys; the answer stands below in words."""

from __future__ import annotations

from functools import partial

from PySide6.QtCore import Signal
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QGridLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from benchkit.model.interlock import State
from gui.state import theme
from gui.state.controls import (
    CONTROLS,
    LINKED_TEXT,
    UNLINKED_TEXT,
    WATCH_ONLY_TEXT,
    Control,
    is_offered,
    not_offered_text,
)
from gui.state.theme import Tone
from gui.widgets.look import block

_PLACES = ((0, 0), (0, 2), (1, 0), (0, 4), (1, 3), (1, 5))
_SPANS = ((1, 2), (1, 2), (1, 3), (1, 2), (1, 2), (1, 1))


class ControlPanel(QWidget):
    """Arm, start, orderly stop, reset, mark. A request is a request: the recorder decides."""

    asked = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self._buttons: dict[str, QPushButton] = {}
        self._offered: dict[str, bool] = {}
        self._needs_reset: bool | None = None
        grid = QGridLayout()
        grid.setSpacing(5)
        for control, place, reach in zip(CONTROLS, _PLACES, _SPANS, strict=True):
            button = QPushButton(f"{control.text}\n{control.keys}")
            button.setToolTip(control.help)
            button.setAccessibleName(control.text)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
            button.clicked.connect(partial(self._ask, control))
            key = QShortcut(QKeySequence(control.keys), self)
            key.activated.connect(partial(self._ask, control))
            self._buttons[control.request] = button
            grid.addWidget(button, *place, *reach)
        self._linked: tuple[bool, bool] | None = None
        self._answer = QLabel()
        self._answer.setWordWrap(True)
        self._answer.setMinimumHeight(34)
        self._answer.setAccessibleName("Answer of the recorder")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addLayout(grid, 1)
        layout.addWidget(self._answer)

    def offer(self, state: State | None, *, is_linked: bool, may_command: bool = True) -> None:
        """Enable what makes sense now. A trip that stands asks for its reset in blue (mandatory action)."""
        for control in CONTROLS:
            offered = is_offered(control, state, is_linked) and may_command
            if offered != self._offered.get(control.request):
                self._offered[control.request] = offered
                self._buttons[control.request].setEnabled(offered)
        if (is_linked, may_command) != self._linked:
            self._linked = (is_linked, may_command)
            linked = LINKED_TEXT if may_command else WATCH_ONLY_TEXT
            self.show_answer(linked if is_linked else UNLINKED_TEXT, refused=False)
        needs_reset = state is State.TRIPPED and is_linked and may_command
        if needs_reset is not self._needs_reset:
            self._needs_reset = needs_reset
            style = f"QPushButton {{ {block(theme.TONES[Tone.ACTION])} font-weight: bold; }}" if needs_reset else ""
            self._buttons["reset"].setStyleSheet(style)

    def show_answer(self, text: str, *, refused: bool) -> None:
        """Show what became of a request."""
        self._answer.setText(text)
        self._answer.setToolTip(text)
        pair = theme.TONES[Tone.CAUTION if refused else Tone.PLAIN]
        self._answer.setStyleSheet(f"{block(pair)} padding: 1px 4px;")

    def button(self, request: str) -> QPushButton:
        """The button of a request."""
        return self._buttons[request]

    def answer(self) -> str:
        """The answer shown."""
        return self._answer.text()

    def _ask(self, control: Control, checked: bool = False) -> None:  # noqa: ARG002 - clicked(bool)
        if self._offered.get(control.request):
            self.asked.emit(control.request)
        else:
            watching = self._linked == (True, False)
            self.show_answer(WATCH_ONLY_TEXT if watching else not_offered_text(control), refused=True)
