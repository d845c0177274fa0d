"""Panels of the view: channels and cursors, look, keys."""

from __future__ import annotations

import math

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QTextBrowser,
    QTreeWidget,
    QTreeWidgetItem,
)

from benchkit.model.stand import Stand
from gui.state import theme
from gui.state.cursors import CursorRow
from gui.state.settings import SCALES, Settings, read_span
from gui.state.theme import Ground, Tone
from gui.state.wording import span
from gui.widgets.drawer import Page, button, set_tone


class TracePage(Page):
    """Which channels are drawn, over which time, and the values at two cursors."""

    hidden_changed = Signal(object)
    window_asked = Signal(float)
    hold_asked = Signal()
    cursors_asked = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._items: dict[str, QTreeWidgetItem] = {}
        line = QHBoxLayout()
        self.length = QLineEdit()
        self.length.setAccessibleName("Length of the live view")
        self.length.setPlaceholderText("90 s, 12 min, 1:30, 2 h")
        self.length.returnPressed.connect(self._set_length)
        line.addWidget(QLabel("Time shown"))
        line.addWidget(self.length, 1)
        line.addWidget(button("Show  Enter", "this length of time on the trends", self._set_length))
        self.rows.addLayout(line)
        self.told = self.text("", Tone.SOFT)
        self.told.hide()
        line = QHBoxLayout()
        self.hold = button("Hold  H", "the trends stand still; the recording goes on", self._hold)
        self.cursors = button("Cursors  C", "two cursors on the trends", self._cursors)
        line.addWidget(self.hold)
        line.addWidget(self.cursors)
        self.rows.addLayout(line)
        self.head = self.text("", Tone.SOFT)
        self.values = QTableWidget(0, 4)
        self.values.setAccessibleName("Values at the cursors")
        self.values.setHorizontalHeaderLabels(("Channel", "A", "B", "B − A"))
        self.values.verticalHeader().hide()
        self.values.verticalHeader().setDefaultSectionSize(20)
        self.values.setShowGrid(False)
        self.values.setTabKeyNavigation(False)
        self.values.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.values.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        self.values.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.values.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.rows.addWidget(self.values, 1)
        self.tree = QTreeWidget()
        self.tree.setAccessibleName("Channels by quantity")
        self.tree.setHeaderHidden(True)
        self.tree.itemChanged.connect(self._ticked)
        self.rows.addWidget(self.tree, 1)
        self.setFocusProxy(self.length)

    def show_channels(self, stand: Stand, hidden: frozenset[str]) -> None:
        """All channels by quantity, those that are drawn ticked."""
        self.tree.blockSignals(True)
        self.tree.clear()
        self._items.clear()
        groups: dict[str, QTreeWidgetItem] = {}
        for channel in stand.channels.values():
            head = groups.get(channel.quantity.value)
            if head is None:
                head = groups[channel.quantity.value] = QTreeWidgetItem([channel.quantity.value.capitalize()])
                head.setFlags(head.flags() | Qt.ItemFlag.ItemIsAutoTristate | Qt.ItemFlag.ItemIsUserCheckable)
                self.tree.addTopLevelItem(head)
            item = QTreeWidgetItem(head, [f"{channel.label}, {channel.unit}"])
            self._items[channel.name] = item
            item.setCheckState(0, Qt.CheckState.Unchecked if channel.name in hidden else Qt.CheckState.Checked)
        self.tree.expandAll()
        self.tree.blockSignals(False)

    def hidden(self) -> frozenset[str]:
        """Channels that are not ticked."""
        off = Qt.CheckState.Unchecked
        return frozenset(name for name, item in self._items.items() if item.checkState(0) is off)

    def tick(self, channel: str, *, drawn: bool) -> None:
        """Tick a channel, or take its tick away."""
        self._items[channel].setCheckState(0, Qt.CheckState.Checked if drawn else Qt.CheckState.Unchecked)

    def show_cursors(self, head: str, rows: tuple[CursorRow, ...]) -> None:
        """Values at the cursors; no rows: there are none."""
        self.values.setVisible(bool(rows))
        set_tone(self.head, head, Tone.SOFT)
        if self.values.rowCount() != len(rows):
            self.values.setRowCount(len(rows))
        for i, row in enumerate(rows):
            for column, text in enumerate((row.label, row.at_a, row.at_b, row.difference)):
                item = self.values.item(i, column)
                if item is None:
                    item = QTableWidgetItem()
                    if column:
                        item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                    self.values.setItem(i, column, item)
                item.setText(text)

    def show_length(self, seconds: float, *, is_held: bool) -> None:
        """The length shown now."""
        if not self.length.hasFocus():
            self.length.setText(span(seconds))
        self.hold.setText("Follow  H" if is_held else "Hold  H")

    @Slot()
    def _hold(self) -> None:
        self.hold_asked.emit()

    @Slot()
    def _cursors(self) -> None:
        self.cursors_asked.emit()

    @Slot()
    def _set_length(self) -> None:
        seconds = read_span(self.length.text())
        is_good = math.isfinite(seconds) and 1.0 <= seconds <= 86400.0
        self.told.setVisible(not is_good)
        if is_good:
            self.window_asked.emit(seconds)
        else:
            set_tone(self.told, "Not a time from 1 s to 24 h. Write it like 90 s, 12 min, 1:30.", Tone.CAUTION)

    @Slot(QTreeWidgetItem, int)
    def _ticked(self, item: QTreeWidgetItem, column: int) -> None:  # noqa: ARG002 - Qt's signature
        self.hidden_changed.emit(self.hidden())


