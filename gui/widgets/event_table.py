"""The event list, newest on top."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView

from gui.state import theme
from gui.state.events import EventLine, EventLog
from gui.state.theme import Tone
from gui.state.wording import clock_tenths
from gui.widgets.look import colour, font

_HEADS = ("No.", "Run time", "Event", "First-out", "Where", "Message")
_WIDTHS = (48, 86, 220, 212, 150, 0)
_NARROW = (40, 80, 150, 96, 64, 0)
_Index = QModelIndex | QPersistentModelIndex


class EventModel(QAbstractTableModel):
    """Lines of an event log, newest first."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: list[EventLine] = []
        self._count = 0

    def show_log(self, log: EventLog) -> bool:
        """Take over the lines of a log; True where something was new."""
        if log.count == self._count:
            return False
        self.beginResetModel()
        self._count = log.count
        self._lines = list(reversed(log.lines))
        self.endResetModel()
        return True

    def forget(self) -> None:
        """Empty, for another run."""
        self.beginResetModel()
        self._count, self._lines = 0, []
        self.endResetModel()

    def line(self, row: int) -> EventLine:
        """The event of a row."""
        return self._lines[row]

    def rowCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's name and default
        return 0 if parent.isValid() else len(self._lines)

    def columnCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's name and default
        return 0 if parent.isValid() else len(_HEADS)

    def headerData(  # noqa: N802 - Qt's name
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation is Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return _HEADS[section]
        return None

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        line = self._lines[index.row()]
        texts = (str(line.number), clock_tenths(line.time_s), line.shown, line.mark, line.where, line.message)
        column = index.column()
        if role in {Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole}:
            return texts[column]
        if role == Qt.ItemDataRole.TextAlignmentRole and column < 2:
            return Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        toned = (column == 2 and line.tone is not Tone.PLAIN) or (column == 3 and line.mark)
        if toned and role == Qt.ItemDataRole.BackgroundRole:
            return colour(theme.TONES[line.tone].ground)
        if toned and role == Qt.ItemDataRole.ForegroundRole:
            return colour(theme.TONES[line.tone].text)
        if toned and role == Qt.ItemDataRole.FontRole:
            return font(13, bold=True)
        return None


class EventTable(QTableView):
    """The list itself."""

    def __init__(self) -> None:
        super().__init__()
        self.lines = EventModel()
        self.setModel(self.lines)
        self.setAccessibleName("Events, newest first")
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setTabKeyNavigation(False)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(21)
        header = self.horizontalHeader()
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        header.setStretchLastSection(True)
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        for i, width in enumerate(_WIDTHS):
            if width:
                self.setColumnWidth(i, width)

    def set_narrow(self, *, is_narrow: bool) -> None:
        """Make room for the message where there is little."""
        for i, width in enumerate(_NARROW if is_narrow else _WIDTHS):
            if width:
                self.setColumnWidth(i, width)

    def show_log(self, log: EventLog) -> None:
        """Show a log; the newest line stays in sight unless a line is selected."""
        chosen = self.selectionModel().hasSelection()
        if self.lines.show_log(log) and not chosen:
            self.scrollToTop()
