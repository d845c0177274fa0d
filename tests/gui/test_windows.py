"""The live window: real Qt, drawn offscreen, fed over loopback ZeroMQ."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from benchkit.model.alarms import Life
from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.limits import Severity
from benchkit.protect.outcomes import StopStatus
from benchkit.session.messages import FirstOutStatus
from benchkit.session.protection_status import AlarmStatus, ProtectionStatus
from gui.state.headline import SILENT_AFTER_S
from gui.windows.live import _WORDS_EVERY, FRAME_MS

pytestmark = pytest.mark.gui
WAIT_MS = 15_000


@pytest.fixture
def attach(qtbot: Any, dashboard: Any) -> Callable[..., Any]:
    """Open a live window and wait until it has a run."""

    def open_window(target: Any, *, wait: bool = True) -> Any:
        window = dashboard.open_live(target)
        qtbot.addWidget(window)
        window.show()
        if wait:
            qtbot.waitUntil(lambda: window.frame.state_line.link.text() == "LIVE", timeout=WAIT_MS)
        return window

    return open_window


def trace(window: Any, channel: str) -> tuple[np.ndarray, np.ndarray]:
    plot = next(p for p in window.frame.trends.plots() if channel in {t.channel.name for t in p.group.traces})
    return plot.drawn(channel)


def test_live_data_are_drawn(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    qtbot.waitUntil(lambda: len(trace(window, "shaft_speed")[0]) > 20, timeout=WAIT_MS)
    _, y = trace(window, "shaft_speed")
    # the level is 2400 rpm with noise of 0.2 %
    assert np.nanmedian(y) == pytest.approx(2400.0, rel=0.01)
    qtbot.waitUntil(lambda: window.frame.ribbon.picture() is not None, timeout=WAIT_MS)
    texts = [label.text for label in window.frame.ribbon.picture().labels]
    assert any(text.endswith("kW") for text in texts)
    assert window.frame.state_line.state.text() == "RUNNING"
    assert window.frame.margins.bars()
    assert "SIMULATED" in window.frame.state_line.field_texts()


@pytest.mark.parametrize(
    ("request_name", "state"),
    [
        ("arm", State.READY),
        ("start", State.ARMED),
        ("stop", State.RUNNING),
        ("reset", State.TRIPPED),
        ("mark", State.RUNNING),
    ],
)
def test_buttons_send_requests(qtbot: Any, attach: Any, start_publisher: Any, request_name: str, state: State) -> None:
    from PySide6.QtCore import Qt

    publisher = start_publisher(state=state)
    window = attach(publisher.live_file)
    button = window.controls.button(request_name)
    qtbot.waitUntil(button.isEnabled, timeout=WAIT_MS)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: window.controls.answer().endswith("accepted"), timeout=WAIT_MS)
    assert [r["do"] for r in publisher.requests] == [request_name]
    assert publisher.requests[0]["who"] == "dashboard"


def test_keys_send_requests_and_help_lists_them(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QTextBrowser

    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    qtbot.waitUntil(window.controls.button("stop").isEnabled, timeout=WAIT_MS)
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    qtbot.waitUntil(lambda: [r["do"] for r in publisher.requests] == ["stop"], timeout=WAIT_MS)
    qtbot.keyClick(window, Qt.Key.Key_F1)
    text = window.drawer.pages["help"].findChild(QTextBrowser).toPlainText()
    assert "Esc" in text
    assert "Ctrl+Shift+S" in text
    assert "not a safety function" in text
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert window.drawer.isHidden()


def test_every_button_is_reached_with_the_tab_key(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QApplication, QPushButton

    window = attach(start_publisher(state=State.ARMED).live_file)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    qtbot.waitUntil(window.controls.button("start").isEnabled, timeout=WAIT_MS)
    window.frame.setFocus()
    reached = set()
    for _ in range(30):
        qtbot.keyClick(QApplication.focusWidget(), Qt.Key.Key_Tab)
        reached.add(QApplication.focusWidget())
    wanted = {b for b in window.findChildren(QPushButton) if b.isEnabled() and b.isVisible()}
    assert wanted <= reached
    assert window.frame.events in reached


def test_a_refusal_is_shown_with_its_reason(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.READY, refusal="coolant pump is off")
    window = attach(publisher.live_file)
    qtbot.waitUntil(window.controls.button("arm").isEnabled, timeout=WAIT_MS)
    window.controls.button("arm").click()
    qtbot.waitUntil(lambda: "refused. coolant pump is off" in window.controls.answer(), timeout=WAIT_MS)


def test_a_trip_is_shown_with_its_first_out(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    publisher.levels["winding_temp"] = 141.5
    publisher.first_out = FirstOutStatus(("winding_hot",), True, 1.0)
    publisher.state = State.TRIPPED
    data = {"first_out": True, "order_resolved": True, "limit": "winding_hot"}
    publisher.event(EventKind.TRIP, "winding_hot (trip)", channel="winding_temp", data=data)
    line = window.frame.state_line.state
    qtbot.waitUntil(lambda: line.note() == "first-out: winding_hot", timeout=WAIT_MS)
    assert line.text() == "TRIPPED"
    events = window.frame.events.lines
    qtbot.waitUntil(lambda: events.rowCount() > 0, timeout=WAIT_MS)
    assert events.line(0).mark == "FIRST-OUT"
    qtbot.waitUntil(lambda: window.frame.margins.bars()[0].limit.startswith("BEYOND"), timeout=WAIT_MS)
    assert window.frame.margins.bars()[0].channel == "winding_temp"


def test_a_silent_recorder_is_said_and_looks_stale_and_comes_back(
    qtbot: Any, attach: Any, start_publisher: Any
) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    publisher.silent = True
    line = window.frame.state_line
    qtbot.waitUntil(lambda: line.link.text() == "NO RECORDER", timeout=WAIT_MS)
    assert line.link.note().startswith("stale ")
    qtbot.waitUntil(lambda: "stale" in window.frame.ribbon.note(), timeout=WAIT_MS)
    assert all(bar.limit.startswith("stale") for bar in window.frame.margins.bars())
    assert not window.controls.button("stop").isEnabled()
    assert "act on the stand itself" in window.controls.answer()
    publisher.silent = False
    qtbot.waitUntil(lambda: line.link.text() == "LIVE", timeout=WAIT_MS)
    qtbot.waitUntil(lambda: "stale" not in window.frame.ribbon.note(), timeout=WAIT_MS)


def test_a_lost_source_is_stale_while_the_recorder_lives(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    window = attach(publisher.live_file)
    publisher.lost = True
    qtbot.waitUntil(lambda: window.frame.state_line.link.text() == "STALE", timeout=WAIT_MS)
    assert "LOST" in window.frame.state_line.field_texts()


def test_a_new_recorder_in_the_folder_is_followed(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    first = start_publisher("run-one")
    window = attach(first.live_file.parent)
    qtbot.waitUntil(lambda: "run-one.h5" in window.frame.state_line.field_texts(), timeout=WAIT_MS)
    first.close()
    first.live_file.unlink()
    start_publisher("run-two")
    qtbot.waitUntil(lambda: "run-two.h5" in window.frame.state_line.field_texts(), timeout=WAIT_MS)
    assert window.frame.state_line.link.text() == "LIVE"


def test_silence_is_said_within_a_second() -> None:
    # exact: the threshold and the longest wait for the next drawing of words
    assert SILENT_AFTER_S + FRAME_MS / 1000.0 * _WORDS_EVERY <= 1.0


def test_no_recorder_at_all_is_said(qtbot: Any, attach: Any, tmp_path: Any) -> None:
    window = attach(tmp_path, wait=False)
    assert window.frame.state_line.link.text() == "NO RECORDER"
    assert not window.controls.button("start").isEnabled()


def test_zoom_and_pages(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    window = attach(start_publisher().live_file)
    window.frame.trends.zoom_out()
    window.frame.trends.next_page()
    window.draw()
    plot = window.frame.trends.plots()[0]
    start, end = plot.canvas.span
    assert end - start == pytest.approx(120.0)
    assert "page 2" in window.frame.trends._where.text()


def test_cautions_are_always_in_sight(attach: Any, start_publisher: Any) -> None:
    window = attach(start_publisher().live_file)
    text = window.frame.cautions.text()
    assert "a software trip is not a safety function" in text
    assert window.frame.cautions.isVisible()


def test_two_dashboards_watch_one_run(qtbot: Any, attach: Any, start_publisher: Any) -> None:
    publisher = start_publisher(state=State.RUNNING)
    one, two = attach(publisher.live_file), attach(publisher.live_file)
    one.close()
    qtbot.waitUntil(lambda: len(trace(two, "thrust")[0]) > 10, timeout=WAIT_MS)
    assert two.frame.state_line.link.text() == "LIVE"


def test_a_window_that_is_dropped_ends_its_thread(qapp: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import QThread

    from gui.app import open_live

    window = open_live(start_publisher().live_file)
    window.deleteLater()
    del window
    # deferred deletion runs in the event loop; the thread is waited for in it
    from PySide6.QtCore import QCoreApplication, QEvent

    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    qapp.processEvents()
    assert not [w for w in qapp.topLevelWidgets() if w.findChildren(QThread)]


def test_a_window_that_is_left_open_is_named(
    qapp: Any, start_publisher: Any, find_left_running: Callable[[Any], list[str]]
) -> None:
    """The check for leaks itself can fail: it names the window, its thread and its timer."""
    from gui.app import open_live

    window = open_live(start_publisher().live_file)
    try:
        left = find_left_running(qapp)
        assert any("running thread of LiveWindow" in text for text in left)
        assert any("active timer of LiveWindow" in text for text in left)
    finally:
        window.close()
        window.deleteLater()
    assert find_left_running(qapp) == []


def test_an_unanswered_stop_and_an_unacknowledged_alarm_are_shown(
    qtbot: Any, attach: Any, start_publisher: Any
) -> None:
    publisher = start_publisher(state=State.TRIPPED)
    publisher.first_out = FirstOutStatus(("winding_hot",), True, 1.0)
    hot = AlarmStatus("winding_hot", Severity.TRIP, Life.UNACKNOWLEDGED, True, 1.0)
    stop = StopStatus("gates_off", 1, 1, 2, "rack", escalated_from="ramp_down")
    publisher.protection = ProtectionStatus((hot,), alarm_rate=1, stops=(stop,))
    window = attach(publisher.live_file)
    data = {"limit": "winding_hot", "life": "unacknowledged", "first_out": True, "order_resolved": True}
    publisher.event(EventKind.TRIP, "winding_hot: 141 °C above 140 °C (trip)", data=data)
    line = window.frame.state_line
    qtbot.waitUntil(lambda: "NOT ANSWERED: escalated to gates_off" in line.state.note(), timeout=WAIT_MS)
    assert "winding_hot" in line.field_texts()
    assert "SIMULATED" in line.field_texts()
    model = window.frame.events.model()
    qtbot.waitUntil(lambda: model.index(0, 2).data() == "TRIP, unacknowledged", timeout=WAIT_MS)
    publisher.event(EventKind.ACKNOWLEDGED, "winding_hot: acknowledged by Ada", data={"limit": "winding_hot"})
    qtbot.waitUntil(lambda: model.index(1, 2).data() == "TRIP, acknowledged", timeout=WAIT_MS)
