"""Small helpers that all sections share: the run column, point names, headings by run."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from benchkit.model.results import Estimate, OperatingPoint
from benchkit.report.model import Cell, Column, RunReport, Table, Text

RUN_COLUMN = Column("run", "Run")


def table_by_run(
    runs: Sequence[RunReport],
    table_id: str,
    title: str,
    columns: Sequence[Column],
    rows_of: Callable[[RunReport], Iterable[tuple[Cell, ...]]],
    *,
    note: str = "",
) -> Table | None:
    """One table over all runs, with a run column where there are several; None without rows."""
    several = len(runs) > 1
    rows = [((Text(run.label), *row) if several else row) for run in runs for row in rows_of(run)]
    if not rows:
        return None
    head = (RUN_COLUMN, *columns) if several else tuple(columns)
    return Table(table_id, title, head, tuple(rows), note)


def point_name(point: OperatingPoint) -> str:
    """P and the number of the operating point, counted from 1."""
    return f"P{point.index + 1}"


def of_run(run: RunReport, runs: Sequence[RunReport]) -> str:
    """A suffix that names the run where there are several."""
    return f", run {run.label}" if len(runs) > 1 else ""


def run_slug(run: RunReport) -> str:
    """Part of an id that belongs to one run."""
    return run.label.lower()


def listed(words: Sequence[str]) -> str:
    """``Speed, torque and thrust``: the first as it is, the others with a small letter unless an abbreviation."""
    later = [word if word[1:2].isupper() else word[:1].lower() + word[1:] for word in words[1:]]
    if not later:
        return "".join(words)
    return f"{', '.join([words[0], *later[:-1]])} and {later[-1]}"


def is_known(estimate: Estimate) -> bool:
    """True where a value was measured."""
    return math.isfinite(estimate.value)
