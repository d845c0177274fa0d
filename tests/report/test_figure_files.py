"""Every figure of a full report as SVG, PNG and CSV: it can be read again, and the numbers are those of the figure."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.image import imread

from benchkit.errors import UsageError
from benchkit.report.figure_files import figure_rows, write_figure
from benchkit.report.model import (
    CloudFigure,
    ControlFigure,
    DifferenceFigure,
    Figure,
    Grid,
    GridFigure,
    GroupFigure,
    Listing,
    MapFigure,
    Mark,
    Number,
    Paragraph,
    RegionCell,
    RunReport,
    Series,
    ShareFigure,
    SpectrumFigure,
    SpectrumLine,
    StageFigure,
    Table,
)
from benchkit.report.sections import build_report


def figures_of(run: RunReport) -> dict[str, Figure]:
    """One of each kind that the report of a run has."""
    blocks = [block for section in build_report([run]).sections for block in section.blocks]
    return {type(b).__name__: b for b in blocks if not isinstance(b, Table | Paragraph | Listing)}


def number(value: float) -> Number:
    return Number(value, "rpm")


OTHERS: tuple[Figure, ...] = (
    GridFigure(
        "g", "Grid", "", Series("x", "rpm", (1.0, 2.0)), Series("y", "°C", (3.0, 4.0)),
        Grid("z", "N·m", ((5.0, 6.0), (math.nan, 8.0)), ((0.1, 0.2), (math.nan, 0.4))),
    ),
    DifferenceFigure(
        "d", "Difference", "", "B less A / %",
        (RegionCell("low", "better", *map(number, (1.0, 2.0, 3.0, 4.0)), Number(-0.2, "%", 0.05)),),
        Series("speed", "rpm", (1.5,)), Series("torque", "N·m", (3.5,)), Series("difference", "%", (-0.1,), (0.2,)),
    ),
    SpectrumFigure(
        "s", "Spectrum", "", (SpectrumLine("iu", Series("f", "Hz", (1.0, 2.0)), Series("a", "A", (3.0, 0.4))),)
    ),
    ShareFigure("h", "Share", "", ("a",), (Number(0.94, "1", bounds=(0.9, 0.97)),), Number(0.95, "1")),
    ControlFigure(
        "c", "Control", "", ("1", "2"), Series("loss", "W", (1.0, 2.0)), number(1.5), number(0.0), number(3.0),
        Series("range", "W", (1.0,)), number(1.0), number(3.3), (),
    ),
    GroupFigure(
        "m", "Groups", "", ("B.14",), Series("loss", "W", (1.0,), (0.1,)), (Series("loss", "W", (0.9, 1.1)),)
    ),
    StageFigure("t", "Stages", "", (Mark("decided", Number(0.4, "ms")), Mark("written", Number(0.6, "ms")))),
)  # fmt: skip


@pytest.mark.parametrize("spec", OTHERS, ids=lambda spec: type(spec).__name__)
def test_numbers_of_every_other_kind_are_those_of_the_figure(spec: Figure, tmp_path: Path) -> None:
    write_figure(spec, tmp_path / "f.csv")
    head, *rows = csv.reader((tmp_path / "f.csv").read_text("utf-8").splitlines())
    assert rows
    assert {len(row) for row in rows} == {len(head)}
    expected = {
        "GridFigure": ["node", "2.0", "3.0", "6.0", "0.2"],
        "DifferenceFigure": ["low", "1.0", "2.0", "3.0", "4.0", "-0.2", "0.05", "better"],
        "SpectrumFigure": ["iu", "2.0", "0.4", "A"],
        "ShareFigure": ["a", "0.94", "0.9", "0.97"],
        "ControlFigure": ["2", "2.0", "1.0"],
        "GroupFigure": ["B.14", "value", "0.9", ""],
        "StageFigure": ["written", "0.6", "ms"],
    }[type(spec).__name__]
    assert expected in rows
    assert not any("nan" in cell for row in rows for cell in row)


def test_a_map_as_numbers_has_every_node_and_point(full_run: RunReport) -> None:
    spec = figures_of(full_run)["MapFigure"]
    assert isinstance(spec, MapFigure)
    head, *rows = figure_rows(spec)
    assert head[1:3] == ("speed / rpm", "torque / N·m")
    nodes = [row for row in rows if row[0] == "node"]
    values = np.array([row[3] for row in nodes], dtype=float).reshape(len(spec.torque.values), -1)
    assert np.array_equal(values, np.array(spec.efficiency.values), equal_nan=True)
    assert sum(row[0] == "point" for row in rows) == len(spec.point_speed.values)


@pytest.mark.parametrize("kind", ["CloudFigure", "TraceFigure", "LossFigure"])
def test_clouds_traces_and_losses_as_numbers(full_run: RunReport, kind: str) -> None:
    spec = figures_of(full_run)[kind]
    _, *rows = figure_rows(spec)
    if isinstance(spec, CloudFigure):
        cloud = spec.panels[0].clouds[0]
        point = (cloud.x.values[0], cloud.y.values[0], cloud.y.u[0])
        assert (spec.panels[0].title, cloud.label, *point) == (*rows[1][:3], *rows[1][4:])
    assert len(rows) > 5


def test_drawings_can_be_read_again(full_run: RunReport, tmp_path: Path) -> None:
    spec = figures_of(full_run)["CloudFigure"]
    for name in ("a.svg", "a.png"):
        write_figure(spec, tmp_path / name)
    assert ElementTree.parse(tmp_path / "a.svg").getroot().tag == "{http://www.w3.org/2000/svg}svg"
    picture = imread(tmp_path / "a.png")
    assert picture.shape[1] == 1400  # exact: 7 inches of 200 dots
    assert float(picture[..., :3].min()) < 0.5 < float(picture[..., :3].max())


def test_another_kind_of_file_is_refused(full_run: RunReport, tmp_path: Path) -> None:
    spec = figures_of(full_run)["CloudFigure"]
    with pytest.raises(UsageError, match=r"no such kind of figure file.*\.svg, \.png, \.csv"):
        write_figure(spec, tmp_path / "a.gif")
    with pytest.raises(UsageError, match="cannot be written"):
        write_figure(spec, tmp_path / "none" / "a.csv")
