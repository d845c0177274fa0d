"""The panels of the live window: what each asks of the recorder, and that none of them can hide a trip."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchkit.model.alarms import Life
from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.limits import Severity
from benchkit.runfile.photos import photo_folder
from benchkit.session.messages import FirstOutStatus
from benchkit.session.protection_status import AlarmStatus, ProtectionStatus
from gui.state.controls import PANELS, WATCH_ONLY_TEXT
from gui.state.decimals import use
from gui.state.settings import Settings, load_settings

pytestmark = pytest.mark.gui
WAIT_MS = 15_000
PNG = b"\x89PNG\r\n\x1a\n" + bytes(40)


@pytest.fixture
def attach(qtbot: Any, dashboard: Any) -> Callable[..., Any]:
    """Open a live window and wait until it is live."""

    def open_window(target: Any, settings: Settings | None = None) -> Any:
        window = dashboard.open_live(target, settings)
        qtbot.addWidget(window)
        window.show()
        qtbot.waitUntil(lambda: window.frame.state_line.link.text() == "LIVE", timeout=WAIT_MS)
        return window

    return open_window


def request(qtbot: Any, publisher: Any, do: str) -> dict[str, Any]:
    """The request of that name, when it has come."""
    qtbot.waitUntil(lambda: do in [r["do"] for r in publisher.requests], timeout=WAIT_MS)
    return next(r for r in publisher.requests if r["do"] == do)


def warm(name: str = "winding_warm", life: Life = Life.UNACKNOWLEDGED) -> AlarmStatus:
    return AlarmStatus(name, Severity.CAUTION, life, True, 1.0)


def test_no_panel_hides_a_trip(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    """Every panel is opened, then the stand trips: the word stands in the open within a second, and Esc still stops."""
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QApplication

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    word = window.frame.state_line.state
    for panel in PANELS:
        publisher.state, publisher.first_out = State.RUNNING, None
        qtbot.waitUntil(lambda: word.text() == "RUNNING", timeout=WAIT_MS)
        window.drawer.open(panel.name)
        qtbot.waitUntil(window.drawer.isVisible, timeout=WAIT_MS)
        publisher.first_out = FirstOutStatus(("winding_hot",), True, 1.0)
        publisher.state = State.TRIPPED
        qtbot.waitUntil(lambda: word.text() == "TRIPPED", timeout=WAIT_MS)
        assert word.note() == "first-out: winding_hot"
        # nothing lies on it: what is found at its place is the word itself
        for where in (word.rect().center(), word.rect().topLeft(), word.rect().bottomRight()):
            found = window.childAt(word.mapTo(window, where))
            assert found is word or word.isAncestorOf(found), panel.name
        assert [w for w in QApplication.topLevelWidgets() if w.isVisible() and w is not window] == []
        assert QApplication.activeModalWidget() is None
        assert QApplication.activePopupWidget() is None
        publisher.requests.clear()
        page = window.drawer.page()
        qtbot.keyClick(QApplication.focusWidget() or page, Qt.Key.Key_Escape)
        request(qtbot, publisher, "stop")
        assert window.drawer.name == panel.name


def test_panels_open_and_close_with_their_keys(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QApplication

    window = attach(start_publisher(state=State.READY).live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    for panel in PANELS:
        key = getattr(Qt.Key, f"Key_{panel.keys}")
        qtbot.keyClick(QApplication.focusWidget() or window, key)
        assert window.drawer.name == panel.name
        # the keyboard is in the panel already
        assert window.drawer.isAncestorOf(QApplication.focusWidget()), panel.name
        qtbot.keyClick(QApplication.focusWidget() or window, key)
        assert window.drawer.name == ""
    qtbot.keyClick(window, Qt.Key.Key_F2)
    qtbot.keyClick(QApplication.focusWidget() or window, Qt.Key.Key_F10)
    assert window.drawer.isHidden()


def test_the_space_bar_presses_the_button_that_has_the_keyboard(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=State.READY)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    button = window.controls.button("mark")
    qtbot.waitUntil(button.isEnabled, timeout=WAIT_MS)
    button.setFocus()
    qtbot.keyClick(button, Qt.Key.Key_Space)
    request(qtbot, publisher, "mark")
    # and no key of the window is one that a button, a list or a field needs
    from PySide6.QtGui import QShortcut

    taken = {x.key().toString() for x in window.findChildren(QShortcut)}
    assert not taken & {"Space", "Return", "Enter", "Tab", "Up", "Down", "Del", "Backspace"}


def test_letters_typed_into_a_field_ask_for_nothing(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    window.drawer.open("note")
    page = window.drawer.page()
    page.note.setFocus()
    qtbot.keyClicks(page.note, "a mark, c 1-2 + m")
    assert page.note.toPlainText() == "a mark, c 1-2 + m"
    qtbot.waitUntil(page.write.isEnabled, timeout=WAIT_MS)
    page.write.click()
    assert request(qtbot, publisher, "note")["text"] == "a mark, c 1-2 + m"
    assert [r["do"] for r in publisher.requests] == ["note"]


def test_alarms_are_acknowledged_shelved_and_put_back(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    trip = AlarmStatus("winding_hot", Severity.TRIP, Life.LATCHED_UNACKNOWLEDGED, False, 2.0)
    publisher.protection = ProtectionStatus((warm(), trip))
    settings = Settings(who="Ada Rush", decimal=".")
    window = attach(publisher.live_file, settings)
    window.drawer.open("alarms")
    page = window.drawer.page()
    qtbot.waitUntil(lambda: page.table.rowCount() >= 2, timeout=WAIT_MS)
    assert [page.table.item(i, 0).text() for i in (0, 1)] == ["winding_hot", "winding_warm"], "trips come first"
    page.choose("winding_hot")
    assert page.buttons["acknowledge"].isEnabled()
    page.reason.setText("probe loose")
    assert not page.buttons["shelve"].isEnabled(), "a trip is never shelved"
    assert not page.buttons["out_of_service"].isEnabled()
    page.choose("winding_warm")
    page.minutes.setText("31")
    assert not page.buttons["shelve"].isEnabled(), "the profile allows 30 min"
    assert "At most 30 min" in page.hint.text()
    page.minutes.setText("7.5")
    page.buttons["shelve"].click()
    asked = request(qtbot, publisher, "shelve")
    assert asked == {
        "do": "shelve", "who": "Ada Rush", "alarm": "winding_warm", "reason": "probe loose", "minutes": 7.5,
    }  # fmt: skip
    page.buttons["acknowledge"].click()
    assert request(qtbot, publisher, "acknowledge")["alarm"] == "winding_warm"
    shelved = replace(warm(life=Life.SHELVED), who="Ada", reason="probe loose", until_s=451.0)
    publisher.protection = ProtectionStatus((shelved, replace(warm("junction_warm"), life=Life.OUT_OF_SERVICE)))
    qtbot.waitUntil(page.buttons["unshelve"].isEnabled, timeout=WAIT_MS)
    assert "Ada: probe loose" in page.table.item(page.table.currentRow(), 3).text()
    page.buttons["unshelve"].click()
    request(qtbot, publisher, "unshelve")
    page.choose("junction_warm")
    page.buttons["in_service"].click()
    assert request(qtbot, publisher, "in_service")["alarm"] == "junction_warm"
    page.choose("coolant_flow_low")
    page.buttons["out_of_service"].click()
    assert request(qtbot, publisher, "out_of_service")["reason"] == "probe loose"
    page.buttons["release"].click()
    request(qtbot, publisher, "release")


def test_the_key_of_acknowledge_says_seen_to_all(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=State.TRIPPED)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    qtbot.waitUntil(window.controls.button("acknowledge").isEnabled, timeout=WAIT_MS)
    qtbot.keyClick(window, Qt.Key.Key_A)
    assert "alarm" not in request(qtbot, publisher, "acknowledge")


def test_a_set_point_is_looked_at_before_it_is_set(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file, Settings(who="Ada", decimal="."))
    window.drawer.open("limits")
    page = window.drawer.page()
    qtbot.waitUntil(lambda: page.list.count() == 15, timeout=WAIT_MS)
    names = [page.list.item(i).text().split(":")[0] for i in range(page.list.count())]
    assert set(names[:5]) == {"winding_hot", "winding_warm", "coolant_hot", "vibration_high", "thrust_high"}
    page.list.setCurrentRow(names.index("over_speed"))
    assert not page.entry.isEnabled()
    assert "not named in tightened_live" in page.told.text()
    page.list.setCurrentRow(names.index("winding_hot"))
    qtbot.waitUntil(lambda: len(window.model.view(["winding_temp"], 0.0, 60.0, 300)) == 1, timeout=WAIT_MS)
    page.entry.setText("150")
    page.look()
    assert "looser than the profile: at most 140 °C" in page.told.text()
    assert not page.confirm.isEnabled()
    page.entry.setText("nonsense")
    page.look()
    assert "Not a number" in page.told.text()
    # exact: the level of the test recorder is 96 °C, its noise 0.2 % of that
    page.entry.setText("90.5")
    page.look()
    assert "it would act at once and STOP the stand" in page.told.text()
    page.entry.setText("120.5")
    assert not page.confirm.isEnabled(), "another text is another set point"
    page.look()
    assert "it would not have acted" in page.told.text()
    assert page.confirm.text() == "Set winding_hot to 120.5 °C"
    page.reason.setText("first run")
    assert not publisher.requests
    page.confirm.click()
    asked = request(qtbot, publisher, "set_limit")
    assert asked == {
        "do": "set_limit", "who": "Ada", "limit": "winding_hot", "set_point": 120.5, "seen": 140.0,
        "reason": "first run",
    }  # fmt: skip
    publisher.protection = ProtectionStatus(tightened={"winding_hot": 120.5})
    qtbot.waitUntil(lambda: any("1 stricter" in t for t in window.frame.state_line.field_texts()), timeout=WAIT_MS)
    plot = next(p for p in window.frame.trends.plots() if p.group.title == "Temperature")
    assert 120.5 in [rule.at for rule in plot.canvas.rules], "the plot shows the set point in force"
    bar = next(b for b in window.frame.margins.bars() if b.channel == "winding_temp")
    assert "120.5" in bar.limit


def test_a_photo_is_copied_beside_the_run_and_named(
    qtbot: Any, attach: Any, start_publisher: Any, tmp_path: Path
) -> None:
    import hashlib

    publisher = start_publisher(state=State.READY)
    run = Path(publisher.endpoints.run_path)
    run.write_bytes(b"")
    camera = tmp_path / "camera"
    camera.mkdir()
    (camera / "guard closed.png").write_bytes(PNG)
    (camera / "notes.txt").write_text("no photo")
    window = attach(publisher.live_file)
    window.drawer.open("note")
    page = window.drawer.page()
    page.path.setText(str(camera))
    assert page.list.count() == 1
    page.list.itemActivated.emit(page.list.item(0))
    page.caption.setText("guard, closed")
    qtbot.waitUntil(page.attach.isEnabled, timeout=WAIT_MS)
    page.attach.click()
    asked = request(qtbot, publisher, "attach")
    kept = photo_folder(run) / "001_guard_closed.png"
    assert kept.read_bytes() == PNG
    assert asked == {
        "do": "attach", "who": "dashboard", "text": "guard, closed", "photo": kept.name,
        "sha256": hashlib.sha256(PNG).hexdigest(), "bytes": len(PNG),
    }  # fmt: skip
    page.path.setText(str(camera / "notes.txt"))
    assert not page._choice.is_photo
    (camera / "false.png").write_text("text")
    page.path.setText(str(camera / "false.png"))
    qtbot.waitUntil(page.attach.isEnabled, timeout=WAIT_MS)
    page.attach.click()
    qtbot.waitUntil(lambda: "its content is not what its name says" in page.told.text(), timeout=WAIT_MS)


def test_tare_only_at_rest(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.drawer.open("tare")
    page = window.drawer.page()
    qtbot.waitUntil(lambda: page.list.count() > 0, timeout=WAIT_MS)
    item = next(page.list.item(i) for i in range(page.list.count()) if "Thrust" in page.list.item(i).text())
    item.setCheckState(Qt.CheckState.Checked)
    assert not page.take.isEnabled()
    assert page.hint.text() == "Not in RUNNING: stop and disarm first."
    publisher.state = State.READY
    qtbot.waitUntil(page.take.isEnabled, timeout=WAIT_MS)
    page.take.click()
    assert request(qtbot, publisher, "tare")["channels"] == ["thrust"]


def test_a_burst_is_asked_for(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.drawer.open("burst")
    page = window.drawer.page()
    qtbot.waitUntil(lambda: "no burst source" in page.hint.text(), timeout=WAIT_MS)
    assert not page.fire.isEnabled()


def test_a_burst_of_a_stand_that_has_a_source(qtbot: Any, attach: Any, start_publisher: Any, tmp_path: Path) -> None:
    from benchkit.profiles import load_stand, shared_path

    plain = start_publisher(state=State.RUNNING)
    bursts = load_stand(shared_path("stands", "airboat_bursts.toml"))
    header = replace(plain.header, run_id="with-bursts", profile_json=bursts.json)
    publisher = type(plain)(bursts.stand, header, tmp_path, state=State.RUNNING)
    try:
        window = attach(publisher.live_file)
        window.drawer.open("burst")
        page = window.drawer.page()
        qtbot.waitUntil(page.fire.isEnabled, timeout=WAIT_MS)
        page.reason.setText("odd noise")
        page.fire.click()
        asked = request(qtbot, publisher, "burst")
        assert (asked["source"], asked["text"]) == (next(iter(bursts.stand.bursts)), "odd noise")
        qtbot.waitUntil(lambda: page.told.text() == "Burst: accepted", timeout=WAIT_MS)
    finally:
        window.close()
        publisher.close()


def test_the_checklist_is_ticked_and_signed(qtbot: Any, attach: Any, start_publisher: Any, tmp_path: Path) -> None:
    import json

    plain = start_publisher(state=State.STANDBY)
    body = json.loads(plain.header.profile_json)
    body["start_conditions"] = {"checklist": {"guards": "Guards closed", "people": "Nobody in the plane"}}
    from benchkit.profiles import stand_from_json

    text = json.dumps(body)
    publisher = type(plain)(
        stand_from_json(text), replace(plain.header, run_id="with-checklist", profile_json=text), tmp_path
    )
    try:
        window = attach(publisher.live_file, Settings(who="Ada", decimal="."))
        window.drawer.open("start")
        page = window.drawer.page()
        qtbot.waitUntil(lambda: set(page._items) == {"guards", "people"}, timeout=WAIT_MS)
        page.tick("guards")
        window.draw()
        assert not page.sign.isEnabled(), "every item is ticked before it is signed"
        page.tick("people")
        qtbot.waitUntil(page.sign.isEnabled, timeout=WAIT_MS)
        page.sign.click()
        assert request(qtbot, publisher, "sign_checklist") == {
            "do": "sign_checklist", "who": "Ada", "ticked": ["guards", "people"],
        }  # fmt: skip
        # a record that cannot be read is said here, and no request goes out
        page.path.setText(str(tmp_path / "none.json"))
        qtbot.waitUntil(page.hand_in.isEnabled, timeout=WAIT_MS)
        page.hand_in.click()
        qtbot.waitUntil(lambda: "none.json" in page.told.text(), timeout=WAIT_MS)
        assert "proof" not in [r["do"] for r in publisher.requests]
    finally:
        window.close()
        publisher.close()


def test_a_key_that_may_watch_gets_no_buttons(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.ARMED, grant="watch")
    publisher.protection = ProtectionStatus((warm(),))
    window = attach(publisher.live_file)
    qtbot.waitUntil(lambda: window.controls.answer() == WATCH_ONLY_TEXT, timeout=WAIT_MS)
    assert not any(window.controls.button(x).isEnabled() for x in ("arm", "start", "stop", "reset", "mark"))
    window.drawer.open("alarms")
    page = window.drawer.page()
    qtbot.waitUntil(lambda: page.table.rowCount() > 0, timeout=WAIT_MS)
    page.choose("winding_warm")
    page.reason.setText("x")
    assert not any(button.isEnabled() for button in page.buttons.values())
    assert publisher.requests == []


def test_hold_cursors_and_channels(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    trends = window.frame.trends
    qtbot.waitUntil(lambda: len(trends.plots()[0].drawn("shaft_speed")[0]) > 60, timeout=WAIT_MS)
    window.frame.setFocus()
    qtbot.keyClick(window, Qt.Key.Key_H)
    assert window.held is not None
    view = trends.plots()[0].canvas.span
    qtbot.wait(200)
    assert trends.plots()[0].canvas.span == view
    assert "HELD" in trends._where.text()
    window._zoom(-1)
    window.draw()
    assert window.held[1] - window.held[0] == pytest.approx(30.0)  # exact: half of 60 s
    start_s = window.held[0]
    qtbot.keyClick(window, Qt.Key.Key_Right)
    assert window.held[0] - start_s == pytest.approx(1.5)  # exact: a twentieth of 30 s
    qtbot.keyClick(window, Qt.Key.Key_H)
    assert window.held is None
    qtbot.keyClick(window, Qt.Key.Key_C)
    assert window.drawer.name == "traces"
    page = window.drawer.page()
    window.cursors.times[:] = [0.25, 0.5]
    qtbot.waitUntil(lambda: page.values.rowCount() > 0 and page.values.item(0, 1) is not None, timeout=WAIT_MS)
    qtbot.waitUntil(lambda: page.values.item(0, 1).text() not in ("", "–"), timeout=WAIT_MS)
    # exact: the level is 2400 rpm with noise of 0.2 %
    assert float(page.values.item(0, 1).text()) == pytest.approx(2400.0, rel=0.01)
    assert page.head.text().endswith("B − A 0:00:00.3") or page.head.text().endswith("B − A 0:00:00.2")
    page.hold.click()
    assert window.held is not None
    page.hold.click()
    page.cursors.click()
    assert not window.cursors.are_shown
    page.cursors.click()
    window.cursors.times[:] = [0.25, 0.5]
    before = window.cursors.times[0]
    window._step_cursor(0, 0.02)
    assert window.cursors.times[0] == pytest.approx(before + 0.02 * 60.0)
    page.tick("shaft_speed", drawn=False)
    drawn = {t.channel.name for plot in trends.plots() for t in plot.group.traces}
    assert "shaft_speed" not in drawn
    page.length.setText("90 s")
    page._set_length()
    window.draw()
    start, end = trends.plots()[0].canvas.span
    assert end - start == pytest.approx(90.0)
    page.length.setText("often")
    page._set_length()
    assert "Not a time" in page.told.text()


def test_the_layout_of_a_stand_is_kept(qtbot: Any, attach: Any, start_publisher: Any, tmp_path: Path) -> None:
    path = tmp_path / "config" / "dashboard.json"
    publisher = start_publisher(state=State.READY)
    window = attach(publisher.live_file, load_settings(path))
    window.drawer.open("traces")
    window.drawer.page().tick("vibration", drawn=False)
    window._set_window(120.0)
    window.close()
    again = attach(publisher.live_file, load_settings(path))
    assert again.drawer.name == "traces"
    assert "vibration" in again._layout.hidden
    assert again._layout.window_s == 120.0
    path.write_text('{"layouts": {"airboat": {"window_s": "x", "hidden": 3, "size": [1, 2]}}, "scale": 7}')
    assert load_settings(path).layout("airboat").window_s == 60.0
    assert load_settings(path).scale == 100
    path.write_text("{")
    assert load_settings(path).layouts == {}


def test_the_other_ground_and_the_other_comma_at_once(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from gui.state import theme
    from gui.widgets.look import use_look

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file, Settings(decimal="."))
    try:
        window.drawer.open("look")
        window.drawer.page().choices["decimal ,"].click()
        window.drawer.page().choices["ground dark"].click()
        assert theme.GROUND is theme.Ground.DARK
        bars = window.frame.margins.bars
        qtbot.waitUntil(lambda: any("140,0" in bar.limit for bar in bars()), timeout=WAIT_MS)
        assert window.drawer.name == "look"
        qtbot.waitUntil(lambda: window.frame.state_line.link.text() == "LIVE", timeout=WAIT_MS)
        image = window.grab().toImage()
        assert image.pixelColor(image.width() - 4, image.height() - 4).lightness() < 60
        window.drawer.open("limits")
        page = window.drawer.page()
        qtbot.waitUntil(lambda: page.list.count() > 0, timeout=WAIT_MS)
        names = [page.list.item(i).text().split(":")[0] for i in range(page.list.count())]
        page.list.setCurrentRow(names.index("winding_hot"))
        page.entry.setText("120,5")
        page.look()
        assert page.confirm.text() == "Set winding_hot to 120,5 °C"
    finally:
        use(".")
        use_look(theme.Ground.LIGHT)


def test_closing_while_a_run_is_recorded_asks(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    qtbot.keyClick(window, Qt.Key.Key_W, Qt.KeyboardModifier.ControlModifier)
    assert window.isVisible()
    assert window.close_bar.isVisible()
    assert window.close_bar.stay_button.hasFocus()
    window.close_bar.stay_button.click()
    assert window.close_bar.isHidden()
    window.ask_close()
    window.ask_close()
    assert not window.isVisible()
    assert publisher.requests == [], "the recorder was asked for nothing"


def test_a_screen_that_stood_still_says_so(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.timer.stop()
    end = time.monotonic() + 1.3
    while time.monotonic() < end:
        time.sleep(0.05)
    window.draw()
    assert window.frame.state_line.link.note().startswith("this screen stood still for 1.")


def test_events_of_a_moved_limit_have_words(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    publisher.event(EventKind.LIMIT_SET, "winding_hot: set point 140 to 120 °C by Ada", data={"limit": "winding_hot"})
    qtbot.waitUntil(lambda: "limit moved" in [x.words for x in window.model.log.lines], timeout=WAIT_MS)
