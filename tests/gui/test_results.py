"""Results: what the cursor reads is what the analysis said, and every figure, table and flag is there."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.model.results import Finding
from benchkit.model.stand import Stand
from benchkit.report.figure_files import figure_png
from benchkit.report.model import (
    DifferenceFigure,
    Grid,
    GridFigure,
    Mark,
    Number,
    RegionCell,
    RunReport,
    Series,
    SourceDigest,
    StageFigure,
)
from benchkit.report.trips import digest_trips
from gui.bridge.jobs import report
from gui.state.fields import (
    OUTSIDE,
    Field,
    contour_lines,
    difference_field,
    grid_field,
    label_places,
    levels_of,
    map_field,
    read,
)
from gui.state.flag_lines import Jump
from gui.state.result_pages import Results, help_lines, reported
from tests.report.conftest import events_of, header_of, result_of, stream_of

WAIT_MS = 60_000
PATH = Path("run.h5")
NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def run(stand: Stand) -> RunReport:
    """A run by formula with data for every section, and a flag that is about rows."""
    stream, events = stream_of(stand), events_of()
    result = result_of()
    finding = Finding("caution", "stuck", "Value unchanged for 40 s", "air_pressure", 2500, 2601)
    return RunReport(
        label="A",
        file_name="run.h5",
        header=header_of(stand),
        stand=stand,
        result=replace(result, findings=(*result.findings, finding)),
        events=events,
        trips=digest_trips(stand, (stream,), events, 1.0),
        traces=(),
        sources=(SourceDigest("rack", len(stream), 1560.0, 0, 1, 300),),
        content_sha256="9b2f",
        is_closed=True,
    )


@pytest.fixture(scope="module")
def results(run: RunReport) -> Results:
    """Its pages. One drawing is made; the other figures show the same one, which is enough here and quicker."""
    with pytest.MonkeyPatch.context() as patch:
        drawn = lru_cache(maxsize=1)(
            lambda: figure_png(
                StageFigure(
                    "s", "Stages", "", (Mark("decided", Number(0.4, "ms")), Mark("written", Number(0.6, "ms")))
                ),
                72,
            )
        )
        patch.setattr("gui.state.result_pages.figure_png", lambda *_: drawn())
        return reported([run], [PATH])


@pytest.fixture(scope="module")
def field(run: RunReport) -> Field:
    return map_field(run.result.maps[0], run.result.balances, run.result.duties)


# --------------------------------------------------------------------------------------------------- fields
def test_the_cursor_reads_the_nearest_node_with_its_uncertainty(run: RunReport, field: Field) -> None:
    found = run.result.maps[0]
    for row in (1, len(found.torque_nm) // 2):
        column = len(found.speed_rpm) // 2
        value, u = found.efficiency[row][column], found.u_efficiency[row][column]
        text = read(field, 0, found.speed_rpm[column] + 0.01, found.torque_nm[row], points=False)
        if math.isnan(value):
            assert text == OUTSIDE
            continue
        # 1.959964 of the standard normal distribution: the half-width of 95 %
        shown, half = text.split("(")[1].split(")")[0].replace(NBSP, " ").split(" ± ")
        assert float(shown) == pytest.approx(100.0 * value, abs=100.0 * u)
        assert float(half) == pytest.approx(100.0 * 1.959964 * u, rel=0.06)


def test_layers_are_efficiency_loss_and_both_uncertainties(run: RunReport, field: Field) -> None:
    found = run.result.maps[0]
    assert [layer.unit for layer in field.layers] == ["%", "W", "%-points", "W"]
    assert np.allclose(field.layers[0].shown, 100.0 * np.array(found.efficiency), equal_nan=True)
    assert np.allclose(field.layers[1].shown, np.array(found.loss_w), equal_nan=True)
    assert np.allclose(field.layers[2].shown, 195.9964 * np.array(found.u_efficiency), equal_nan=True)


def test_points_and_duty_are_read_before_the_map(field: Field) -> None:
    point = field.points[5]
    assert read(field, 0, point.x, point.y).startswith("measured P6: ")
    assert "measured" not in read(field, 0, point.x, point.y, points=False)
    refused = next(spot for spot in field.duty if spot.is_refused)
    assert "refused: outside the measured points" in read(field, 0, refused.x, refused.y)
    longest = max(field.duty, key=lambda spot: spot.size)
    assert longest.size == 1.0
    assert "900 s" in longest.text


def test_nothing_is_said_outside(field: Field) -> None:
    assert read(field, 0, 1e5, 10.0) == OUTSIDE
    assert read(field, 0, float(field.x[0]), -1e4) == OUTSIDE


def test_a_derating_map_reads_its_nodes() -> None:
    spec = GridFigure(
        "g", "Derating", "", Series("Speed", "rpm", (1000.0, 2000.0)), Series("Coolant", "°C", (20.0, 60.0)),
        Grid("Continuous torque", "N·m", ((100.0, 90.0), (80.0, math.nan)), ((1.0, 1.0), (1.0, math.nan))),
    )  # fmt: skip
    field = grid_field(spec)
    assert read(field, 0, 1900.0, 25.0).replace(NBSP, " ") == "Continuous torque (90.0 ± 2.0) N·m at 2000 rpm, 20 °C"
    assert read(field, 0, 2000.0, 60.0) == OUTSIDE


def test_a_difference_reads_its_region_and_says_where_nothing_was_shown() -> None:
    def cell(word: str, left: float, value: float) -> RegionCell:
        bounds = [Number(x, "rpm") for x in (left, left + 100.0, 0.0, 50.0)]
        return RegionCell(f"{word} region", word, *bounds, Number(value, "%", 0.05))

    spec = DifferenceFigure(
        "d", "Loss", "", "B less A / %", (cell("better", 0.0, -0.3), cell("not shown", 100.0, 0.02)),
        Series("speed", "rpm", (50.0,)), Series("torque", "N·m", (45.0,)), Series("difference", "%", (-0.2,), (0.1,)),
    )  # fmt: skip
    field = difference_field(spec)
    assert [region.is_shown for region in field.regions] == [True, False]
    assert "not shown" in read(field, 0, 150.0, 10.0)
    assert read(field, 0, 50.0, 45.0).startswith("point 50 rpm")
    assert field.reach == pytest.approx(0.3)


def test_contours_lie_on_their_level_and_their_texts_apart(field: Field) -> None:
    shown, found = field.layers[1].shown, contour_lines(field, 1)
    assert sum(len(lines) for _, lines in found) > 2
    for level, lines in found:
        for line in lines:
            column = np.clip(np.searchsorted(field.x, line[:, 0]), 1, len(field.x) - 1)
            row = np.clip(np.searchsorted(field.y, line[:, 1]), 1, len(field.y) - 1)
            corners = np.stack([shown[row - i, column - j] for i in (0, 1) for j in (0, 1)])
            good = np.isfinite(corners).all(axis=0)
            assert (corners.min(axis=0)[good] <= level + 1e-9).all()
            assert (corners.max(axis=0)[good] >= level - 1e-9).all()
    places = label_places(field, 1)
    assert set(places) <= {level for level, _ in found}
    assert levels_of(np.full((2, 2), np.nan)) == (0.0, 1.0)
    assert levels_of(np.full((2, 2), 3.0)) == (2.5, 3.5)


# ---------------------------------------------------------------------------------------------------- pages
def test_pages_are_the_results_of_the_report(results: Results) -> None:
    ids = [page.id for page in results.pages]
    assert {"summary", "efficiency-map", "static-thrust", "thermal", "data-quality", "power-balance"} <= set(ids)
    assert not {"cautions", "methods", "events"} & set(ids)
    by = {page.id: page for page in results.pages}
    assert all(drawn.field is not None for drawn in by["efficiency-map"].figures)
    assert all(drawn.png.startswith(b"\x89PNG") for drawn in by["static-thrust"].figures)
    assert "SIMULATED" in results.simulated[0]


@pytest.mark.parametrize("page_id", ["efficiency-map", "static-thrust", "thermal", "power-balance"])
def test_every_result_says_what_it_is_its_equation_and_its_source(results: Results, page_id: str) -> None:
    page = next(page for page in results.pages if page.id == page_id)
    lines = list(help_lines(page))
    assert any("=" in what and source for _, what, source in lines)
    assert "95 % interval" in [name for name, _, _ in lines]


def test_a_flag_with_rows_says_where_to_jump(results: Results) -> None:
    page = next(page for page in results.pages if page.id == "data-quality")
    jumps = [line.jump for line in page.flags if line.jump is not None]
    assert jumps == [Jump(PATH, "rack", 2500, 2601)]
    assert len(page.flags) >= 3


# --------------------------------------------------------------------------------------------------- window
@pytest.fixture
def window(qtbot: Any, qapp: Any, results: Results, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    from gui.app import make_application
    from gui.bridge.job import Job
    from gui.windows.results import ResultsWindow

    make_application()
    started: list[tuple[Any, ...]] = []
    monkeypatch.setattr(Job, "start", lambda self, *arguments: started.append(arguments))
    made = ResultsWindow("results", (PATH,))
    made.started = started
    qtbot.addWidget(made)
    made.show()
    made.activateWindow()
    qtbot.waitUntil(made.isActiveWindow)
    made.job.done.emit(results)
    return made


def test_every_page_can_be_shown_and_turned_by_key(qtbot: Any, window: Any, results: Results) -> None:
    from PySide6.QtCore import Qt

    assert window.started == [("results", (PATH,))]
    assert window.page().id == results.pages[0].id
    for page in results.pages[1:]:
        qtbot.keyClick(window, Qt.Key.Key_PageDown)
        assert window.page().id == page.id
    qtbot.keyClick(window, Qt.Key.Key_PageUp)
    assert window.page().id == results.pages[-2].id
    qtbot.keyClick(window, Qt.Key.Key_F2)
    assert window.show_help() is not None


def test_arrow_keys_and_pointer_read_the_map(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import Qt

    assert window.open_page("efficiency-map")
    view = window.fields[0]
    view.setFocus()
    qtbot.keyClick(view, Qt.Key.Key_Up)
    at = view.place()
    assert view.reading.text().startswith("Drive efficiency (")
    qtbot.keyClick(view, Qt.Key.Key_Right)
    assert view.place()[0] > at[0]
    view.layer.setCurrentIndex(1)
    assert view.reading.text().startswith("Drive loss (")
    assert "W at " in view.reading.text()
    point = view.field.points[0]
    place = view.item.vb.mapViewToScene(view.item.vb.mapToView(view.item.vb.mapFromView(_at(point.x, point.y))))
    view.plot.scene().sigMouseMoved.emit(place)
    assert view.reading.text().startswith("Measured P1")
    view.points.setChecked(False)
    assert not view.reading.text().startswith("Measured")


def _at(x: float, y: float) -> Any:
    from PySide6.QtCore import QPointF

    return QPointF(x, y)


def test_the_map_paints_nothing_outside_the_hull(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QColor
    from PySide6.QtWidgets import QMenu

    from gui.state import theme

    window.open_page("efficiency-map")
    view = window.fields[0]
    qtbot.wait(20)
    assert not [menu for menu in view.findChildren(QMenu) if menu.isVisible()]
    image = view.plot.grab().toImage()
    scale = image.width() / view.plot.width()

    def seen(x: float, y: float) -> QColor:
        spot = view.plot.mapFromScene(view.item.vb.mapViewToScene(QPointF(x, y)))
        return image.pixelColor(round(spot.x() * scale), round(spot.y() * scale))

    hull = np.array(view.field.hull)
    wide = hull[:, 0].max() - hull[:, 0].min()
    middle_y = 0.5 * (hull[:, 1].min() + hull[:, 1].max())
    assert seen(hull[:, 0].max() + 0.012 * wide, middle_y + 3.1) == QColor(theme.PANEL)
    inside = seen(hull[:, 0].max() - 0.02 * wide, middle_y + 3.1)
    assert inside.saturation() > 60


def test_figures_are_saved_and_errors_said(window: Any, tmp_path: Path) -> None:
    window.open_page("efficiency-map")
    drawn = window.page().figures[0]
    for suffix in ("svg", "csv"):
        window.save_as(drawn, tmp_path / f"map.{suffix}")
        assert (tmp_path / f"map.{suffix}").stat().st_size > 1000
    rows = list(csv.reader((tmp_path / "map.csv").read_text("utf-8").splitlines()))
    assert rows[0][:3] == ["what", "speed / rpm", "torque / N·m"]
    window.save_as(drawn, tmp_path / "map.gif")
    assert "no such kind of figure file" in window.message.text()


def test_a_flag_is_opened_with_enter(qtbot: Any, window: Any) -> None:
    from PySide6.QtCore import Qt

    from gui.widgets.report_blocks import Rows

    window.open_page("data-quality")
    table = next(t for t in window.stack.currentWidget().findChildren(Rows) if t.accessibleName() == "Open flags")
    row = next(i for i, line in enumerate(window.page().flags) if line.jump is not None)
    asked: list[object] = []
    window.rows_asked.connect(asked.append)
    table.setCurrentCell(row, 0)
    qtbot.keyClick(table, Qt.Key.Key_Return)
    assert asked == [Jump(PATH, "rack", 2500, 2601)]
    table.setCurrentCell(next(i for i, line in enumerate(window.page().flags) if line.jump is None), 0)
    qtbot.keyClick(table, Qt.Key.Key_Return)
    assert "not about rows" in window.message.text()


def test_a_duty_is_laid_over_the_maps(window: Any) -> None:
    window.open_page("efficiency-map")
    window.take_duty(Path("duty.csv"))
    assert window.started[-1] == ("results", (PATH,), Path("duty.csv"))
    assert window.fields[0].duty.isChecked()
    window.job.done.emit(window.results)
    assert window.page().id == "efficiency-map"


def test_all_of_it_is_written_as_a_page(window: Any, run_path: Path, tmp_path: Path) -> None:
    window.write_report(Path("report.html"))
    assert window.started[-1] == ("report", (PATH,), None, Path("report.html"))
    page = tmp_path / "report.html"
    assert report(lambda *_: None, (run_path,), None, page) == page
    assert "SIMULATED DATA" in page.read_text("utf-8")
    window.writer.done.emit(page)
    assert window.message.text() == f"Written: {page}"


def test_what_fails_is_said(window: Any) -> None:
    window.job.failed.emit("run.h5: is no run")
    assert window.message.text() == "run.h5: is no run"


def test_a_run_is_analysed_in_another_process_and_its_flags_shown(qtbot: Any, dashboard: Any, run_path: Path) -> None:
    from gui.windows.opening import open_results

    window = open_results((run_path,))
    qtbot.addWidget(window)
    window.show()
    with qtbot.waitSignal(window.job.ended, timeout=WAIT_MS):
        pass
    assert window.results is not None
    assert "power-balance" in [page.id for page in window.results.pages]
    window.rows_asked.emit(Jump(run_path, "rack", 100, 200))
    (recorded,) = window.opened
    assert recorded.stretch == (pytest.approx(1.0), pytest.approx(1.99))
    recorded.close()
    recorded.deleteLater()
    window.close()
