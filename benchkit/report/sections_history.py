"""Loss over many revisions: one control chart a part of the drive, and a table of the runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchkit import __version__
from benchkit.analysis.compare.comparison import run_levels
from benchkit.analysis.compare.data import SUBJECTS, RunData
from benchkit.analysis.compare.history import FIRM, ControlChart, control_chart
from benchkit.analysis.compare.metrics import columns_of
from benchkit.report.flags import started_text
from benchkit.report.model import (
    Block,
    Column,
    ControlFigure,
    Paragraph,
    ReportModel,
    RunReport,
    Section,
    Series,
    Table,
    Text,
    Tone,
    count,
    plain,
)
from benchkit.report.sections_compare_metrics import label_of
from benchkit.report.sections_run import cautions_section


def build_history(runs: Sequence[RunData], reports: Sequence[RunReport], base: int | None = None) -> ReportModel:
    """The report of a history; runs are put in the order of their times. ``base`` as in ``control_chart``."""
    order = sorted(range(len(runs)), key=lambda k: runs[k].middle_s)
    runs, reports = [runs[k] for k in order], [reports[k] for k in order]
    blocks: list[Block] = []
    first: list[Block] = []
    columns = [
        (f"{subject} loss", "%", run_levels(subject, runs))
        for subject in SUBJECTS
        if all(subject in run.loss_w for run in runs)
    ]
    others = columns_of([run.metrics for run in runs])
    # counts scatter by themselves, not by the ranges of neighbours: of them the reports of the runs speak
    columns += [
        (_lower(label_of(metric)), metric.unit, metric.values)
        for metric in others
        if not metric.is_counted and not metric.not_judged and np.all(np.isfinite(metric.values))
    ]
    for name, unit, values in columns:
        chart = control_chart(values, base)
        first.append(_told(name, chart, runs))
        blocks.append(_figure(name, unit, chart, runs, base))
    table = Table(
        "history",
        "Runs in order",
        (
            Column("no", "Run"),
            Column("file", "File"),
            Column("started", "Started"),
            Column("revision", "Firmware"),
            *(Column(name, _capital(name), unit) for name, unit, _ in columns),
        ),
        tuple(
            (
                count(k + 1),
                Text(report.file_name, code=True),
                Text(started_text(report.header)),
                Text(run.revision),
                *(plain(float(values[k]), unit, 4) for _, unit, values in columns),
            )
            for k, (run, report) in enumerate(zip(runs, reports, strict=True))
        ),
        "Losses over the common operating points, of the input power, brought to a common winding temperature and bus "
        "voltage, off the mean of all runs.",
    )
    revisions = list(dict.fromkeys(run.revision for run in runs))
    simulated = [report.file_name for report in reports if report.header.simulated]
    return ReportModel(
        title=f"Losses and metrics over {len(revisions)} revision{'s' if len(revisions) != 1 else ''}",
        subtitle=f"{runs[0].stand.inverter.id} with {runs[0].stand.motor.id}: {', '.join(revisions)}; {len(runs)} runs",
        software_version=__version__,
        simulated=(f"SIMULATED DATA in {len(simulated)} of {len(runs)} runs.",) if simulated else (),
        runs=tuple(reports),
        sections=(
            Section("summary", "Summary", tuple(first)),
            Section("charts", "Control charts", tuple(blocks)),
            Section("runs", "Runs", (table,)),
            cautions_section(),
        ),
    )


def _lower(name: str) -> str:
    return name if name[:2].isupper() else name[:1].lower() + name[1:]


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _told(name: str, chart: ControlChart, runs: Sequence[RunData]) -> Paragraph:
    names = [f"run {k + 1} ({runs[k].revision})" for k in sorted({*chart.outside, *chart.jumps, *chart.shifts})]
    rough = "" if chart.is_firm else f" Fewer than {FIRM} runs: the limits are rough."
    if not names:
        return Paragraph(f"No run stands out.{rough}", Tone.GOOD, _capital(name))
    return Paragraph(f"{', '.join(names)} stand out.{rough}", Tone.CAUTION, _capital(name))


def _figure(name: str, unit: str, chart: ControlChart, runs: Sequence[RunData], base: int | None) -> ControlFigure:
    of = "all runs" if base is None else f"the first {base} runs"
    return ControlFigure(
        f"history-{name.lower().replace(' ', '-')}",
        f"{_capital(name)} over the revisions",
        f"The value of each run, and the range to the run before. Limits from {of}: centre ± 2.66 mean ranges, "
        "3.27 mean ranges. A run outside, a jump, or eight in a row on one side stand out.",
        tuple(f"{k + 1} {run.revision}" for k, run in enumerate(runs)),
        Series(_capital(name), unit, tuple(chart.values.tolist())),
        plain(chart.centre, unit),
        plain(chart.low, unit),
        plain(chart.high, unit),
        Series("moving range", unit, tuple(chart.ranges.tolist())),
        plain(chart.range_mean, unit),
        plain(chart.range_high, unit),
        tuple(str(k + 1) for k in sorted({*chart.outside, *chart.jumps, *chart.shifts})),
    )
