"""Panels around a run: note and photo, tare, checklist and proof, bursts."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Slot
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPlainTextEdit,
)

from gui.state.live import LiveModel
from gui.state.run_panels import PhotoChoice, newest_photos, permissive_lines, proof_words, tare_hint, tare_rows
from gui.state.theme import Tone
from gui.widgets.drawer import Page, button, set_tone


class NotePage(Page):
    """A note into the run, and a photo beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.note = QPlainTextEdit()
        self.note.setAccessibleName("Note")
        self.note.setPlaceholderText("What happens, what was changed, what is to be looked at")
        self.note.setTabChangesFocus(True)
        self.note.setMaximumHeight(130)
        self.rows.addWidget(self.note)
        self.setFocusProxy(self.note)
        self.write = button("Write the note", "into the event log of the run, with the time of now", self._write)
        self.write.setEnabled(False)
        self.rows.addWidget(self.write)
        self.text("A photo is copied beside the run; the run keeps its name and SHA-256.", Tone.SOFT)
        self.path = QLineEdit()
        self.path.setAccessibleName("Photo")
        self.path.setPlaceholderText("photo or folder: type it, or drop a file here")
        self.path.textChanged.connect(self._look)
        self.rows.addWidget(self.path)
        self.list = QListWidget()
        self.list.setAccessibleName("Newest photos of the folder")
        self.list.setStyleSheet("QListWidget::item { padding: 2px; }")
        self.list.itemActivated.connect(self._take)
        self.list.itemClicked.connect(self._take)
        self.rows.addWidget(self.list, 1)
        self.caption = QLineEdit()
        self.caption.setPlaceholderText("what it shows")
        self.caption.setAccessibleName("Caption of the photo")
        self.rows.addWidget(self.caption)
        self.attach = button("Attach the photo", "copies it beside the run and names it in the event log", self._attach)
        self.attach.setEnabled(False)
        self.rows.addWidget(self.attach)
        self.told = self.text("", Tone.SOFT)
        self.setAcceptDrops(True)
        self._choice = PhotoChoice()
        self.path.setText(str(Path.home()))

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        self.write.setEnabled(may_ask and bool(self.note.toPlainText().strip()))
        self.attach.setEnabled(may_ask and self._choice.is_photo)

    def say(self, text: str, *, refused: bool) -> None:
        set_tone(self.told, text, Tone.CAUTION if refused else Tone.SOFT)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:  # noqa: N802 - Qt's name
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:  # noqa: N802 - Qt's name
        local = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        if local:
            self.path.setText(local[0])

    @Slot()
    def _look(self) -> None:
        self._choice = newest_photos(self.path.text())
        self.list.clear()
        for path, words in self._choice.found:
            item = QListWidgetItem(words)
            item.setData(Qt.ItemDataRole.UserRole, path)
            self.list.addItem(item)
        set_tone(self.told, self._choice.words, Tone.SOFT)

    @Slot(QListWidgetItem)
    def _take(self, item: QListWidgetItem) -> None:
        self.path.setText(item.data(Qt.ItemDataRole.UserRole))

    @Slot()
    def _write(self) -> None:
        self.asked.emit("note", {"text": self.note.toPlainText().strip()})
        self.note.clear()

    @Slot()
    def _attach(self) -> None:
        self.asked.emit("attach", {"path": self.path.text().strip(), "text": self.caption.text().strip()})
        self.caption.clear()


class TarePage(Page):
    """Channels whose zero can be taken, with their present values."""

    def __init__(self) -> None:
        super().__init__()
        self.text("Takes the mean of the last two seconds as zero. Only at rest: a zero taken under load shifts every "
                  "later value and every limit on it.", Tone.SOFT)  # fmt: skip
        self.list = QListWidget()
        self.list.setAccessibleName("Channels to tare")
        self.list.itemChanged.connect(self._offer)
        self.rows.addWidget(self.list, 1)
        self.setFocusProxy(self.list)
        self.hint = self.text("", Tone.SOFT)
        self.take = button("Tare the ticked channels", "the recorder refuses while the shaft turns", self._tare)
        self.take.setEnabled(False)
        self.rows.addWidget(self.take)
        self.told = self.text("", Tone.SOFT)

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        rows = tare_rows(model)
        if self.list.count() != len(rows):
            self.list.clear()
            for row in rows:
                item = QListWidgetItem()
                item.setData(Qt.ItemDataRole.UserRole, row.name)
                item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
                item.setCheckState(Qt.CheckState.Unchecked)
                self.list.addItem(item)
        self.list.blockSignals(True)
        for i, row in enumerate(rows):
            self.list.item(i).setText(row.words)
        self.list.blockSignals(False)
        words, is_at_rest = tare_hint(model, now_s)
        set_tone(self.hint, words, Tone.SOFT if is_at_rest else Tone.CAUTION)
        self._is_at_rest = is_at_rest
        self._offer()

    _is_at_rest = False

    def say(self, text: str, *, refused: bool) -> None:
        set_tone(self.told, text, Tone.CAUTION if refused else Tone.SOFT)

    def ticked(self) -> list[str]:
        """Names of the ticked channels."""
        items = [self.list.item(i) for i in range(self.list.count())]
        return [x.data(Qt.ItemDataRole.UserRole) for x in items if x.checkState() is Qt.CheckState.Checked]

    @Slot()
    def _offer(self) -> None:
        self.take.setEnabled(self.may_ask and self._is_at_rest and bool(self.ticked()))

    @Slot()
    def _tare(self) -> None:
        self.asked.emit("tare", {"channels": self.ticked()})


