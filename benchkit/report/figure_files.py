"""One figure of a report as a file of its own: SVG, PNG, or its numbers as CSV.

Drawn by the report's own drawing code, without a display; the numbers are those the figure is made of, in full.
"""

from __future__ import annotations

import csv
import io
import math
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path

from benchkit.errors import UsageError
from benchkit.report import svg
from benchkit.report.figures import draw, drawing
from benchkit.report.model import (
    CloudFigure,
    ControlFigure,
    DifferenceFigure,
    Figure,
    Grid,
    GridFigure,
    GroupFigure,
    LossFigure,
    MapFigure,
    Number,
    Series,
    ShareFigure,
    SpectrumFigure,
    StageFigure,
    TraceFigure,
)

SUFFIXES = (".svg", ".png", ".csv")
PNG_DPI = 200
Row = Sequence[object]


def write_figure(spec: Figure, path: Path) -> None:
    """Write a figure as its suffix says.

    Raises:
        UsageError: another suffix than :data:`SUFFIXES`, or the file cannot be written.
    """
    path = Path(path)
    if path.suffix not in SUFFIXES:
        raise UsageError("no such kind of figure file", where=str(path), got=path.suffix, expected=", ".join(SUFFIXES))
    data = {".svg": figure_svg, ".png": figure_png, ".csv": _csv}[path.suffix](spec)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise UsageError("cannot be written", where=str(path), got=error.strerror) from error


def figure_svg(spec: Figure) -> bytes:
    """The drawing as an SVG document."""
    # drawn for the inside of a page; a file of its own says what language it is in, or nothing shows it
    return draw(spec).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1).encode()


def figure_png(spec: Figure, dpi: int = PNG_DPI) -> bytes:
    """The drawing as PNG."""
    buffer = io.BytesIO()
    with svg.style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        drawing(spec).savefig(buffer, format="png", dpi=dpi, metadata={"Title": spec.title, "Software": None})
    return buffer.getvalue()


def _csv(spec: Figure) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    for row in figure_rows(spec):
        writer.writerow([_text(cell) for cell in row])
    return buffer.getvalue().encode()


def _text(cell: object) -> object:
    if isinstance(cell, float):
        return "" if math.isnan(cell) else repr(cell)
    return cell


def figure_rows(spec: Figure) -> Iterable[Row]:  # noqa: PLR0912 - one branch a kind of figure
    """The numbers of a figure, heading first. Units stand in the heading; ``u`` is a standard uncertainty (k = 1)."""
    match spec:
        case MapFigure():
            yield ("what", _head(spec.speed), _head(spec.torque), _head(spec.efficiency), "u")
            yield from _nodes(spec.speed, spec.torque, spec.efficiency)
            at = spec.point_speed.values, spec.point_torque.values
            yield from (("point", *row) for row in zip(*at, *_with_u(spec.point_efficiency), strict=True))
        case GridFigure():
            yield ("what", _head(spec.x), _head(spec.y), _head(spec.values), "u")
            yield from _nodes(spec.x, spec.y, spec.values)
        case CloudFigure():
            yield ("panel", "of", "x", "u(x)", "y", "u(y)")
            for pair in spec.panels:
                yield (pair.title, "", pair.x_label, "", pair.y_label, "")
                for cloud in pair.clouds:
                    rows = zip(*_with_u(cloud.x), *_with_u(cloud.y), strict=True)
                    yield from ((pair.title, cloud.label, *row) for row in rows)
        case TraceFigure():
            yield ("panel", "trace", "time / s", "value", "unit")
            for panel in spec.panels:
                for trace in panel.traces:
                    times = zip(trace.time.values, trace.value.values, strict=True)
                    yield from ((panel.title, trace.label, at, value, panel.unit) for at, value in times)
        case LossFigure():
            yield ("point", *map(_head, spec.parts), _head(spec.total), "u")
            parts = (part.values for part in spec.parts)
            yield from zip(spec.labels, *parts, *_with_u(spec.total), strict=True)
        case DifferenceFigure():
            bounds = ("speed / rpm", "speed to / rpm", "torque / N·m", "torque to / N·m")
            yield ("what", *bounds, spec.quantity, "u", "word")
            for cell in spec.regions:
                ends = (cell.speed_low, cell.speed_high, cell.torque_low, cell.torque_high)
                yield (cell.label, *(end.value for end in ends), *_number(cell.difference), cell.word)
            at = spec.point_speed.values, spec.point_torque.values
            points = zip(*at, *_with_u(spec.point_difference), strict=True)
            yield from (("point", speed, "", torque, "", value, u, "") for speed, torque, value, u in points)
        case StageFigure():
            yield ("stage", "time", "unit")
            yield from ((stage.label, stage.at.value, stage.at.unit) for stage in spec.stages)
        case SpectrumFigure():
            yield ("channel", "frequency / Hz", "amplitude", "unit")
            for line in spec.lines:
                both = zip(line.frequency.values, line.amplitude.values, strict=True)
                yield from ((line.label, at, value, line.amplitude.unit) for at, value in both)
        case ShareFigure():
            yield ("of", "share", "low", "high")
            for label, share in zip(spec.labels, spec.shares, strict=True):
                yield (label, share.value, *(share.bounds or ("", "")))
        case ControlFigure():
            yield ("of", _head(spec.values), "moving range")
            ranges = (math.nan,) * (len(spec.labels) - len(spec.ranges.values)) + spec.ranges.values
            yield from zip(spec.labels, spec.values.values, ranges, strict=True)
        case GroupFigure():
            yield ("group", "what", _head(spec.means), "u")
            for label, mean, u in zip(spec.labels, *_with_u(spec.means), strict=True):
                yield (label, "mean", mean, u)
            for label, member in zip(spec.labels, spec.members, strict=True):
                yield from ((label, "value", value, u) for value, u in zip(*_with_u(member), strict=True))


def _nodes(x: Series, y: Series, grid: Grid) -> Iterable[Row]:
    for at_y, values, us in zip(y.values, grid.values, grid.u, strict=True):
        yield from (("node", at_x, at_y, value, u) for at_x, value, u in zip(x.values, values, us, strict=True))


def _head(of: Series | Grid) -> str:
    return f"{of.name} / {of.unit}"


def _with_u(series: Series) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return series.values, series.u or (math.nan,) * len(series.values)


def _number(number: Number) -> tuple[float, float]:
    return number.value, math.nan if number.u is None else number.u
