"""The motor itself: constants, drag over speed, inertia."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.model.results import Estimate
from benchkit.model.results_motor import Constant, DragPart, DragPoint
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Listing,
    RunReport,
    Section,
    Text,
    Tone,
    number,
    series,
)
from benchkit.report.rows import of_run, point_name, table_by_run

Row = tuple[Cell, ...]
U95 = "Values are value ± U, U the half-width of the 95 % interval."


def motor_section(runs: Sequence[RunReport]) -> Section | None:
    """Constants with how they were found, terms of the drag, its points; absent without such data."""
    if not any(run.result.motor for run in runs):
        return None
    constants = table_by_run(
        runs,
        "motor-constants",
        "Motor constants",
        (Column("name", "Constant"), Column("value", "Value"), Column("how", "From")),
        lambda run: (_constant_row(one) for found in run.result.motor for one in found.constants),
        note=f"{U95} Peak values; star connection.",
    )
    parts = table_by_run(
        runs,
        "drag-parts",
        "No-load losses by their way with speed",
        (
            Column("name", "Term"),
            Column("power", "Torque goes with"),
            Column("coefficient", "Coefficient"),
            Column("verdict", "Told from zero and from the others"),
        ),
        lambda run: (_part_row(part) for found in run.result.motor for part in found.drag_parts),
        note=f"{U95} Drag torque = sum of coefficient × w^power, w in rad/s; weighted least squares.",
    )
    points = table_by_run(
        runs,
        "drag-points",
        "Drag of the idling points",
        (
            Column("point", "Point"),
            Column("speed", "Speed", "rpm"),
            Column("drag", "Drag", "N·m"),
            Column("fitted", "Fitted", "N·m"),
            Column("how", "From"),
        ),
        lambda run: (_drag_row(point) for found in run.result.motor for point in found.drag_points),
        note=f"{U95} U of the fit is that of the scatter alone.",
    )
    notes = [(f"Note{of_run(run, runs)}", text) for run in runs for found in run.result.motor for text in found.notes]
    blocks: tuple[Block | None, ...] = (
        constants,
        _drag_figure(runs),
        parts,
        points,
        Listing(tuple(notes)) if notes else None,
    )
    return Section("motor", "Motor constants and no-load losses", tuple(b for b in blocks if b is not None))


def _constant_row(constant: Constant) -> Row:
    return Text(constant.name), number(constant.estimate), Text(constant.how)


def _part_row(part: DragPart) -> Row:
    way = ("constant", "speed", "speed²")[part.power]
    verdict = Text("yes") if part.is_identified else Text("no: only the sum is known", Tone.NOTE)
    return Text(part.name), Text(way), number(part.coefficient), verdict


def _drag_row(point: DragPoint) -> Row:
    how = "gates off, driven by the load" if point.is_driven else "AC power less shaft power over speed"
    values = (point.speed_rpm, point.drag_nm, point.fitted_nm)
    return (Text(point_name(point.point)), *(number(value) for value in values), Text(how))


def _drag_figure(runs: Sequence[RunReport]) -> CloudFigure | None:
    clouds = []
    for run in runs:
        points = [point for found in run.result.motor for point in found.drag_points]
        if points:
            label = f"run {run.label}" if len(runs) > 1 else "measured"
            clouds += [_cloud(label, points, [p.drag_nm for p in points])]
            clouds += [
                _cloud("fitted" if len(runs) == 1 else f"{label}, fitted", points, [p.fitted_nm for p in points])
            ]
    if not clouds:
        return None
    panel = CloudPanel("Drag torque", "Speed / rpm", "Drag / N·m", tuple(clouds))
    text = "Drag torque of the idling points over speed, measured and fitted, with 95 % error bars."
    return CloudFigure("drag-figure", "Drag over speed", text, (panel,))


def _cloud(label: str, points: Iterable[DragPoint], values: Sequence[Estimate]) -> Cloud:
    return Cloud(label, series("speed", [p.speed_rpm for p in points]), series("drag", values))
