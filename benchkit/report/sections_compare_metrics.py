"""The metric table of a comparison: one number a run beside the losses, means of both sides, and the verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchkit.analysis.compare.metrics import MetricColumn, MetricRow
from benchkit.analysis.compare.verdict import Word
from benchkit.model.metrics import Metric
from benchkit.report.metric_words import in_shown_units, title_of
from benchkit.report.model import Cell, Column, Number, Section, Table, Text, Tone, plain

TONES = {
    Word.BETTER: Tone.GOOD,
    Word.WORSE: Tone.CAUTION,
    Word.EQUIVALENT: Tone.GOOD,
    Word.DIFFERENT: Tone.CAUTION,
    Word.NOT_SHOWN: Tone.NOTE,
    Word.REFUSED: Tone.ERROR,
}


def metrics_section(rows: Sequence[MetricRow]) -> Section | None:
    """All metrics; None where there are none. Values, those of each kind of burst, counts, and levels not judged."""
    if not rows:
        return None
    judged = [row for row in rows if row.verdict is not None]
    values = [row for row in judged if not row.metric.is_counted]
    kinds = dict.fromkeys(row.metric.region for row in values if _is_of_bursts(row.metric))
    tables = [
        _table("metrics", "Metrics, one number a run", [r for r in values if not _is_of_bursts(r.metric)], VALUES_NOTE),
        *(
            _table(
                "metrics-" + "-".join(kind.replace(",", "").split()),
                f"Metrics of bursts: {kind}",
                [row for row in values if row.metric.region == kind],
                "One number a run: the mean of its bursts, phases and legs. Band and method of each are in the report "
                "of the run; the fundamental is followed.",
            )
            for kind in kinds
        ),
        _counts([row for row in judged if row.metric.is_counted]),
        _levels([row for row in rows if row.verdict is None]),
    ]
    return Section("metrics", "Metrics", tuple(table for table in tables if table is not None))


VALUES_NOTE = (
    "Judged by how runs repeat, with the 95 % interval of the difference; p-values are adjusted for all metrics "
    "together (Holm), those of bursts and the counts among them. "
    "Losses over the map are stated off the mean of all runs."
)
COUNTS_NOTE = (
    "Of all runs of a side together, with exact intervals. Shares are compared after Fisher, rates by the binomial of "
    "their sum; ratio: of the rates, B over A, with its exact 95 % interval. Where neither side has any event, or no "
    "failure, nothing is tested."
)


def _is_of_bursts(metric: MetricColumn) -> bool:
    return ", " in metric.region


def _table(name: str, title: str, rows: Sequence[MetricRow], note: str) -> Table | None:
    if not rows:
        return None
    columns = (
        Column("label", "Metric"),
        Column("a", "Mean of A"),
        Column("b", "Mean of B"),
        Column("difference", "B less A"),
        Column("smallest", "Shown from"),
        Column("p", "p, adjusted"),
        Column("verdict", "Verdict"),
    )
    return Table(name, title, columns, tuple(_row(row) for row in rows), note)


def _counts(rows: Sequence[MetricRow]) -> Table | None:
    if not rows:
        return None
    columns = (
        Column("label", "Metric"),
        Column("a", "A"),
        Column("b", "B"),
        Column("counts", "Counted, B against A"),
        Column("p", "p, adjusted"),
        Column("verdict", "Verdict"),
    )
    cells = tuple(
        (
            Text(label_of(row.metric)),
            _mean(row.a),
            _mean(row.b),
            Text(row.verdict.text.partition("(")[2].rstrip(")")),
            p_cell(row.verdict.p_adjusted),
            Text(row.verdict.word.value, TONES[row.verdict.word]),
        )
        for row in rows
        if row.verdict is not None
    )
    return Table("metric-counts", "Counts", columns, cells, COUNTS_NOTE)


def _levels(rows: Sequence[MetricRow]) -> Table | None:
    if not rows:
        return None
    columns = (
        Column("label", "Metric"),
        Column("a", "Mean of A"),
        Column("b", "Mean of B"),
        Column("why", "Why it is not judged"),
    )
    cells = tuple((Text(label_of(r.metric)), _mean(r.a), _mean(r.b), Text(r.metric.not_judged)) for r in rows)
    return Table("metric-levels", "Shown, and not judged", columns, cells)


def label_of(metric: MetricColumn) -> str:
    """Name in words, with the region it holds for."""
    label = metric.label or title_of(metric.name)
    return f"{label} ({metric.region})" if metric.region else label


def p_cell(value: float) -> Cell:
    """A p-value."""
    return plain(value, "1", 2) if math.isfinite(value) else Text("not tested")


def _row(row: MetricRow) -> tuple[Cell, ...]:
    metric, verdict = row.metric, row.verdict
    assert verdict is not None
    label = metric.label or title_of(metric.name) if _is_of_bursts(metric) else label_of(metric)
    difference = in_shown_units(metric.name, Number(verdict.difference, metric.unit, verdict.u, verdict.dof))
    smallest: Cell = Text("")
    if math.isfinite(verdict.smallest) and verdict.word is not Word.REFUSED:
        smallest = in_shown_units(metric.name, Number(verdict.smallest, metric.unit, digits=2))
    word = Text(verdict.word.value, TONES[verdict.word])
    return (Text(label), _plain(row.a), _plain(row.b), difference, smallest, p_cell(verdict.p_adjusted), word)


def _plain(side: Metric) -> Cell:
    """A mean beside a difference that has the interval: two of three would be too much on a line."""
    return in_shown_units(side.name, Number(side.value, side.unit, digits=4))


def _mean(side: Metric) -> Cell:
    if not side.is_measured:
        return Text("nothing to count" if side.note else "not measured")
    number = Number(side.value, side.unit, side.u, max(1.0, side.averaged - 1.0), bounds=side.interval95)
    return in_shown_units(side.name, number)
