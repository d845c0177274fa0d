"""The list of runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QItemSelectionModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView

from gui.state import theme
from gui.state.run_list import HEADS, WIDTHS, RunRow, sort_key
from gui.state.theme import Tone
from gui.widgets.look import colour, font

_STATE, _FLAGS = HEADS.index("State"), HEADS.index("Open flags")
_Index = QModelIndex | QPersistentModelIndex


class RunModel(QAbstractTableModel):
    """Rows of the list in the order asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[RunRow] = []
        self._column: int | None = None
        self._order = Qt.SortOrder.AscendingOrder

    def show(self, rows: Sequence[RunRow]) -> None:
        """Take over rows, newest first, and keep the order that was asked for."""
        self.beginResetModel()
        self.rows = list(rows)
        self._sort()
        self.endResetModel()

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        self.layoutAboutToBeChanged.emit()
        self._column, self._order = column, order
        self._sort()
        self.layoutChanged.emit()

    def _sort(self) -> None:
        column = self._column
        if column is not None and column >= 0:
            self.rows.sort(key=lambda r: sort_key(r, column), reverse=self._order is Qt.SortOrder.DescendingOrder)

    def rowCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's name and default
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's name and default
        return 0 if parent.isValid() else len(HEADS)

    def headerData(  # noqa: N802 - Qt's name
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation is Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return HEADS[section]
        return None

    def data(  # noqa: PLR0911 - one return a role
        self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        row, column = self.rows[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return row.cells[column]
        if role == Qt.ItemDataRole.ToolTipRole:
            return row.tip
        tone = row.tone if column == _STATE else Tone.PLAIN
        if column == _FLAGS and row.flags is not None and row.flags.is_loud:
            tone = Tone.CAUTION
        if tone is Tone.PLAIN:
            return None
        pair = theme.TONES[tone]
        if role == Qt.ItemDataRole.BackgroundRole:
            return colour(pair.ground)
        if role == Qt.ItemDataRole.ForegroundRole:
            return colour(pair.text)
        if role == Qt.ItemDataRole.FontRole:
            return font(13, bold=True)
        return None


class RunTable(QTableView):
    """Several rows can be chosen; Enter or a double click opens."""

    opened = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self.runs = RunModel()
        self.setModel(self.runs)
        self.setAccessibleName("Runs")
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setTabKeyNavigation(False)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(24)
        header = self.horizontalHeader()
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        header.setStretchLastSection(True)
        header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
        self.setSortingEnabled(True)
        for i, width in enumerate(WIDTHS):
            if width:
                self.setColumnWidth(i, width)
        self.doubleClicked.connect(lambda index: self.opened.emit(self.runs.rows[index.row()]))

    def show_rows(self, rows: Sequence[RunRow]) -> None:
        """Show rows; what was chosen stays chosen where it is still there."""
        before = {row.entry.path for row in self.chosen()}
        current = self.current()
        self.runs.show(rows)
        selection = self.selectionModel()
        flag = QItemSelectionModel.SelectionFlag
        for i, row in enumerate(self.runs.rows):
            if row.entry.path in before:
                selection.select(self.runs.index(i, 0), flag.Select | flag.Rows)
            if current is not None and row.entry.path == current.entry.path:
                selection.setCurrentIndex(self.runs.index(i, 0), flag.NoUpdate)
        if not before and rows:
            self.selectRow(0)

    def chosen(self) -> tuple[RunRow, ...]:
        """Rows that are chosen, from the top."""
        found = sorted(index.row() for index in self.selectionModel().selectedRows())
        return tuple(self.runs.rows[i] for i in found)

    def current(self) -> RunRow | None:
        """The row with the focus."""
        index = self.currentIndex()
        return self.runs.rows[index.row()] if index.isValid() and index.row() < len(self.runs.rows) else None

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        row = self.current()
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and row is not None:
            self.opened.emit(row)
        else:
            super().keyPressEvent(event)
