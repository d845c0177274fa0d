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
    """All metrics; None where there are none."""
    if not rows:
        return None
    table = Table(
        "metrics",
        "Metrics, one number a run",
        (
            Column("label", "Metric"),
            Column("a", "Mean of A"),
            Column("b", "Mean of B"),
            Column("difference", "B less A"),
            Column("smallest", "Shown from"),
            Column("p", "p, adjusted"),
            Column("verdict", "Verdict"),
            Column("note", "On what"),
        ),
        tuple(_row(row) for row in rows),
        "Judged together (Holm), values by how runs repeat, counts by exact tests (shares after Fisher, rates by the "
        "binomial of their sum) of all runs of a side together. Ripple and THD: of bursts, band and method in the "
        "reports of the runs; fundamental followed. Losses over the map are stated off the mean of all runs. Ratio: of "
        "the rates, B over A, with its exact 95 % interval.",
    )
    return Section("metrics", "Metrics", (table,))


def label_of(metric: MetricColumn) -> str:
    """Name in words, with the region it holds for."""
    label = metric.label or title_of(metric.name)
    return f"{label} ({metric.region})" if metric.region else label


def p_cell(value: float) -> Cell:
    """A p-value."""
    return plain(value, "1", 2) if math.isfinite(value) else Text("not tested")


def _row(row: MetricRow) -> tuple[Cell, ...]:
    metric, verdict = row.metric, row.verdict
    label = Text(label_of(metric))
    means = (_mean(row.a), _mean(row.b))
    counts = [m.averaged for m in metric.of_runs if m is not None and m.is_measured]
    note = Text(f"{min(counts)} values a run" if counts and min(counts) > 1 else "")
    if verdict is None:
        difference = in_shown_units(metric.name, Number(row.b.value - row.a.value, metric.unit, digits=3))
        return (
            label,
            *means,
            difference,
            Text(""),
            Text("not tested"),
            Text("not judged", Tone.NOTE),
            Text(metric.not_judged),
        )
    is_counted = metric.is_counted
    u = None if is_counted else verdict.u
    difference = in_shown_units(metric.name, Number(verdict.difference, metric.unit, u, verdict.dof, digits=3))
    smallest: Cell = Text("")
    if math.isfinite(verdict.smallest) and verdict.word is not Word.REFUSED:
        smallest = in_shown_units(metric.name, Number(verdict.smallest, metric.unit, digits=2))
    if is_counted:
        note = Text(verdict.text.partition("(")[2].rstrip(")"))
    p = p_cell(verdict.p_adjusted)
    return (label, *means, difference, smallest, p, Text(verdict.word.value, TONES[verdict.word]), note)


def _mean(side: Metric) -> Cell:
    if not side.is_measured:
        return Text("nothing to count" if side.note else "not measured")
    number = Number(side.value, side.unit, side.u, max(1.0, side.averaged - 1.0), bounds=side.interval95)
    return in_shown_units(side.name, number)
