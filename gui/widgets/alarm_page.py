"""Panel of the alarms: acknowledge, shelve, out of service, release."""

from __future__ import annotations

import math

from PySide6.QtCore import Qt, Slot
from PySide6.QtWidgets import QAbstractItemView, QGridLayout, QHeaderView, QLineEdit, QTableWidget, QTableWidgetItem

from gui.state import theme
from gui.state.alarm_rows import AlarmRow, alarm_rows, longest_minutes, shelving_fault
from gui.state.decimals import read
from gui.state.live import LiveModel
from gui.state.theme import Tone
from gui.widgets.drawer import Page, button, set_tone
from gui.widgets.look import colour, font

_HEADS = ("Alarm", "State", "Since", "By, reason")


class AlarmPage(Page):
    """All alarms that are not normal, and the cautions that could be set aside."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: tuple[AlarmRow, ...] = ()
        self._longest = 0.0
        self.table = QTableWidget(0, len(_HEADS))
        self.table.setAccessibleName("Alarms, those that call for attention first")
        self.table.setHorizontalHeaderLabels(_HEADS)
        self.table.verticalHeader().hide()
        self.table.verticalHeader().setDefaultSectionSize(22)
        self.table.setShowGrid(False)
        self.table.setWordWrap(False)
        self.table.setTabKeyNavigation(False)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        for column, width in enumerate((120, 172, 60)):
            self.table.setColumnWidth(column, width)
        self.table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.table.itemSelectionChanged.connect(self._offer)
        self.rows.addWidget(self.table, 1)
        self.setFocusProxy(self.table)
        self.reason = QLineEdit()
        self.reason.setPlaceholderText("Reason, for shelving and out of service")
        self.reason.setMaxLength(400)
        self.reason.setAccessibleName("Reason")
        self.minutes = QLineEdit("10")
        self.minutes.setMaximumWidth(70)
        self.minutes.setAccessibleName("Minutes of shelving")
        for field in (self.reason, self.minutes):
            field.textChanged.connect(self._offer)
        grid = QGridLayout()
        grid.setSpacing(5)
        grid.addWidget(self.reason, 0, 0, 1, 4)
        self.buttons = {
            "acknowledge": button("Acknowledge", "the chosen one: 'seen'; it stops and clears nothing", self._ask_one),
            "acknowledge all": button("Acknowledge all  A", "all that call for attention", self._ask_all),
            "release": button("Release latched", "latched cautions whose condition is gone", self._release),
            "shelve": button("Shelve for min:", "set a caution aside for a time", self._shelve),
            "unshelve": button("Unshelve", "let it call for attention again", self._unshelve),
            "out_of_service": button("Out of service", "until somebody puts it back", self._take_out),
            "in_service": button("Back in service", "let it call for attention again", self._put_back),
        }
        places = ((1, 0), (1, 1), (1, 2), (2, 0), (2, 2), (3, 0), (3, 1))
        for (name, made), (row, column) in zip(self.buttons.items(), places, strict=True):
            grid.addWidget(made, row, column, 1, 2 if name in ("release", "unshelve") else 1)
        grid.addWidget(self.minutes, 2, 1)
        self.rows.addLayout(grid)
        self.hint = self.text("", Tone.SOFT)

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        self._longest = longest_minutes(model.stand)
        rows = alarm_rows(model.in_force, model.status)
        if rows != self._rows:
            chosen = self.chosen()
            self._rows = rows
            self._fill(chosen.name if chosen is not None else "")
        self._offer()

    def chosen(self) -> AlarmRow | None:
        """The alarm of the chosen line."""
        row = self.table.currentRow()
        return self._rows[row] if 0 <= row < len(self._rows) else None

    def choose(self, name: str) -> None:
        """Choose a line by the name of its alarm."""
        for i, row in enumerate(self._rows):
            if row.name == name:
                self.table.selectRow(i)

    def _fill(self, chosen: str) -> None:
        self.table.blockSignals(True)
        self.table.setRowCount(len(self._rows))
        for i, row in enumerate(self._rows):
            for column, text in enumerate((row.name, row.state, row.since, row.note)):
                item = QTableWidgetItem(text)
                item.setToolTip(f"{row.name}, {row.severity}: {row.state}. {row.note}")
                if row.tone is not Tone.PLAIN and column < 2:
                    item.setBackground(colour(theme.TONES[row.tone].ground))
                    item.setForeground(colour(theme.TONES[row.tone].text))
                    item.setFont(font(13, bold=column == 0))
                self.table.setItem(i, column, item)
        self.table.blockSignals(False)
        self.choose(chosen)

    @Slot()
    def _offer(self) -> None:
        row = self.chosen()
        may = row.may if row is not None and self.may_ask else frozenset()
        minutes = read(self.minutes.text())
        fault = shelving_fault(self.reason.text(), minutes, self._longest)
        has_reason = bool(self.reason.text().strip())
        offered = {
            "acknowledge": "acknowledge" in may,
            "acknowledge all": self.may_ask and any("acknowledge" in x.may for x in self._rows),
            "release": self.may_ask,
            "shelve": "shelve" in may and not fault,
            "unshelve": "unshelve" in may,
            "out_of_service": "out_of_service" in may and has_reason,
            "in_service": "in_service" in may,
        }
        for name, is_offered in offered.items():
            self.buttons[name].setEnabled(is_offered)
        if row is None:
            hint = "Choose a line. Trips can be acknowledged; they are never shelved or taken out of service."
        elif row.severity == "trip":
            hint = f"{row.name} is a trip: it can be acknowledged, nothing else. Reset releases it."
        elif "shelve" in row.may and fault:
            longest = f" (at most {self._longest:g} min)" if not math.isnan(self._longest) else ""
            hint = f"To shelve {row.name}{longest}: {fault}"
        else:
            hint = f"{row.name}: {row.state}" + (f". {row.note}" if row.note else "")
        set_tone(self.hint, hint, Tone.SOFT)

    @Slot()
    def _ask_all(self) -> None:
        self.asked.emit("acknowledge", {})

    @Slot()
    def _ask_one(self) -> None:
        self._ask("acknowledge")

    @Slot()
    def _release(self) -> None:
        self.asked.emit("release", {})

    @Slot()
    def _shelve(self) -> None:
        self._ask("shelve", reason=self.reason.text().strip(), minutes=read(self.minutes.text()))

    @Slot()
    def _unshelve(self) -> None:
        self._ask("unshelve")

    @Slot()
    def _take_out(self) -> None:
        self._ask("out_of_service", reason=self.reason.text().strip())

    @Slot()
    def _put_back(self) -> None:
        self._ask("in_service")

    def _ask(self, request: str, **arguments: object) -> None:
        row = self.chosen()
        if row is not None:
            self.asked.emit(request, {"alarm": row.name, **arguments})
