"""Stretches of a recorded run: chosen by key, drag and flag; averaged, exported; runs over one another."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.analysis.steady import channel_means
from benchkit.errors import UsageError
from gui.state.flag_lines import Jump
from gui.state.overlay import BY_RUNNING, BY_START, BY_TRIP, load_overlay
from gui.state.recorded import load_recorded
from gui.state.stretch import stretch_result

WAIT_MS = 60_000


@pytest.fixture
def window(qtbot: Any, dashboard: Any, run_path: Path) -> Any:
    opened = dashboard.open_recorded(run_path)
    qtbot.addWidget(opened)
    opened.show()
    opened.activateWindow()
    qtbot.waitUntil(opened.isActiveWindow)
    opened.frame.setFocus()
    return opened


def test_the_operating_point_is_that_of_the_analysis(run_path: Path) -> None:
    model = load_recorded(run_path)
    try:
        result = stretch_result(model, 22.0, 28.0)
        (point,) = result.points
        rows = model.traces[0].stream.rows(2200, 2801)
        assert (point.row_start, point.row_stop) == (2200, 2801)
        assert point.means == channel_means(model.stand, rows, 0, len(rows))
        powers, means = result.tables
        values = {row[0].text: row[1] for row in powers.rows}
        # exact: 2 pi n T = 2 pi 40 1/s 60.2 N·m, and U I = 398 V 41 A
        assert values["Shaft power"].value == pytest.approx(2.0 * math.pi * 40.0 * 60.2, rel=1e-9)
        assert values["DC link power"].value == pytest.approx(398.0 * 41.0, rel=1e-9)
        assert len(means.rows) == len(model.traces[0].channels)
        with pytest.raises(UsageError, match="no two rows"):
            stretch_result(model, 30.5, 31.5)
    finally:
        model.close()


@pytest.mark.parametrize(("start_s", "end_s"), [(0.0, 1.0), (19.995, 20.005), (29.5, 32.5), (-5.0, 70.0), (6.4, 6.4)])
def test_rows_of_a_stretch_are_exact(run_path: Path, start_s: float, end_s: float) -> None:
    model = load_recorded(run_path)
    try:
        (traces,) = model.traces
        time_s = traces.stream.rows(0, len(traces)).time_s
        inside = np.flatnonzero((time_s >= start_s) & (time_s <= end_s))
        assert traces.exact_rows(start_s, end_s) == (inside[0], inside[-1] + 1)
    finally:
        model.close()


def test_keys_choose_a_stretch_and_average_it(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import Qt

    qtbot.keyClick(window, Qt.Key.Key_P)
    assert "No stretch is chosen" in window.statusBar().currentMessage()
    window.move_cursor(22.0)
    qtbot.keyClick(window, Qt.Key.Key_BracketLeft)
    assert window.stretch[0] == pytest.approx(22.0)
    window.move_cursor(28.0)
    qtbot.keyClick(window, Qt.Key.Key_BracketRight)
    assert window.stretch == (pytest.approx(22.0), pytest.approx(28.0))
    qtbot.keyClick(window, Qt.Key.Key_P)
    assert "Electrically" in window.dialog.texts()
    assert "steady" in window.dialog.texts()
    window.dialog.close()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    qtbot.keyClick(window, Qt.Key.Key_Z)
    qtbot.waitUntil(lambda: window.frame.trends.plots()[0].canvas.span == pytest.approx((22.0, 28.0)))
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert window.stretch is None


def test_the_edges_of_a_stretch_can_be_dragged(qtbot: Any, window: Any) -> None:
    window.set_stretch(22.0, 28.0)
    dragged, other = (window.frame.trends.plots()[i].canvas for i in (2, 0))
    qtbot.waitUntil(lambda: dragged.stretch == pytest.approx((22.0, 28.0)))
    _drag(qtbot, dragged, 28.0, 12.0)
    assert window.stretch == pytest.approx((12.0, 22.0), abs=second(dragged)), "an edge was dragged past the other"
    qtbot.waitUntil(lambda: other.stretch == window.stretch)
    _drag(qtbot, dragged, 17.0, 15.0)
    assert window.stretch == pytest.approx((12.0, 22.0), abs=second(dragged)), "only edges are dragged"


def second(canvas: Any) -> float:
    """What a pixel is, in seconds."""
    return 1.0 / canvas.scale_x().factor


def _drag(qtbot: Any, canvas: Any, from_s: float, to_s: float) -> None:
    """With the mouse, pressed on the way."""
    from PySide6.QtCore import QPoint, Qt

    x, y = canvas.scale_x(), int(canvas.area().center().y())
    places = [QPoint(x.px(from_s + share * (to_s - from_s)), y) for share in (0.0, 0.5, 1.0)]
    qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, pos=places[0])
    for place in places[1:]:
        qtbot.mouseMove(canvas, place)
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, pos=places[-1])


def test_the_mouse_pans_zooms_and_puts_the_cursor(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import QPoint, QPointF, Qt
    from PySide6.QtGui import QWheelEvent
    from PySide6.QtWidgets import QApplication

    canvas = window.frame.trends.plots()[0].canvas
    start_s, end_s = window.start_s, window.end_s
    at = QPoint(canvas.scale_x().px(22.0), int(canvas.area().center().y()))
    wheel = QWheelEvent(
        QPointF(at), QPointF(canvas.mapToGlobal(at)), QPoint(), QPoint(0, 120), Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(canvas, wheel)
    pixel_s = second(canvas)
    assert window.end_s - window.start_s == pytest.approx(0.75 * (end_s - start_s))
    share = (22.0 - start_s) / (end_s - start_s)
    assert (22.0 - window.start_s) / (window.end_s - window.start_s) == pytest.approx(share, abs=0.01)
    start_s = window.start_s
    _drag(qtbot, canvas, 22.0, 20.0)
    assert window.start_s == pytest.approx(start_s + 2.0, abs=2.0 * pixel_s), "what was under the mouse stays there"
    qtbot.mouseClick(
        canvas, Qt.MouseButton.LeftButton, pos=QPoint(canvas.scale_x().px(25.0), int(canvas.area().center().y()))
    )
    assert window.model.cursor_s == pytest.approx(25.0, abs=pixel_s)


def test_a_long_stretch_is_averaged_in_another_process(
    qtbot: Any, window: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gui.windows.recorded.AT_ONCE_ROWS", 100)
    window.set_stretch(22.0, 28.0)
    with qtbot.waitSignal(window.job.ended, timeout=WAIT_MS):
        window.average()
    there = window.dialog.result_shown
    assert there.points == stretch_result(window.model, 22.0, 28.0).points


def test_a_stretch_is_exported_as_csv(qtbot: Any, window: Any, tmp_path: Path) -> None:
    window.set_stretch(22.0, 23.0)
    with qtbot.waitSignal(window.job.ended, timeout=WAIT_MS):
        window.export(tmp_path)
    assert "Written" in window.statusBar().currentMessage()
    lines = (tmp_path / "minute_csv" / "minute.rack.csv").read_text("utf-8").splitlines()
    assert lines[2].startswith("22.0,")
    assert len(lines) == 2 + 100  # names, units, and 22.00 to 22.99 s
    with qtbot.waitSignal(window.job.ended, timeout=WAIT_MS):
        window.export(tmp_path)
    assert "is there already" in window.statusBar().currentMessage()


def test_rows_of_a_flag_are_shown(qtbot: Any, window: Any, run_path: Path) -> None:
    window.show_rows(Jump(run_path, "rack", 2500, 2600))
    assert window.stretch == (pytest.approx(25.0), pytest.approx(25.99))
    assert (window.start_s < 25.0, window.end_s > 25.99) == (True, True)
    assert window.model.cursor_s == pytest.approx(25.0)
    window.show_rows(Jump(run_path, "rack", 10**6, 10**6 + 1))
    assert "no such rows" in window.statusBar().currentMessage()


def test_the_list_of_keys_names_every_entry(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QTextBrowser

    qtbot.keyClick(window, Qt.Key.Key_F1)
    texts = [x.toPlainText() for x in window.findChildren(QTextBrowser)]
    listed = next(text for text in texts if "Operating point" in text)
    for words in ("Export as CSV", "Ctrl+E", "Begin at the cursor", "Page Down", "Home"):
        assert words in listed


# ------------------------------------------------------------------------------------------------ overlays
@pytest.fixture
def two_runs(run_path: Path, tmp_path: Path) -> tuple[Path, Path]:
    other = tmp_path / "other.h5"
    shutil.copy(run_path, other)
    return run_path, other


def test_runs_are_shifted_so_that_the_event_is_at_zero(two_runs: tuple[Path, Path]) -> None:
    overlay = load_overlay(two_runs)
    try:
        assert overlay.events() == (BY_START, BY_RUNNING, BY_TRIP)
        assert overlay.by == BY_RUNNING
        # exact: the state was logged 10 ms after the sample at 20 s, and samples arrive 10 ms late
        assert [run.zero_s for run in overlay.runs()] == pytest.approx([20.0, 20.0], abs=1e-6)
        assert overlay.extent() == pytest.approx((-20.0, 39.99))
        overlay.by = BY_TRIP
        x, y = overlay.view("shaft_speed", -1.0, 1.0, 2000)[1]
        assert y[x < -0.02] == pytest.approx(2400.0)
        assert y[x > 0.02] == pytest.approx(24.0)
        overlay.by = "mark: none"
        assert overlay.view("shaft_speed", -1.0, 1.0, 2000) == {}
        assert "has no such event" in overlay.runs()[0].text
    finally:
        overlay.close()


def test_the_overlay_window_follows_event_channels_and_view(
    qtbot: Any, dashboard: Any, two_runs: tuple[Path, Path]
) -> None:
    from PySide6.QtCore import Qt

    from gui.windows.opening import open_overlay

    window = open_overlay(two_runs)
    qtbot.addWidget(window)
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    assert window.legend.count() == 2
    assert "shaft_speed" in window.plots
    qtbot.keyClick(window, Qt.Key.Key_A)
    assert window.overlay.by == BY_TRIP
    qtbot.waitUntil(lambda: window.plots["shaft_speed"].item.vb.viewRange()[0] == pytest.approx([-40.0, 19.99]))
    curves = window.plots["shaft_speed"].curves
    assert [np.nanmax(curve.getData()[1]) for curve in curves] == pytest.approx([2400.0, 2400.0])
    for i in range(window.channels.count()):
        item = window.channels.item(i)
        wanted = item.data(Qt.ItemDataRole.UserRole) == "coolant_flow"
        item.setCheckState(Qt.CheckState.Checked if wanted else Qt.CheckState.Unchecked)
    assert list(window.plots) == ["coolant_flow"]
    qtbot.keyClick(window, Qt.Key.Key_Plus)
    assert window.end_s - window.start_s == pytest.approx(59.99 / 2.0)
    window.plots["coolant_flow"].item.vb.setXRange(-5.0, 5.0, padding=0)
    qtbot.waitUntil(lambda: (window.start_s, window.end_s) == pytest.approx((-5.0, 5.0)))
    window.close()