class LookPage(Page):
    """Ground, size, decimal mark, name. Kept for the next time."""

    changed = Signal()

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings
        grid = QGridLayout()
        grid.setVerticalSpacing(10)
        self._groups: list[QButtonGroup] = []
        self.choices: dict[str, QPushButton] = {}
        lines = (
            ("Ground", "ground", [(x.value, x.value) for x in Ground]),
            ("Size", "scale", [(str(x), f"{x} %") for x in SCALES]),
            ("Decimal mark", "decimal", [("", "as the country"), (".", "1.5"), (",", "1,5")]),
        )
        for row, (title, key, options) in enumerate(lines):
            grid.addWidget(QLabel(title), row, 0)
            group = QButtonGroup(self)
            line = QHBoxLayout()
            line.setSpacing(3)
            for value, text in options:
                choice = QPushButton(text)
                choice.setCheckable(True)
                choice.setChecked(str(getattr(settings, key)) == value)
                choice.setStyleSheet(
                    "QPushButton { padding: 3px 5px; } "
                    f"QPushButton:checked {{ font-weight: bold; border: 3px solid {theme.INK}; }}"
                )
                choice.clicked.connect(lambda _checked=False, k=key, v=value: self._choose(k, v))
                group.addButton(choice)
                line.addWidget(choice)
                self.choices[f"{key} {value}"] = choice
            self._groups.append(group)
            grid.addLayout(line, row, 1)
        self.who = QLineEdit(settings.who)
        self.who.setPlaceholderText("your name, for the event log")
        self.who.setAccessibleName("Your name")
        self.who.setMaxLength(60)
        self.who.editingFinished.connect(self._named)
        grid.addWidget(QLabel("Name"), len(lines), 0)
        grid.addWidget(self.who, len(lines), 1)
        grid.setColumnStretch(1, 1)
        self.rows.addLayout(grid)
        self.told = self.text("", Tone.SOFT)
        self.rows.addStretch(1)

    def _choose(self, key: str, value: str) -> None:
        if key == "ground":
            self._settings.ground = Ground(value)
        elif key == "scale":
            self._settings.scale = int(value)
            set_tone(self.told, "The size counts from the next start on.", Tone.SOFT)
        else:
            self._settings.decimal = value
        self.changed.emit()

    @Slot()
    def _named(self) -> None:
        self._settings.who = self.who.text().strip()
        self.changed.emit()


class HelpPage(Page):
    """A page of text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        text = QTextBrowser()
        text.setHtml(html)
        text.setAccessibleName("Keys, what is shown, cautions")
        self.rows.addWidget(text, 1)
        self.setFocusProxy(text)