class StartPage(Page):
    """What is missing before the stand can be armed; the checklist to tick and sign; the proof of the limits."""

    def __init__(self) -> None:
        super().__init__()
        self.missing = self.text("")
        self.heading("Checklist")
        self._items: dict[str, QCheckBox] = {}
        self._none = QLabel("The profile has no checklist.")
        self.rows.addWidget(self._none)
        self._place = self.rows.count()
        self.sign = button("Sign the checklist", "every item ticked, under the name in Look (F9)", self._sign)
        self.sign.setEnabled(False)
        self.rows.addWidget(self.sign)
        self.heading("Proof of the limits")
        self.proof = self.text("", Tone.SOFT)
        self.path = QLineEdit()
        self.path.setAccessibleName("Record of the proof")
        self.path.setPlaceholderText("record of benchkit prove, STAND_proof.json")
        line = QHBoxLayout()
        line.addWidget(self.path, 1)
        self.hand_in = button("Hand in", "the recorder looks whether it is of these limits", self._hand_in)
        self.hand_in.setEnabled(False)
        line.addWidget(self.hand_in)
        self.rows.addLayout(line)
        self.told = self.text("", Tone.SOFT)
        self.rows.addStretch(1)

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        lines, is_ready = permissive_lines(model)
        set_tone(self.missing, lines, Tone.PLAIN if is_ready else Tone.CAUTION)
        wanted = {x.name: x.text for x in model.stand.start_conditions.checklist}
        if set(wanted) != set(self._items):
            for box in self._items.values():
                box.deleteLater()
            self._items = {}
            for i, (name, text) in enumerate(wanted.items()):
                self._items[name] = QCheckBox(text)
                self._items[name].setAccessibleName(text)
                self.rows.insertWidget(self._place + i, self._items[name])
        self._none.setVisible(not wanted)
        self.sign.setVisible(bool(wanted))
        self.sign.setEnabled(may_ask and all(x.isChecked() for x in self._items.values()))
        self.hand_in.setEnabled(may_ask and bool(self.path.text().strip()))
        set_tone(self.proof, proof_words(model), Tone.SOFT)

    def say(self, text: str, *, refused: bool) -> None:
        set_tone(self.told, text, Tone.CAUTION if refused else Tone.SOFT)

    def tick(self, name: str) -> None:
        """Tick an item."""
        self._items[name].setChecked(True)

    @Slot()
    def _sign(self) -> None:
        self.asked.emit("sign_checklist", {"ticked": [n for n, box in self._items.items() if box.isChecked()]})

    @Slot()
    def _hand_in(self) -> None:
        self.asked.emit("proof", {"path": self.path.text().strip()})


class BurstPage(Page):
    """Fast samples around now."""

    def __init__(self) -> None:
        super().__init__()
        self.hint = self.text("", Tone.SOFT)
        self.list = QListWidget()
        self.list.setAccessibleName("Burst sources")
        self.rows.addWidget(self.list, 1)
        self.setFocusProxy(self.list)
        self.reason = QLineEdit()
        self.reason.setPlaceholderText("Why; it is kept with the burst")
        self.reason.setAccessibleName("Reason")
        self.rows.addWidget(self.reason)
        self.fire = button("Capture now", "keeps the samples before and after this moment", self._fire)
        self.fire.setEnabled(False)
        self.rows.addWidget(self.fire)
        self.told = self.text("", Tone.SOFT)

    def follow(self, model: LiveModel, now_s: float, *, may_ask: bool) -> None:
        super().follow(model, now_s, may_ask=may_ask)
        names = list(model.stand.bursts)
        if self.list.count() != len(names):
            self.list.clear()
            self.list.addItems(names)
            self.list.setCurrentRow(0)
        text = "Captures from the chosen source." if names else "This stand has no burst source ([bursts.NAME])."
        set_tone(self.hint, text, Tone.SOFT)
        self.fire.setEnabled(may_ask and bool(names) and self.list.currentRow() >= 0)

    def say(self, text: str, *, refused: bool) -> None:
        set_tone(self.told, text, Tone.CAUTION if refused else Tone.SOFT)

    @Slot()
    def _fire(self) -> None:
        item = self.list.currentItem()
        self.asked.emit("burst", {"source": "" if item is None else item.text(), "text": self.reason.text().strip()})
