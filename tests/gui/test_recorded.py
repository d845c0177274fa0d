"""A recorded run: written by the run writer, opened by the dashboard."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.runfile.pyramid import Buckets
from gui.state.decimate import decimate_buckets
from gui.state.recorded import RecordedModel, load_recorded
from gui.state.runs import find_runs, newest_live
from gui.state.traces import Traces

RATE_HZ = 100.0
LENGTH_S = 60.0


@pytest.fixture
def model(run_path: Path) -> Iterator[RecordedModel]:
    opened = load_recorded(run_path)
    yield opened
    opened.close()


def test_opens_at_the_greatest_power(model: RecordedModel, levels: dict[str, float]) -> None:
    assert 20.0 <= model.cursor_s <= 40.0
    assert model.moment(0.0).values["shaft_speed"] == pytest.approx(levels["shaft_speed"])
    line = model.headline(0.0)
    assert line.link.value == "RECORDED"
    assert line.state == "RUNNING"
    assert model.digest


def test_cursor_stays_inside_the_run(model: RecordedModel) -> None:
    model.move_cursor(1e9)
    assert model.cursor_s == model.end_s
    model.move_cursor(45.0)
    assert model.headline(0.0).state == "TRIPPED"
    model.move_cursor(-5.0)
    assert model.cursor_s == model.start_s


@pytest.mark.parametrize("pixels", [300, 20_000])
def test_view_shows_the_gap(model: RecordedModel, pixels: int) -> None:
    x, y = model.view(["shaft_speed"], 0.0, 60.0, pixels)["shaft_speed"]
    assert np.isnan(y[(x > 30.3) & (x < 31.7)]).all()
    assert np.isnan(y).any()
    assert np.nanmax(y) == pytest.approx(2400.0)


def test_events_are_on_the_axis_of_the_samples(model: RecordedModel) -> None:
    # exact: samples arrive 10 ms after their sample time
    assert [x.time_s for x in model.log.lines][1:] == pytest.approx([20.0, 29.998 + 0.002, 40.0, 40.0], abs=0.02)
    assert [x.mark for x in model.log.lines if x.mark] == ["FIRST-OUT"]


@pytest.mark.parametrize(("start_s", "end_s"), [(0.0, 60.0), (-7.3, 51.1)])
def test_a_long_view_is_drawn_from_the_buckets(
    model: RecordedModel, monkeypatch: pytest.MonkeyPatch, start_s: float, end_s: float
) -> None:
    """Thirty pixels: each shows the extremes of its rows, give or take the bucket that lies across its edge."""
    (traces,) = model.traces
    rows = traces.between(0.0, LENGTH_S)
    monkeypatch.setattr(Traces, "between", None)  # no row is read for it
    x, y = model.view(["winding_temp"], start_s, end_s, 30)["winding_temp"]
    assert len(x) == 60
    pixel_s, bucket_s, column = (end_s - start_s) / 30, 64 / RATE_HZ, rows.column("winding_temp")
    for centre, low, high in zip(x[::2], y[::2], y[1::2], strict=True):
        left, right = centre - 0.5 * pixel_s, centre + 0.5 * pixel_s
        surely = column[(rows.time_s >= left + bucket_s) & (rows.time_s < right)]
        at_most = column[(rows.time_s >= left - bucket_s) & (rows.time_s < right + bucket_s)]
        if len(surely):
            assert low <= surely.min()
            assert high >= surely.max()
        if np.isfinite(low):
            assert low >= at_most.min()
            assert high <= at_most.max()
    assert np.isnan(y[(x - 0.5 * pixel_s > 29.5) & (x + 0.5 * pixel_s < 32.5)]).all()
    assert np.isnan(y[(x < -pixel_s) | (x > LENGTH_S + pixel_s)]).all()


def test_slow_rows_fill_the_pixels_that_their_bucket_covers() -> None:
    """Two buckets of 10 s, the second with a hole of 4 s in it, over 20 pixels of 1 s."""
    edge = np.array([0.0, 10.0])
    buckets = Buckets(edge, edge + 9.0, np.array([1.0, 4.0]), np.array([[1.0], [3.0]]), np.array([[2.0], [4.0]]))
    x, y = decimate_buckets(buckets, [0], start_s=0.0, end_s=20.0, pixels=20, gap_s=2.0)
    assert y[x < 9.0, 0].tolist() == [1.0, 2.0] * 9
    assert y[(x > 10.0) & (x < 11.0), 0].tolist() == [3.0, 4.0]
    assert np.isnan(y[(x > 9.0) & (x < 10.0)]).all()
    assert np.isnan(y[x > 11.0]).all()


def test_a_file_that_is_no_run_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "no.h5"
    path.write_bytes(b"not a run")
    with pytest.raises(RunFileError, match=r"no\.h5"):
        load_recorded(path)


def test_runs_of_a_folder(tmp_path: Path) -> None:
    for name in ("a.h5", "b.h5", "b.live.json", "notes.txt"):
        (tmp_path / name).write_text("x")
    found = find_runs(tmp_path)
    assert [(f.name, f.is_live) for f in found] == [("b", True), ("a", False)]
    assert newest_live(tmp_path) == tmp_path / "b.live.json"
    assert newest_live(tmp_path / "absent") is None


def test_window_shows_the_run(qtbot: Any, dashboard: Any, run_path: Path) -> None:
    window = dashboard.open_recorded(run_path)
    qtbot.addWidget(window)
    window.show()
    line = window.frame.state_line
    assert line.link.text() == "RECORDED"
    assert "SIMULATED" in line.field_texts()
    assert "emergency stop" in window.frame.cautions.text()
    speed = next(p for p in window.frame.trends.plots() if p.group.title == "Speed")
    _, y = speed.drawn("shaft_speed")
    assert np.nanmax(y) == pytest.approx(2400.0)
    assert np.isnan(y).any()
    events = window.frame.events.lines
    texts = [[events.data(events.index(r, c)) for c in range(events.columnCount())] for r in range(events.rowCount())]
    assert ["TRIP", "FIRST-OUT"] in [row[2:4] for row in texts]
    assert "REED-INV-03" in window.facts.toPlainText()


def test_keys_move_the_cursor_and_the_view(qtbot: Any, dashboard: Any, run_path: Path) -> None:
    from PySide6.QtCore import Qt

    window = dashboard.open_recorded(run_path)
    qtbot.addWidget(window)
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    window.frame.setFocus()
    start = window.model.cursor_s
    qtbot.keyClick(window, Qt.Key.Key_Right)
    assert window.model.cursor_s == pytest.approx(start + (window.model.end_s - window.model.start_s) / 200.0)
    qtbot.keyClick(window, Qt.Key.Key_Plus)
    assert window.end_s - window.start_s == pytest.approx(0.5 * (window.model.end_s - window.model.start_s))
    qtbot.keyClick(window, Qt.Key.Key_Home)
    assert window.start_s == window.model.start_s
    first = [p.group.title for p in window.frame.trends.plots()]
    qtbot.keyClick(window, Qt.Key.Key_PageDown)
    assert [p.group.title for p in window.frame.trends.plots()] != first
    qtbot.keyClick(window, Qt.Key.Key_PageUp)
    assert [p.group.title for p in window.frame.trends.plots()] == first


def test_an_event_that_is_chosen_moves_the_cursor(qtbot: Any, dashboard: Any, run_path: Path) -> None:
    window = dashboard.open_recorded(run_path)
    qtbot.addWidget(window)
    window.show()
    events = window.frame.events
    row = next(r for r in range(events.lines.rowCount()) if events.lines.line(r).words == "TRIP")
    events.activated.emit(events.lines.index(row, 0))
    qtbot.waitUntil(lambda: window.frame.state_line.state.text() == "TRIPPED")
    assert window.model.cursor_s == pytest.approx(40.0, abs=0.02)


def test_dragging_a_plot_moves_all_of_them(qtbot: Any, dashboard: Any, run_path: Path) -> None:
    window = dashboard.open_recorded(run_path)
    qtbot.addWidget(window)
    window.show()
    plots = window.frame.trends.plots()
    plots[0].canvas.range_changed.emit(10.0, 30.0)
    qtbot.waitUntil(lambda: plots[3].canvas.span == pytest.approx((10.0, 30.0)))
