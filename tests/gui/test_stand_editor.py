"""The stand editor: forms over the text, the loader's words, undo and redo, nothing saved that does not load."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.toml_text import comments
from gui.state import stand_form

STANDS = ("airboat.toml", "airboat_map.toml", "airboat_small.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in STANDS:
        shutil.copy(shared_path("stands", name), tmp_path / name)
    return tmp_path


@pytest.fixture
def editor(qtbot: Any, qapp: Any, folder: Path) -> Any:
    from gui.app import make_application
    from gui.windows.opening import open_stand

    make_application()
    window = open_stand(folder / "airboat.toml")
    qtbot.addWidget(window, before_close_func=lambda w: setattr(w, "stand", stand_form.opened(w.stand.path)))
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    return window


def type_text(qtbot: Any, edit: Any, text: str) -> None:
    from PySide6.QtCore import Qt

    line = edit.lineEdit() if hasattr(edit, "lineEdit") else edit
    line.setFocus()
    line.selectAll()
    qtbot.keyClicks(line, text)
    qtbot.keyClick(line, Qt.Key.Key_Return)


def test_forms_are_the_tables_of_the_profile_and_its_base(folder: Path) -> None:
    stand = stand_form.opened(folder / "airboat_small.toml")
    by = {form.key: form for form in stand_form.forms(stand)}
    assert by["motor",].is_own
    assert not by["channels", "shaft_torque"].is_own
    assert ("limits", "winding_hot") in by
    assert ("limit_record",) not in by
    (label, *_) = stand_form.fields(stand, by["channels", "shaft_torque"])
    assert (label.label, label.text) == ("label", "Shaft torque")
    assert "from the base" in label.note


def test_what_can_be_chosen_is_offered(folder: Path) -> None:
    stand = stand_form.opened(folder / "airboat.toml")
    by = {form.key: form for form in stand_form.forms(stand)}
    channel = {f.label: f for f in stand_form.fields(stand, by["channels", "shaft_torque"])}
    assert "N·m" in channel["unit"].choices
    assert "V" not in channel["unit"].choices
    assert channel["source"].choices == ("rack",)
    assert channel["calibration.gain"].choices == ()
    limit = {f.label: f for f in stand_form.fields(stand, by["limits", "thrust_high"])}
    assert limit["severity"].choices == ("caution", "trip")
    assert "thrust" in limit["channel"].choices
    assert set(limit["action"].choices) == {"ramp_down", "zero_torque"}
    assert limit["latching"].choices == ("true", "false")


def test_a_value_is_typed_and_saved_and_nothing_else_changes(qtbot: Any, editor: Any, folder: Path) -> None:
    from PySide6.QtCore import Qt

    before = (folder / "airboat.toml").read_bytes().decode()
    assert editor.open_form("channels", "thrust")
    type_text(qtbot, editor.edits["calibration.gain"], "501.5")
    assert "not saved" in editor.windowTitle()
    qtbot.keyClick(editor, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    after = (folder / "airboat.toml").read_bytes().decode()
    assert load_stand(folder / "airboat.toml").stand.channels["thrust"].calibration.curve.gain == 501.5
    changed = [pair for pair in zip(before.splitlines(), after.splitlines(), strict=True) if pair[0] != pair[1]]
    assert len(changed) == 1
    assert changed[0][1] == changed[0][0].replace("gain = 500.0", "gain = 501.5")
    assert comments(after) == comments(before)
    assert "not saved" not in editor.windowTitle()


def test_a_bad_value_shows_the_loaders_message_and_saves_nothing(qtbot: Any, editor: Any, folder: Path) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QLabel

    before = (folder / "airboat.toml").read_bytes()
    editor.open_form("channels", "shaft_torque")
    type_text(qtbot, editor.edits["unit"], "Nm/s")
    said = editor.faults.item(0).text()
    assert said == (
        "channels.shaft_torque.unit: 'Nm/s' is not a unit of torque. "
        "Use N·m, mN·m, kN·m, kgf·cm, lbf·in, lbf·ft or ozf·in. Did you mean 'N·m'?"
    )
    assert said in [label.text() for label in editor._area.findChildren(QLabel)]
    assert "(1 to mend)" in editor.tree.currentItem().text(0)
    assert not editor.save_button.isEnabled()
    qtbot.keyClick(editor, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    assert "Nothing was saved" in editor.statusBar().currentMessage()
    assert (folder / "airboat.toml").read_bytes() == before
    type_text(qtbot, editor.edits["calibration.gain"], "much")
    assert editor.faults.count() == 2
    assert "expected a number" in " ".join(editor.faults.item(i).text() for i in range(2))


def test_undo_and_redo_go_back_to_the_character(qtbot: Any, editor: Any) -> None:
    from PySide6.QtCore import Qt

    texts = [editor.stand.text]
    editor.open_form("limits", "thrust_high")
    for label, typed in (("set_point.value", "1500.0"), ("severity", "caution"), ("on_delay.value", "0.5")):
        type_text(qtbot, editor.edits[label], typed)
        texts.append(editor.stand.text)
    assert len(set(texts)) == 4
    control, shift = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
    editor.tree.setFocus()
    for text in reversed(texts[:-1]):
        qtbot.keyClick(editor, Qt.Key.Key_Z, control)
        assert editor.stand.text == text
    assert not editor.stand.is_changed
    for text in texts[1:]:
        qtbot.keyClick(editor, Qt.Key.Key_Z, control | shift)
        assert editor.stand.text == text
    assert editor.edits["on_delay.value"].text() == "0.5"


def test_a_table_is_copied_and_removed(editor: Any) -> None:
    editor.open_form("limits", "thrust_high")
    editor.copy_table("thrust_higher")
    assert editor.form().key == ("limits", "thrust_higher")
    assert editor.stand.faults == ()
    editor.remove_table()
    assert editor.stand.text == editor.stand.saved + "\n" or "thrust_higher" not in editor.stand.text
    assert not editor.open_form("limits", "thrust_higher")
    editor.open_form("limits", "winding_hot")
    editor.remove_table()
    assert "is not in this file" in editor.statusBar().currentMessage()
    editor.open_form("stand")
    editor.ask_copy()
    assert "Choose a channel or a limit" in editor.statusBar().currentMessage()


def test_the_change_is_shown_line_by_line(qtbot: Any, editor: Any) -> None:
    from PySide6.QtWidgets import QPlainTextEdit

    editor.open_form("channels", "thrust")
    type_text(qtbot, editor.edits["label"], "Thrust of the cradle")
    dialog = editor.show_change()
    text = dialog.findChild(QPlainTextEdit).toPlainText()
    assert '-label = "Thrust"' in text
    assert '+label = "Thrust of the cradle"' in text
    assert text.count("\n+") == 2  # the head of the diff, and the line


def test_closing_with_changes_asks(qtbot: Any, editor: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    editor.open_form("stand")
    type_text(qtbot, editor.edits["title"], "Another")
    monkeypatch.setattr(type(editor), "_closing_is_agreed", lambda self: False)
    assert not editor.close()
    assert editor.isVisible()
    monkeypatch.setattr(type(editor), "_closing_is_agreed", lambda self: True)
    assert editor.close()


def test_a_file_that_changed_meanwhile_is_not_overwritten(qtbot: Any, editor: Any, folder: Path) -> None:
    editor.open_form("stand")
    type_text(qtbot, editor.edits["title"], "Another")
    with (folder / "airboat.toml").open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    editor.save()
    assert "was changed meanwhile" in editor.statusBar().currentMessage()
    assert (folder / "airboat.toml").read_text("utf-8").endswith("# mine\n")


def test_a_profile_with_faults_opens_and_can_be_mended(qtbot: Any, qapp: Any, folder: Path) -> None:
    from gui.windows.opening import open_stand

    path = folder / "airboat.toml"
    path.write_text(path.read_text("utf-8").replace('unit = "N·m"\nsource', 'unit = "Nm/s"\nsource'), "utf-8")
    window = open_stand(path)
    qtbot.addWidget(window)
    assert window.faults.count() == 1
    window.open_form("channels", "shaft_torque")
    type_text(qtbot, window.edits["unit"], "N·m")
    assert window.faults.count() == 0
    window.save()
    assert load_stand(path).stand.channels["shaft_torque"].unit == "N·m"
    window.close()
