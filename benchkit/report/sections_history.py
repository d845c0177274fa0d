"""Loss over many revisions: one control chart a part of the drive, and a table of the runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchkit import __version__
from benchkit.analysis.compare.comparison import run_levels
from benchkit.analysis.compare.data import SUBJECTS, RunData
from benchkit.analysis.compare.history import FIRM, ControlChart, control_chart
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
from benchkit.report.sections_run import cautions_section


def build_history(runs: Sequence[RunData], reports: Sequence[RunReport], base: int | None = None) -> ReportModel:
    """The report of a history; runs are put in the order of their times. ``base`` as in ``control_chart``."""
    order = sorted(range(len(runs)), key=lambda k: runs[k].middle_s)
    runs, reports = [runs[k] for k in order], [reports[k] for k in order]
    blocks: list[Block] = []
    first: list[Block] = []
    columns: list[tuple[str, np.ndarray[tuple[int], np.dtype[np.float64]]]] = []
    for subject in SUBJECTS:
        if not all(subject in run.loss_w for run in runs):
            continue
        values = run_levels(subject, runs)
        columns.append((subject, values))
        chart = control_chart(values, base)
        first.append(_told(subject, chart, runs))
        blocks.append(_figure(subject, chart, runs, base))
    table = Table(
        "history",
        "Runs in order",
        (
            Column("no", "Run"),
            Column("file", "File"),
            Column("started", "Started"),
            Column("revision", "Firmware"),
            *(Column(subject, f"{subject.capitalize()} loss", "%") for subject, _ in columns),
        ),
        tuple(
            (
                count(k + 1),
                Text(report.file_name, code=True),
                Text(started_text(report.header)),
                Text(run.revision),
                *(plain(float(values[k]), "%", 4) for _, values in columns),
            )
            for k, (run, report) in enumerate(zip(runs, reports, strict=True))
        ),
        "Loss over the common operating points, of the input power, brought to a common winding temperature and bus "
        "voltage, off the mean of all runs.",
    )
    revisions = list(dict.fromkeys(run.revision for run in runs))
    simulated = [report.file_name for report in reports if report.header.simulated]
    return ReportModel(
        title=f"Losses over {len(revisions)} revision{'s' if len(revisions) != 1 else ''}",
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


def _told(subject: str, chart: ControlChart, runs: Sequence[RunData]) -> Paragraph:
    names = [f"run {k + 1} ({runs[k].revision})" for k in sorted({*chart.outside, *chart.jumps, *chart.shifts})]
    rough = "" if chart.is_firm else f" Fewer than {FIRM} runs: the limits are rough."
    if not names:
        return Paragraph(f"no run stands out.{rough}", Tone.GOOD, f"{subject.capitalize()} loss")
    return Paragraph(f"{', '.join(names)} stand out.{rough}", Tone.CAUTION, f"{subject.capitalize()} loss")


def _figure(subject: str, chart: ControlChart, runs: Sequence[RunData], base: int | None) -> ControlFigure:
    of = "all runs" if base is None else f"the first {base} runs"
    return ControlFigure(
        f"history-{subject}",
        f"{subject.capitalize()} loss over the revisions",
        f"Loss of each run off the mean, and the range to the run before. Limits from {of}: centre ± 2.66 mean ranges, "
        "3.27 mean ranges. A run outside, a jump, or eight in a row on one side stand out.",
        tuple(f"{k + 1} {run.revision}" for k, run in enumerate(runs)),
        Series(f"{subject} loss", "%", tuple(chart.values.tolist())),
        plain(chart.centre, "%"),
        plain(chart.low, "%"),
        plain(chart.high, "%"),
        Series("moving range", "%", tuple(chart.ranges.tolist())),
        plain(chart.range_mean, "%"),
        plain(chart.range_high, "%"),
        tuple(str(k + 1) for k in sorted({*chart.outside, *chart.jumps, *chart.shifts})),
    )
