"""Panel of the plan: where it stands, what comes, and what a person says to it."""

from __future__ import annotations

from PySide6.QtCore import Signal, Slot
from PySide6.QtWidgets import QComboBox, QGridLayout, QLabel, QLineEdit, QProgressBar

from benchkit.model.interlock import State
from benchkit.session.plan_status import PlanStatus
from gui.state import plan_words
from gui.state.live import LiveModel
from gui.state.theme import Tone
from gui.widgets.drawer import Page, button, set_tone

PRESENT_EVERY_S = 1.0
"""The recorder hears so often that somebody watches, from the moment the plan was begun here."""
_HELD_WORDS = {True: "held", False: "not yet", None: ""}


class PlanPage(Page):
    """Of a recording with a plan; of another one it says how to bring a plan."""

    present = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._status: PlanStatus | None = None
        self._is_watching = False
        self._present_s = 0.0
        self._state: State | None = None
        self.title = self.text("", Tone.STRONG)
        self.phase = self.text("")
        self.step = self.text("")
        self.axes = QGridLayout()
        self.axes.setHorizontalSpacing(12)
        self.rows.addLayout(self.axes)
        self._cells: list[QLabel] = []
        self.settling = self.text("")
        self.bar = QProgressBar()
        self.bar.setAccessibleName("Steps that are done")
        self.bar.setTextVisible(False)
        self.bar.setFixedHeight(8)
        self.rows.addWidget(self.bar)
        self.left = self.text("", Tone.SOFT)
        self.presence = self.text("")
        self.role = QComboBox()
        self.role.setAccessibleName("Role of an approval or confirmation")
        self.role.setEditable(True)
        self.reason = QLineEdit()
        self.reason.setMaxLength(400)
        self.reason.setPlaceholderText("Reason, to leave a point out or to give the plan up")
        self.reason.setAccessibleName("Reason")
        self.reason.textChanged.connect(self._offer)
        self.buttons = {
            "plan_begin": button("Begin / go on", "a stopped plan goes on by this alone", self._begin),
            "plan_acknowledge": button("Acknowledge  K", "the operator is here", self.acknowledge),
            "plan_halt": button("Stop the plan", "in drive mode the stand is stopped in order", self._halt),
            "plan_leave": button("Leave", "the operator leaves: the plan stops", self._leave),
            "plan_approve": button("Approve as", "an approval that the plan asks for", self._approve),
            "plan_confirm": button("Passed, as", "the step by hand has been done and has passed", self._pass),
            "plan_confirm no": button("Not passed, as", "the plan stops here", self._fail),
            "plan_skip": button("Leave the point out", "with the reason", self._skip),
            "plan_abandon": button("Give the plan up", "with the reason; it is over then", self._abandon),
        }
        grid = QGridLayout()
        grid.setSpacing(5)
        places = ((0, 0), (0, 1), (1, 0), (1, 1), (2, 0), (3, 0), (3, 1), (5, 0), (5, 1))
        for (name, made), (row, column) in zip(self.buttons.items(), places, strict=True):
            grid.addWidget(made, row, column)
            made.setAccessibleName(name)
        grid.addWidget(self.role, 2, 1)
        grid.addWidget(self.reason, 4, 0, 1, 2)
        self.rows.addLayout(grid)
        self.account = self.text("", Tone.SOFT)
        self.fault = self.text("", Tone.DANGER)
        self.caution = self.text(
            "Stopping a plan is no emergency stop. The red button and the guard are what protects people.", Tone.SOFT
        )
        self.rows.addStretch(1)
        self.setFocusProxy(self.buttons["plan_begin"])
        self._show_axes(())

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        status = None if model.status is None else model.status.plan
        self._status, self._state = status, model.state(now_s)
        self.bar.setVisible(status is not None)
        if status is None:
            set_tone(self.title, plan_words.NO_PLAN, Tone.SOFT)
            for label in (self.phase, self.step, self.settling, self.left, self.presence, self.account, self.fault):
                set_tone(label, "", Tone.PLAIN)
                label.setVisible(False)
            self._show_axes(())
        else:
            self._show(status)
        self._offer()

    def say_present(self, status: PlanStatus | None, now_s: float) -> None:
        """From the plan's beginning here on, tell the recorder once a second that somebody watches, panel or not."""
        if status is None or status.phase in ("done", "abandoned"):
            self._is_watching = False
        if self._is_watching and now_s - self._present_s >= PRESENT_EVERY_S:
            self._present_s = now_s
            self.present.emit()

    @Slot()
    def acknowledge(self) -> None:
        """The operator is here."""
        self.asked.emit("plan_acknowledge", {})

    def _show(self, status: PlanStatus) -> None:
        mode = "the tool sends set-points" if status.mode == "drive" else "you set, the tool counts"
        shown = {
            self.title: (f"{status.title or status.name}: {mode}", Tone.STRONG),
            self.phase: plan_words.phase_words(status),
            self.step: (plan_words.step_words(status), Tone.PLAIN),
            self.settling: (plan_words.settle_words(status), Tone.PLAIN),
            self.left: (plan_words.left_words(status), Tone.SOFT),
            self.presence: plan_words.presence_words(status),
            self.account: (plan_words.account_words(status), Tone.SOFT),
            self.fault: (plan_words.fault_words(status), Tone.DANGER if status.fault else Tone.CAUTION),
        }
        for label, (words, tone) in shown.items():
            set_tone(label, words, tone)
            label.setVisible(bool(words))
        self.bar.setRange(0, max(1, status.steps))
        self.bar.setValue(status.steps_done)
        self._show_axes(plan_words.axis_rows(status))
        roles = [*status.missing_approvals, *([status.approver] if status.approver else [])]
        if [self.role.itemText(i) for i in range(self.role.count())] != roles:
            self.role.clear()
            self.role.addItems(roles)

    def _show_axes(self, rows: tuple[plan_words.AxisRow, ...]) -> None:
        heads = ("", "wanted", "measured", "", "next") if rows else ()
        lines = [
            heads,
            *((f"{r.axis} / {r.unit}", r.target, r.measured, _HELD_WORDS[r.is_held], r.following) for r in rows),
        ]
        texts = [text for line in lines for text in line]
        while len(self._cells) < len(texts):
            cell = self.text("")
            self.rows.removeWidget(cell)
            self.axes.addWidget(cell, len(self._cells) // 5, len(self._cells) % 5)
            self._cells.append(cell)
        for i, cell in enumerate(self._cells):
            words = texts[i] if i < len(texts) else ""
            set_tone(cell, words, Tone.SOFT if i < 5 or i % 5 in (0, 4) else Tone.PLAIN)
            cell.setVisible(i < len(texts))

    @Slot()
    def _offer(self) -> None:
        status = self._status
        may: frozenset[str] = frozenset()
        if status is not None:
            has_reason = bool(self.reason.text().strip())
            may = plan_words.offered(status, self._state, has_reason=has_reason, may_ask=self.may_ask)
        for name, made in self.buttons.items():
            made.setEnabled(name.removesuffix(" no") in may)
        self.role.setEnabled(bool({"plan_approve", "plan_confirm"} & may))

    @Slot()
    def _begin(self) -> None:
        self._is_watching = True
        self.asked.emit("plan_begin", {})

    @Slot()
    def _halt(self) -> None:
        self.asked.emit("plan_halt", {})

    @Slot()
    def _leave(self) -> None:
        self._is_watching = False
        self.asked.emit("plan_leave", {})

    @Slot()
    def _approve(self) -> None:
        self.asked.emit("plan_approve", {"role": self.role.currentText()})

    @Slot()
    def _pass(self) -> None:
        self.asked.emit("plan_confirm", {"role": self.role.currentText(), "passed": "yes"})

    @Slot()
    def _fail(self) -> None:
        self.asked.emit("plan_confirm", {"role": self.role.currentText(), "passed": "no"})

    @Slot()
    def _skip(self) -> None:
        self.asked.emit("plan_skip", {"reason": self.reason.text().strip()})

    @Slot()
    def _abandon(self) -> None:
        self.asked.emit("plan_abandon", {"reason": self.reason.text().strip()})
