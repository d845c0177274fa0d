"""The line at the top: two big words that read from across the room, and the fields beside them."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from gui.state import theme
from gui.state.headline import LINK_TONES, Headline, Item
from gui.state.theme import Tone
from gui.widgets.look import block, font

_FIELDS = 12
_COLUMNS = 4
_STRETCH = (9, 7, 7, 7)


class BigWord(QFrame):
    """A word in a block with its ground, a note below it."""

    def __init__(self, pixels: int, name: str) -> None:
        super().__init__()
        self._word = QLabel()
        self._word.setFont(font(pixels, bold=True))
        self._word.setStyleSheet(f"font-size: {pixels}px; font-weight: bold; background: transparent;")
        self._note = QLabel()
        self._note.setStyleSheet("font-size: 14px; background: transparent;")
        self._note.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.setAccessibleName(name)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(14, 0, 14, 6)
        layout.setSpacing(0)
        layout.addWidget(self._word, 1)
        layout.addWidget(self._note)
        self._shown = ("", "", Tone.PLAIN)
        self._tone: Tone | None = None

    def show_word(self, word: str, note: str, tone: Tone) -> None:
        """Show a word, its note and its tone; nothing is done where nothing changed."""
        if self._shown == (word, note, tone) and self._tone is tone:
            return
        self._shown = (word, note, tone)
        self._word.setText(word)
        self._fit()
        self._note.setToolTip(note)
        self.setAccessibleDescription(f"{word}. {note}")
        if tone is not self._tone:
            self._tone = tone
            pair = theme.TONES[tone]
            self.setStyleSheet(f"BigWord {{ {block(pair)} }} QLabel {{ color: {pair.text}; }}")

    def text(self) -> str:
        """The word shown."""
        return self._word.text()

    def note(self) -> str:
        """The whole note; where it is too long for its place it is cut at the end, and the tool tip has all of it."""
        return self._shown[1]

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self._note.ensurePolished()
        metrics, note = self._note.fontMetrics(), self._shown[1]
        self._note.setText(metrics.elidedText(note, Qt.TextElideMode.ElideRight, max(self.width() - 28, 40)))


class _Field(QWidget):
    """A small label over a value. A value that is too long is cut in the middle; the tool tip has all of it."""

    def __init__(self) -> None:
        super().__init__()
        self._label, self._text = QLabel(), QLabel()
        self._label.setStyleSheet(f"color: {theme.INK_SOFT}; font-size: 12px;")
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._label)
        layout.addWidget(self._text, 0, Qt.AlignmentFlag.AlignLeft)
        self._item: Item | None = None

    def show_item(self, item: Item) -> None:
        """Show one field."""
        if item == self._item:
            return
        if self._item is None or item.tone is not self._item.tone:
            weight = "normal" if item.tone is Tone.PLAIN else "bold"
            pair = theme.TONES[item.tone]
            self._text.setStyleSheet(f"{block(pair)} font-size: 16px; font-weight: {weight};")
        self._item = item
        self._label.setText(item.label)
        self._text.setToolTip(item.text)
        self._fit()

    def text(self) -> str:
        """The whole value."""
        return "" if self._item is None else self._item.text

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self._text.ensurePolished()
        metrics = self._text.fontMetrics()
        self._text.setText(metrics.elidedText(self.text(), Qt.TextElideMode.ElideMiddle, self.width()))


class StateLine(QWidget):
    """State of the interlock, LIVE or RECORDED in words, recording, disk, ages, limit set."""

    def __init__(self) -> None:
        super().__init__()
        self.state = BigWord(46, "State of the interlock")
        self.state.setMinimumWidth(330)
        self.link = BigWord(34, "Where the data come from")
        self.link.setMinimumWidth(320)
        self._fields = [_Field() for _ in range(_FIELDS)]
        grid = QGridLayout()
        grid.setContentsMargins(8, 4, 0, 4)
        grid.setHorizontalSpacing(16)
        grid.setVerticalSpacing(4)
        for i, field in enumerate(self._fields):
            grid.addWidget(field, i // _COLUMNS, i % _COLUMNS)
            grid.setColumnStretch(i % _COLUMNS, _STRETCH[i % _COLUMNS])
            field.hide()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(8)
        layout.addWidget(self.state)
        layout.addWidget(self.link)
        layout.addLayout(grid, 1)

    def show_headline(self, headline: Headline) -> None:
        """Show the state line."""
        self.state.show_word(headline.state, headline.state_note, headline.state_tone)
        self.link.show_word(headline.link.value, headline.link_note, LINK_TONES[headline.link])
        for i, field in enumerate(self._fields):
            if i < len(headline.items):
                field.show_item(headline.items[i])
            field.setVisible(i < len(headline.items))

    def field_texts(self) -> list[str]:
        """Values of the fields shown."""
        return [field.text() for field in self._fields if not field.isHidden()]
