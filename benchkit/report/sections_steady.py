"""How steady each operating point was, electrically and thermally, and over what it was averaged."""

from __future__ import annotations

from collections.abc import Sequence

from benchkit.model.results import OperatingPoint, SteadyLabel
from benchkit.report.model import Cell, Column, RunReport, Section, Text, number, plain
from benchkit.report.rows import point_name, table_by_run

Row = tuple[Cell, ...]

U95 = "Values are value ± U, U the half-width of the 95 % interval."
NOTE = (
    "Steady: even the upper 95 % bound of the movement is within what is allowed; not steady: even the lower bound is "
    "beyond; not shown: the record is too short or too noisy to tell."
)


def steady_section(runs: Sequence[RunReport]) -> Section | None:
    """Labels of every operating point that has one."""
    electrical = table_by_run(
        runs,
        "steady-electrical",
        "Electrical and mechanical",
        (
            Column("point", "Point"),
            Column("window", "Averaged over", "s"),
            Column("state", "State"),
            Column("channel", "Decides"),
            Column("change", "Drift over the window"),
            Column("allowed", "Allowed"),
            Column("periods", "Electrical periods"),
        ),
        lambda run: (_electrical_row(point) for point in run.result.points if point.electrical is not None),
        note=f"{U95} {NOTE}",
    )
    thermal = table_by_run(
        runs,
        "steady-thermal",
        "Thermal",
        (
            Column("point", "Point"),
            Column("state", "State"),
            Column("channel", "Decides"),
            Column("change", "Change", "K"),
            Column("allowed", "Allowed", "K"),
            Column("over", "Over", "s"),
        ),
        lambda run: (_thermal_row(p, p.thermal) for p in run.result.points if p.thermal is not None),
        note=f"{U95} A load held for less than that time cannot be shown to be steady; its change is that of its rate.",
    )
    tables = tuple(table for table in (electrical, thermal) if table is not None)
    return Section("steadiness", "Steadiness of the points", tables) if tables else None


def _electrical_row(point: OperatingPoint) -> Row:
    label = point.electrical
    assert label is not None
    periods = f"{point.whole_periods} whole" if point.whole_periods else point.periods_note
    return (
        Text(point_name(point)),
        plain(point.time_end_s - point.time_start_s, "s"),
        Text(label.state.value if label.decided_by == "drift" else f"{label.state.value}, by its {label.decided_by}"),
        Text(label.channel),
        number(label.change),
        plain(label.allowed, label.change.unit),
        Text(periods),
    )


def _thermal_row(point: OperatingPoint, label: SteadyLabel) -> Row:
    return (
        Text(point_name(point)),
        Text(label.state.value),
        Text(label.channel),
        number(label.change),
        plain(label.allowed, "K"),
        plain(label.over_s, "s"),
    )
