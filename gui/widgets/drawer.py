"""The place for panels beside the trends. A panel is part of the window: it covers neither the state line nor a trip.

Nothing here waits for an answer before the window goes on, and the key of the orderly stop works in every panel.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from gui.state import theme
from gui.state.controls import CLOSE_PANEL_KEYS, PANELS
from gui.state.live import LiveModel
from gui.state.theme import Tone
from gui.widgets.look import block, font

DRAWER_PX = 430


class Page(QWidget):
    """One panel. ``asked`` carries a request for the recorder and its arguments."""

    asked = Signal(str, dict)

    def __init__(self) -> None:
        super().__init__()
        self.rows = QVBoxLayout(self)
        self.rows.setContentsMargins(10, 6, 10, 8)
        self.rows.setSpacing(6)
        self.may_ask = False

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:  # noqa: ARG002 - what panels take
        """Show the present; called a few times a second while the panel is open."""
        self.may_ask = may_ask

    def say(self, text: str, *, refused: bool) -> None:
        """What became of a request of this panel; the control panel shows it as well."""

    def text(self, words: str, tone: Tone = Tone.PLAIN) -> QLabel:
        """A line or paragraph of text, added below."""
        label = QLabel(words)
        label.setWordWrap(True)
        label.setStyleSheet(tone_style(tone))
        self.rows.addWidget(label)
        return label

    def heading(self, words: str) -> None:
        """A heading, added below."""
        self.text(words).setStyleSheet("font-weight: bold; padding-top: 10px;")


def tone_style(tone: Tone) -> str:
    """Style of a text with a tone; a block of colour where the tone calls for attention."""
    padding = "padding: 3px 6px;" if tone not in (Tone.PLAIN, Tone.SOFT) else ""
    return f"{block(theme.TONES[tone])} {padding}"


def set_tone(label: QLabel, words: str, tone: Tone) -> None:
    """Change text and tone of a label; nothing is done where nothing changed."""
    shown = (words, tone.value)
    if label.property("shown") != shown:
        label.setProperty("shown", shown)
        label.setText(words)
        label.setStyleSheet(tone_style(tone))


class Drawer(QWidget):
    """Shows one panel at a time; panels are made when they are first opened."""

    asked = Signal(str, dict)
    opened = Signal(str)
    """Name of the panel that is open now; empty for none."""

    def __init__(self, makers: dict[str, Callable[[], Page]]) -> None:
        super().__init__()
        self._makers = makers
        self.pages: dict[str, Page] = {}
        self._areas: dict[str, QScrollArea] = {}
        self.name = ""
        self.setFixedWidth(DRAWER_PX)
        self._title = QLabel()
        self._title.setFont(font(15, bold=True))
        self._title.setStyleSheet("font-size: 15px; font-weight: bold; padding-left: 10px;")
        close = QPushButton(f"Close  {CLOSE_PANEL_KEYS}")
        close.setStyleSheet("padding: 1px 8px;")
        close.clicked.connect(self.shut)
        bar = QHBoxLayout()
        bar.setContentsMargins(0, 0, 0, 0)
        bar.addWidget(self._title, 1)
        bar.addWidget(close)
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(2)
        self._column.addLayout(bar)
        self.hide()

    def toggle(self, name: str) -> None:
        """Open a panel, or close it where it is open."""
        if name == self.name:
            self.shut()
        else:
            self.open(name)

    def open(self, name: str) -> None:
        """Open a panel; the keyboard goes to its first field."""
        if name not in self._makers:
            return
        if name not in self.pages:
            page = self._makers[name]()
            page.asked.connect(self.asked)
            area = QScrollArea()
            area.setWidgetResizable(True)
            area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            area.setFrameShape(QScrollArea.Shape.NoFrame)
            area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            area.setWidget(page)
            self._column.addWidget(area, 1)
            self.pages[name], self._areas[name] = page, area
        for known, area in self._areas.items():
            area.setVisible(known == name)
        self.name = name
        panel = next(x for x in PANELS if x.name == name)
        self._title.setText(panel.text)
        self.setAccessibleName(panel.text)
        self.opened.emit(name)  # room is made before it is taken
        self.show()
        self.pages[name].setFocus()

    @Slot()
    def shut(self) -> None:
        """Close the panel that is open."""
        self.name = ""
        self.hide()
        self.opened.emit("")

    def page(self) -> Page | None:
        """The panel that is open."""
        return self.pages.get(self.name)

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        """Bring the open panel up to date."""
        page = self.page()
        if page is not None:
            page.follow(model, now_s, may_ask=may_ask)

    def say(self, text: str, *, refused: bool) -> None:
        """Hand the answer to a request to the open panel."""
        page = self.page()
        if page is not None:
            page.say(text, refused=refused)


def button(text: str, tip: str, slot: Callable[..., Any]) -> QPushButton:
    """A button of a panel."""
    made = QPushButton(text)
    made.setToolTip(tip)
    made.clicked.connect(slot)
    return made


def set_call(made: QPushButton, *, calls: bool) -> None:
    """Style of the button of a panel; with ``calls`` it calls for attention."""
    if made.property("calls") == calls:
        return
    made.setProperty("calls", calls)
    look = block(theme.TONES[Tone.CAUTION]) if calls else ""
    made.setStyleSheet(
        f"QPushButton {{ padding: 1px 0px; font-size: 11px; {look} }} "
        f"QPushButton:checked {{ border: 2px solid {theme.INK}; }}"
    )
