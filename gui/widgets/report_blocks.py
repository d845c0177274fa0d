"""Tables, texts and drawings of a report, in a window."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPixmap, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QLabel,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchkit.report.model import Cell, Column, Listing, Number, Paragraph, Table, Text, Tone
from benchkit.report.numbers import show, show_interval
from gui.state import theme
from gui.state.flag_lines import FLAG_HEADS, FlagLine
from gui.widgets.look import colour

_TONES = {Tone.CAUTION: theme.Tone.CAUTION, Tone.ERROR: theme.Tone.DANGER}
_ROW_AIR_PX, _MOST_ROWS = 4, 22
_WIDEST_PX, _NARROWED_PX = 420, 150
_PICTURE_PX = 900


def cell_text(cell: Cell, column: Column | None = None) -> str:
    """A cell as text: the unit stands in the heading where the column has one."""
    if isinstance(cell, Text):
        return cell.text
    shown = show(cell)
    return shown.figures if column is not None and column.unit else str(shown)


class Rows(QTableWidget):
    """A table that is read, with the keyboard too."""

    opened = Signal(int)
    """Enter or a double click on a row."""

    def __init__(self, heads: tuple[str, ...], rows: list[list[tuple[str, Tone, str]]], name: str) -> None:
        super().__init__(len(rows), len(heads))
        self.setAccessibleName(name)
        self.setHorizontalHeaderLabels(heads)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setTabKeyNavigation(False)
        self.setWordWrap(True)
        self.setShowGrid(False)
        self.setAlternatingRowColors(False)
        self.verticalHeader().hide()
        for i, row in enumerate(rows):
            for j, (text, tone, tip) in enumerate(row):
                self.setItem(i, j, _item(text, tone, tip))
        header = self.horizontalHeader()
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        self.resizeColumnsToContents()
        self._wanted = [min(self.columnWidth(j) + 10, _WIDEST_PX) for j in range(self.columnCount())]
        for j, wide in enumerate(self._wanted):
            self.setColumnWidth(j, wide)
        header.setStretchLastSection(True)
        self._most_rows = 0
        self._fit_rows()
        self.cellDoubleClicked.connect(lambda row, _: self.opened.emit(row))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)

    def show_whole(self, most_rows: int) -> None:
        """Be as high as the rows are; of more than so many the rest is scrolled."""
        self._most_rows = most_rows
        self.setFixedHeight(self.height_of(most_rows))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)
        if event.size().width() == event.oldSize().width():
            return
        for j, wide in enumerate(narrowed(self._wanted, self.viewport().width(), _NARROWED_PX)):
            self.setColumnWidth(j, wide)
        self._fit_rows()  # the last column is as wide as there is room
        if self._most_rows:
            self.setFixedHeight(self.height_of(self._most_rows))

    def _fit_rows(self) -> None:
        self.resizeRowsToContents()
        for i in range(self.rowCount()):
            self.setRowHeight(i, self.rowHeight(i) + _ROW_AIR_PX)

    def height_of(self, most_rows: int) -> int:
        """Height that shows so many rows."""
        shown = sum(self.rowHeight(i) for i in range(min(self.rowCount(), most_rows)))
        return shown + self.horizontalHeader().height() + 20

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        return QSize(600, self.height_of(_MOST_ROWS))

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.currentRow() >= 0:
            self.opened.emit(self.currentRow())
        else:
            super().keyPressEvent(event)


def narrowed(wanted: Sequence[int], room: int, least: int) -> list[int]:
    """Widths of columns [px] that fit into ``room``: the widest give way first, none below ``least``."""
    cap = max(wanted, default=0)
    while cap > least and sum(min(wide, cap) for wide in wanted) > room:
        cap -= 1
    return [min(wide, cap) for wide in wanted]


def table_of(table: Table) -> Rows:
    """A table of the report."""
    heads = tuple(f"{column.title} / {column.unit}" if column.unit else column.title for column in table.columns)
    rows = [[_told(cell, column) for cell, column in zip(row, table.columns, strict=True)] for row in table.rows]
    return Rows(heads, rows, table.title)


def flag_table(lines: tuple[FlagLine, ...]) -> Rows:
    """The list of open flags; Enter on one that is about rows shows them."""
    rows = [
        [
            (text, line.tone if i == 0 else Tone.PLAIN, "Enter shows the rows" if line.jump else "")
            for i, text in enumerate(line.cells)
        ]
        for line in lines
    ]
    return Rows(FLAG_HEADS, rows, "Open flags")


def table_panel(table: Table, most_rows: int = _MOST_ROWS) -> QWidget:
    """A table under its title, its note below; of more rows the rest is scrolled."""
    holder = QWidget()
    layout = QVBoxLayout(holder)
    layout.setContentsMargins(0, 0, 0, 6)
    layout.setSpacing(3)
    layout.addWidget(heading(table.title))
    rows = table_of(table)
    rows.show_whole(most_rows)
    layout.addWidget(rows)
    if table.note:
        layout.addWidget(soft(table.note))
    return holder


def text_panel(block: Paragraph | Listing) -> QLabel:
    """A text of the report; cautions and errors have their own ground."""
    if isinstance(block, Listing):
        lines = "".join(f"<li><b>{escape(head)}</b>: {escape(text)}</li>" for head, text in block.lines)
        label = QLabel(f"<ul style='margin-left:-20px'>{lines}</ul>")
    else:
        head = f"<b>{escape(block.heading)}.</b> " if block.heading else ""
        label = QLabel(f"{head}{escape(block.text)}")
        tone = _TONES.get(block.tone)
        if tone is not None:
            pair = theme.TONES[tone]
            label.setStyleSheet(f"color: {pair.text}; background: {pair.ground}; padding: 6px;")
    label.setTextFormat(Qt.TextFormat.RichText)
    label.setWordWrap(True)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def heading(text: str) -> QLabel:
    """A heading over a table or figure."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setStyleSheet("font-size: 16px; font-weight: bold;")
    return label


def soft(text: str) -> QLabel:
    """A note under something."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setStyleSheet(f"color: {theme.INK_SOFT};")
    return label


class Picture(QLabel):
    """A drawing of the report, as wide as there is room."""

    def __init__(self, png: bytes, title: str, description: str) -> None:
        super().__init__()
        self._whole = QPixmap()
        self._whole.loadFromData(png)
        self.setAccessibleName(title)
        self.setAccessibleDescription(description)
        self.setMinimumWidth(320)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        self._fit(900)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        super().resizeEvent(event)
        self._fit(self.width())

    def _fit(self, width: int) -> None:
        wide = min(width, self._whole.width(), _PICTURE_PX)
        if wide < 1:
            return
        high = round(wide * self._whole.height() / max(self._whole.width(), 1))
        if self.height() != high:
            self.setFixedHeight(high)
        self.setPixmap(
            self._whole.scaled(
                wide, high, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation
            )
        )


def _told(cell: Cell, column: Column) -> tuple[str, Tone, str]:
    if isinstance(cell, Number):
        interval = show_interval(cell)
        return cell_text(cell, column), Tone.PLAIN, f"95 % interval {interval}" if interval else ""
    return cell.text, cell.tone, ""


def _item(text: str, tone: Tone, tip: str) -> QTableWidgetItem:
    item = QTableWidgetItem(text)
    if tip:
        item.setToolTip(tip)
    if tone in _TONES:
        pair = theme.TONES[_TONES[tone]]
        item.setBackground(colour(pair.ground))
        item.setForeground(colour(pair.text))
    return item
