"""A stand profile as forms over its text. What is wrong is said in the loader's words, and only what loads is saved."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Slot
from PySide6.QtGui import QCloseEvent, QUndoCommand, QUndoStack
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QGridLayout,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QLineEdit,
    QListWidget,
    QMainWindow,
    QPlainTextEdit,
    QPushButton,
    QScrollArea,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchkit.errors import BenchkitError
from benchkit.model.cautions import ONE_LINE
from gui.state import theme
from gui.state.stand_form import (
    COPIED,
    NAMED,
    Field,
    Form,
    StandText,
    changed,
    copied,
    faults_of,
    fields,
    forms,
    opened,
    removed,
    section_title,
    short,
    with_typed,
    written,
)
from gui.widgets.look import block, colour
from gui.widgets.report_blocks import heading, soft
from gui.windows.menus import add_menu, add_window_menu

LEFT_PX = 320
_FORM = Qt.ItemDataRole.UserRole


class _Change(QUndoCommand):
    """From one text to another, both ways."""

    def __init__(
        self, show: Callable[[str, Form | None], None], texts: tuple[str, str], what: str, form: Form | None
    ) -> None:
        super().__init__(what)
        self._show, self._form = show, form
        self._before, self._after = texts

    def undo(self) -> None:
        self._show(self._before, self._form)

    def redo(self) -> None:
        self._show(self._after, self._form)


class StandEditor(QMainWindow):
    """List of forms, the fields of one, and what the loader says of the whole."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.stand: StandText = opened(path)
        self.resize(1280, 820)
        self.undo = QUndoStack(self)
        self.undo.cleanChanged.connect(self._tell_title)
        self.tree = QTreeWidget()
        self.tree.setHeaderHidden(True)
        self.tree.setAccessibleName("Forms")
        self.tree.setStyleSheet(f"QTreeWidget::item:selected {{ {block(theme.OTHER_PAIRS['selected row'])} }}")
        self.tree.currentItemChanged.connect(self._choose)
        self.edits: dict[str, QLineEdit | QComboBox] = {}
        self._area = QScrollArea()
        self._area.setWidgetResizable(True)
        self._area.setFrameShape(QScrollArea.Shape.NoFrame)
        self.faults = QListWidget()
        self.faults.setAccessibleName("What is wrong")
        self.faults.setWordWrap(True)
        self.faults.setFixedHeight(132)
        self.verdict = QLabel()
        self.verdict.setWordWrap(True)
        self.verdict.setAccessibleName("What the check says")
        self.save_button = QPushButton("Save (Ctrl+S)")
        self.save_button.clicked.connect(self.save)
        self._arrange()
        profile = add_menu(self, "&Profile")
        profile("Save", "Ctrl+S", self.save)
        profile("What would change", "Ctrl+D", self.show_change)
        edit = add_menu(self, "&Edit")
        edit("Undo", "Ctrl+Z", self.undo.undo)
        edit("Redo", "Ctrl+Shift+Z", self.undo.redo)
        edit("Copy this table …", "Ctrl+T", self.ask_copy)
        edit("Remove this table", "Ctrl+Backspace", self.remove_table)
        add_window_menu(self, (("Tab", "next field"), ("Enter", "take over what was typed")))
        self._fill_tree()
        self._tell()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        if self.stand.is_changed and not self._closing_is_agreed():
            event.ignore()
            return
        super().closeEvent(event)

    # ------------------------------------------------------------------------------------------- changes
    def type_into(self, label: str, typed: str) -> None:
        """Take over what was typed into a field of the present form."""
        form = self.form()
        field = next((f for f in fields(self.stand, form) if f.label == label), None) if form is not None else None
        if field is None or typed == field.text:
            return
        self._try(lambda: with_typed(self.stand, field, typed), f"{field.leaf.name} = {typed}")

    @Slot()
    def ask_copy(self) -> None:
        """Ask for a name, and put the present table once more behind all others."""
        form = self.form()
        if form is None or form.key[0] not in COPIED:
            self.say("Choose a channel or a limit to copy.")
            return
        dialog = QInputDialog(self)
        dialog.setWindowTitle(f"Copy {'.'.join(map(str, form.key))}")
        dialog.setLabelText("Name of the copy: lower case letters, digits, underscore")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.textValueSelected.connect(self.copy_table)
        dialog.open()

    @Slot(str)
    def copy_table(self, name: str) -> None:
        """Put the present table once more behind all others, under this name."""
        form = self.form()
        if form is not None:
            new = Form((form.key[0], name), name, True)
            self._try(lambda: copied(self.stand, form, name), f"copy {form.title} as {name}", new)

    @Slot()
    def remove_table(self) -> None:
        """Take the present table out of this file; Ctrl+Z brings it back."""
        form = self.form()
        if form is not None:
            self._try(lambda: removed(self.stand, form), f"remove {'.'.join(map(str, form.key))}")

    @Slot()
    def save(self) -> None:
        """Write the file, if the loader finds nothing wrong."""
        try:
            self.stand = written(self.stand)
        except BenchkitError as error:
            self.say(f"Nothing was saved. {error}")
            return
        self.undo.setClean()
        self._show_form()
        self._tell()
        self.say(f"Saved: {self.stand.path}")

    @Slot()
    def show_change(self) -> QDialog:
        """What saving would change in the file, line by line."""
        lines = difflib.unified_diff(
            self.stand.saved.splitlines(), self.stand.text.splitlines(), "on the disk", "as edited", lineterm=""
        )
        dialog = QDialog(self)
        dialog.setWindowTitle("What would change")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.resize(820, 480)
        text = QPlainTextEdit("\n".join(lines) or "Nothing.")
        text.setReadOnly(True)
        QVBoxLayout(dialog).addWidget(text)
        dialog.show()
        return dialog

    def form(self) -> Form | None:
        """The form that is shown."""
        item = self.tree.currentItem()
        found = item.data(0, _FORM) if item is not None else None
        return found if isinstance(found, Form) else None

    def open_form(self, *key: str) -> bool:
        """Show the form of this key; False where there is none."""
        item = self._item(key)
        if item is not None:
            self.tree.setCurrentItem(item)
        return item is not None

    def say(self, text: str) -> None:
        """A line at the foot of the window."""
        self.statusBar().showMessage(text)

    def _try(self, make: Callable[[], str], what: str, then: Form | None = None) -> None:
        try:
            after = make()
        except BenchkitError as error:
            self.say(str(error))
            self._show_form()
            return
        if after != self.stand.text:
            self.undo.push(_Change(self._show_text, (self.stand.text, after), what, then or self.form()))

    def _show_text(self, text: str, form: Form | None) -> None:
        self.stand = changed(self.stand, text)
        self._fill_tree(form)
        self._tell()
        self.say("")

    # ---------------------------------------------------------------------------------------------- views
    def _fill_tree(self, form: Form | None = None) -> None:
        wanted = form.key if form is not None else None
        self.tree.blockSignals(True)
        self.tree.clear()
        heads: dict[str, QTreeWidgetItem] = {}
        for each in forms(self.stand):
            section = str(each.key[0])
            item = QTreeWidgetItem([each.title])
            item.setData(0, _FORM, each)
            if not each.is_own:
                item.setToolTip(0, "From the base, or the limits of inverter or motor. A change here overrides it.")
                item.setForeground(0, colour(theme.INK_SOFT))
            found = faults_of(self.stand, each)
            if found:
                pair = theme.TONES[theme.Tone.CAUTION]
                item.setText(0, f"{each.title}  ({len(found)} to mend)")
                item.setBackground(0, colour(pair.ground))
                item.setForeground(0, colour(pair.text))
            if section in NAMED:
                if section not in heads:
                    heads[section] = QTreeWidgetItem([section_title(section)])
                    self.tree.addTopLevelItem(heads[section])
                heads[section].addChild(item)
            else:
                self.tree.addTopLevelItem(item)
        for section, head in heads.items():
            head.setExpanded(section in COPIED)
        self.tree.blockSignals(False)
        item_now = self._item(wanted) if wanted is not None else None
        item_now = item_now or self.tree.topLevelItem(0)
        if item_now is not None:
            self.tree.setCurrentItem(item_now)
        self._show_form()

    def _item(self, key: object) -> QTreeWidgetItem | None:
        tops = [self.tree.topLevelItem(i) for i in range(self.tree.topLevelItemCount())]
        items = [x for x in tops if x is not None]
        items += [top.child(i) for top in list(items) for i in range(top.childCount())]
        for item in items:
            form = item.data(0, _FORM)
            if isinstance(form, Form) and form.key == key:
                return item
        return None

    @Slot()
    def _choose(self) -> None:
        self._show_form()

    def _show_form(self) -> None:
        form = self.form()
        focus = next((label for label, edit in self.edits.items() if edit.hasFocus()), None)
        self.edits = {}
        inner = QWidget()
        grid = QGridLayout(inner)
        grid.setContentsMargins(4, 0, 14, 8)
        grid.setColumnStretch(1, 1)
        if form is not None:
            grid.addWidget(heading(" · ".join(map(str, form.key))), 0, 0, 1, 3)
            for row, field in enumerate(fields(self.stand, form), start=1):
                self._add_field(grid, row, field)
            grid.setRowStretch(grid.rowCount(), 1)
        self._area.setWidget(inner)
        if focus in self.edits:
            self.edits[focus].setFocus()

    def _add_field(self, grid: QGridLayout, row: int, field: Field) -> None:
        label = QLabel(field.label)
        edit: QLineEdit | QComboBox
        if field.choices:
            edit = QComboBox()
            edit.setEditable(True)
            edit.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
            edit.addItems(list(field.choices))
            edit.setCurrentText(field.text)
            edit.activated.connect(partial(self._edited, field.label))
            line = edit.lineEdit()
            if line is not None:
                line.editingFinished.connect(partial(self._edited, field.label))
        else:
            edit = QLineEdit(field.text)
            edit.setCursorPosition(0)
            edit.editingFinished.connect(partial(self._edited, field.label))
        edit.setAccessibleName(field.leaf.name)
        label.setBuddy(edit)
        self.edits[field.label] = edit
        note = soft(field.note)
        if field.faults:
            pair = theme.TONES[theme.Tone.CAUTION]
            note = QLabel("\n".join(short(fault, self.stand.path) for fault in field.faults))
            note.setWordWrap(True)
            note.setStyleSheet(f"color: {pair.text}; background: {pair.ground}; padding: 3px;")
        elif not field.leaf.is_own:
            edit.setStyleSheet(f"color: {theme.INK_SOFT};")
        note.setFixedWidth(340)
        grid.addWidget(label, row, 0)
        grid.addWidget(edit, row, 1)
        grid.addWidget(note, row, 2)

    def _edited(self, label: str, *_: object) -> None:
        edit = self.edits.get(label)
        if edit is not None:
            self.type_into(label, edit.currentText() if isinstance(edit, QComboBox) else edit.text())

    def _tell(self) -> None:
        stand = self.stand
        self.faults.clear()
        self.faults.addItems([short(fault, stand.path) for fault in stand.faults])
        self.faults.setVisible(bool(stand.faults))
        count = len(stand.faults)
        if count:
            text = f"{count} thing{'s' if count != 1 else ''} to mend before this can be saved:"
        else:
            text = "The profile loads without faults." + (" Not saved yet." if stand.is_changed else "")
        self.verdict.setText(text)
        self.save_button.setEnabled(stand.is_changed and not count)
        self._tell_title()

    @Slot()
    def _tell_title(self) -> None:
        star = " · not saved" if self.stand.is_changed else ""
        self.setWindowTitle(f"{self.stand.path.name}{star} · stand editor · benchkit dashboard")

    def _closing_is_agreed(self) -> bool:
        """Ask what becomes of changes that are not saved."""
        dialog = QDialog(self)
        dialog.setWindowTitle("Not saved")
        buttons = QDialogButtonBox()
        keep = buttons.addButton("Go on editing", QDialogButtonBox.ButtonRole.RejectRole)
        drop = buttons.addButton("Close without saving", QDialogButtonBox.ButtonRole.DestructiveRole)
        keep.setDefault(True)
        keep.clicked.connect(dialog.reject)
        drop.clicked.connect(dialog.accept)
        layout = QVBoxLayout(dialog)
        layout.addWidget(QLabel(f"{self.stand.path.name} has changes that are not saved."))
        layout.addWidget(buttons)
        agreed = dialog.exec() == QDialog.DialogCode.Accepted
        dialog.deleteLater()
        return agreed

    def _arrange(self) -> None:
        self.tree.setFixedWidth(LEFT_PX)
        body = QHBoxLayout()
        body.setSpacing(8)
        body.addWidget(self.tree)
        body.addWidget(self._area, 1)
        foot = QHBoxLayout()
        foot.addWidget(self.verdict, 1)
        foot.addWidget(self.save_button)
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(8, 8, 8, 6)
        layout.addLayout(body, 1)
        layout.addLayout(foot)
        layout.addWidget(self.faults)
        layout.addWidget(soft(f"A limit that is set here is a software trip. {ONE_LINE}"))
        self.setCentralWidget(holder)
