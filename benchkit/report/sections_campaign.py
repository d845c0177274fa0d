"""The report of a campaign: what differs between the runs of a folder, by firmware, article, propeller and hours."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchkit import __version__
from benchkit.analysis.trends import grouped
from benchkit.model.results import Estimate
from benchkit.model.results_campaign import Campaign, CampaignRun, GroupLevel, RunLevel, Trend
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    GroupFigure,
    Listing,
    Number,
    Paragraph,
    ReportModel,
    Section,
    Series,
    Table,
    Text,
    Tone,
    count,
    number,
    plain,
    series,
)
from benchkit.report.sections_run import cautions_section

WORDS = {"firmware": "Firmware", "article": "Article", "propeller": "Propeller"}
LISTED_RUNS = 500
"""Of more runs the page lists none: ``runs.csv`` has them all."""
LISTED_SKIPPED = 200
DRAWN_RUNS = 600
"""In a figure over hours; of more runs every second, third … is drawn."""


def build_campaign(found: Campaign) -> ReportModel:
    """The report of a campaign. Same campaign, same report."""
    simulated = sum(run.is_simulated for run in found.runs)
    sections = [
        Section("summary", "Summary", tuple(_summary(found))),
        cautions_section(),
        *(_trend_section(trend, found.runs) for trend in found.trends),
        _skipped_section(found),
        _runs_section(found),
        _method_section(found),
    ]
    return ReportModel(
        title=f"Campaign: {found.folder}",
        subtitle=f"{len(found.runs)} runs, {len(found.skipped)} left out; {_period(found.runs)}",
        software_version=__version__,
        simulated=(f"SIMULATED DATA in {simulated} of {len(found.runs)} runs.",) if simulated else (),
        runs=(),
        sections=tuple(section for section in sections if section is not None),
    )


def _period(runs: Sequence[CampaignRun]) -> str:
    days = sorted(run.started_utc[:10] for run in runs)
    return f"{days[0]} to {days[-1]}" if days else "no run could be used"


def _summary(found: Campaign) -> list[Block]:
    runs = len(found.runs)
    blocks: list[Block] = []
    if found.skipped:
        text = f"{len(found.skipped)} of {runs + len(found.skipped)} files are not in the numbers; each has its reason."
        blocks.append(Paragraph(text, Tone.CAUTION, "Left out"))
    else:
        blocks.append(Paragraph("Every file of the folder is in the numbers.", Tone.GOOD, "Left out"))
    without = sum(run.points == 0 for run in found.runs)
    if without:
        text = f"{without} runs gave no row: nothing in them held still, or the analysis found nothing."
        blocks.append(Paragraph(text, Tone.NOTE, "Without result"))
    if not found.trends:
        text = "No quantity was measured in two runs or more at set-points that they share."
        blocks.append(Paragraph(text, Tone.CAUTION, "No trends"))
        return blocks
    columns = (
        Column("quantity", "Quantity"), Column("runs", "Runs"), Column("firmware", "Firmware"),
        Column("mean", "Mean ± U (95 %)"), Column("common", "Instruments, ± U (95 %)"),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for trend in found.trends:
        groups = dict(trend.groups)["firmware"]
        for place, group in enumerate(groups):
            head = trend.title if place == 0 else ""
            mean, common = _mean_cell(group.mean), _common_cell(trend, group.u_common)
            rows.append((Text(head), count(group.runs), Text(group.name), mean, common))
    blocks.append(Table("by-firmware", "Means by firmware", columns, tuple(rows), _NOTE))
    return blocks


_NOTE = (
    "Mean: of runs on the average of the shared set-points; its interval is from the scatter between runs and tells "
    "groups apart where the same instruments were used. Instruments: what they may be wrong by in all runs alike; more "
    "runs do not make it smaller, and it counts in full where a number is used by itself."
)
_CAUTION = (
    "A trend is no comparison. Groups differ in whatever else changed with them: day, order, temperature, propeller. "
    "'benchkit plan' and 'benchkit compare' say whether one firmware is better than another."
)


def _mean_cell(mean: Estimate) -> Number:
    return number(mean)


def _common_cell(trend: Trend, u: float) -> Cell:
    if not math.isfinite(u):
        return Text("not stated")
    return plain(1.959964 * u, trend.unit, 2)


def _trend_section(trend: Trend, runs: Sequence[CampaignRun]) -> Section:
    blocks: list[Block] = []
    for word, groups in trend.groups:
        if word != "firmware" and len(groups) < 2:
            continue
        blocks.append(_group_table(trend, word, groups))
        blocks.append(_group_figure(trend, word, groups, runs))
    figure = _hours_figure(trend, runs)
    if figure is not None:
        blocks.append(figure)
    if trend.over_hours:
        blocks.append(_hours_table(trend))
    if trend.left_out:
        text = (
            f"{len(trend.left_out)} runs share no set-point with the others, not even over a chain of runs, and "
            f"are not in this quantity: {_few([runs[place].file for place in trend.left_out])}"
        )
        blocks.append(Paragraph(text, Tone.NOTE, "Not tied"))
    blocks.append(Paragraph(_CAUTION, Tone.CAUTION, "Trend"))
    return Section(f"trend-{trend.key.replace('_', '-')}", trend.title, tuple(blocks))


def _few(names: Sequence[str], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _group_table(trend: Trend, word: str, groups: Sequence[GroupLevel]) -> Table:
    columns = (
        Column("name", WORDS[word]), Column("runs", "Runs"), Column("mean", "Mean ± U (95 %)"),
        Column("scatter", "Scatter between runs (1 sd)"), Column("common", "Instruments, ± U (95 %)"),
    )  # fmt: skip
    rows = tuple(
        (
            Text(group.name),
            count(group.runs),
            _mean_cell(group.mean),
            plain(group.scatter, trend.unit, 2) if math.isfinite(group.scatter) else Text("one run"),
            _common_cell(trend, group.u_common),
        )
        for group in groups
    )
    note = f"On the average of {trend.set_points} shared set-points. What the two intervals mean: see Summary."
    return Table(f"{trend.key.replace('_', '-')}-{word}", f"By {WORDS[word].lower()}", columns, rows, note)


def _group_figure(trend: Trend, word: str, groups: Sequence[GroupLevel], runs: Sequence[CampaignRun]) -> GroupFigure:
    members: dict[str, list[float]] = {group.name: [] for group in groups}
    for each in trend.levels:
        members[getattr(runs[each.run], word) or "not said"].append(each.level.value)
    return GroupFigure(
        f"fig-{trend.key.replace('_', '-')}-{word}",
        f"{trend.title} by {WORDS[word].lower()}",
        "Each dot is a run on the average of the shared set-points; below the dots their mean with its 95 % interval "
        "from the scatter between runs.",
        tuple(f"{group.name} ({group.runs})" for group in groups),
        series(trend.title, [group.mean for group in groups]),
        tuple(Series(name, trend.unit, tuple(values)) for name, values in members.items()),
    )


def _hours_figure(trend: Trend, runs: Sequence[CampaignRun]) -> CloudFigure | None:
    known = [each for each in trend.levels if math.isfinite(runs[each.run].hours)]
    articles = grouped([runs[each.run].article for each in known])
    if len(known) < 3:
        return None
    panels = tuple(
        CloudPanel(
            str(article) or "not said",
            "Recorded hours before the run",
            f"{trend.title}{'' if trend.unit == '1' else f' / {trend.unit}'}",
            _clouds(trend, [known[place] for place in places], runs),
        )
        for article, places in sorted(articles.items(), key=lambda item: str(item[0]))[:3]
    )
    more = "" if len(articles) <= 3 else f" The first 3 of {len(articles)} articles are drawn."
    return CloudFigure(
        f"fig-{trend.key.replace('_', '-')}-hours",
        f"{trend.title} over the hours of the article",
        "Each point is a run on the average of the shared set-points, with the 95 % interval of its own scatter. Hours "
        f"are those recorded in this folder, standstill included.{more}",
        panels,
    )


def _clouds(trend: Trend, levels: Sequence[RunLevel], runs: Sequence[CampaignRun]) -> tuple[Cloud, ...]:
    levels = levels[:: max(1, -(-len(levels) // DRAWN_RUNS))]
    by_firmware = grouped([runs[each.run].firmware or "not said" for each in levels])
    return tuple(
        Cloud(
            str(name),
            Series("Recorded hours", "h", tuple(runs[levels[place].run].hours for place in places)),
            series(trend.title, [levels[place].level for place in places]),
        )
        for name, places in sorted(by_firmware.items(), key=lambda item: str(item[0]))
    )


def _hours_table(trend: Trend) -> Table:
    hours = said_over_h(max(line.to_h - line.from_h for line in trend.over_hours))
    columns = (
        Column("article", "Article"), Column("runs", "Runs"), Column("from", "From", "h"), Column("to", "To", "h"),
        Column("slope", f"Change in {hours:g} h ± U (95 %)"), Column("shown", "Shown?"),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for line in trend.over_hours:
        slope = line.slope_per_h
        change = Number(hours * slope.value, trend.unit, hours * slope.u, slope.dof)
        rows.append(
            (
                Text(line.article),
                count(line.runs),
                plain(line.from_h, "h", 4),
                plain(line.to_h, "h", 4),
                change,
                Text(_shown(slope)),
            )
        )
    note = (
        "Straight line through the runs of one article, its interval from their scatter about it. A change of firmware "
        "or propeller on the way is in it too."
    )
    key = trend.key.replace("_", "-")
    return Table(f"{key}-hours", "Over the recorded hours", columns, tuple(rows), note)


def said_over_h(span_h: float) -> float:
    """Hours for which a slope is said: 0.1, 1, 10 … and never more than were recorded, from 0.1 h on."""
    return 10.0 ** max(-1.0, math.floor(math.log10(span_h) + 1e-9)) if span_h > 0.0 else 0.1


def _shown(slope: Estimate) -> str:
    from benchkit.analysis.uncertainty import interval

    low, high = interval(slope, 0.95)
    return "yes" if low > 0.0 or high < 0.0 else "not shown"


def _skipped_section(found: Campaign) -> Section | None:
    if not found.skipped:
        return None
    shown = found.skipped[:LISTED_SKIPPED]
    more = len(found.skipped) - len(shown)
    note = f"{more} more are in runs.csv." if more else ""
    table = Table(
        "skipped",
        "Files that are not in the numbers",
        (Column("file", "File"), Column("reason", "Reason")),
        tuple((Text(each.file, code=True), Text(each.reason)) for each in shown),
        note,
    )
    return Section("skipped", "Left out", (table,))


def _runs_section(found: Campaign) -> Section:
    if len(found.runs) > LISTED_RUNS:
        text = f"{len(found.runs)} runs: runs.csv, beside this page, has them all with their content hashes."
        return Section("runs", "Runs", (Paragraph(text),))
    columns = (
        Column("file", "File"), Column("started", "Started"), Column("firmware", "Firmware"),
        Column("propeller", "Propeller"), Column("article", "Article"), Column("hours", "Hours before", "h"),
        Column("rows", "Rows"), Column("content", "Content"),
    )  # fmt: skip
    rows = tuple(
        (
            Text(run.file, code=True),
            Text(run.started_utc[:16].replace("T", " ")),
            Text(run.firmware),
            Text(run.propeller),
            Text(run.article),
            plain(run.hours, "h", 4),
            count(run.points),
            Text(run.content_sha256[:12], code=True),
        )
        for run in found.runs
    )
    note = "Content: first 12 digits of the content hash; runs.csv has it whole."
    return Section("runs", "Runs", (Table("runs", "Runs in the numbers", columns, rows, note),))


def _method_section(found: Campaign) -> Section:
    lines = (
        ("Analysis", f"{found.analysis}, version {found.analysis_version[:12]} (hash of its sources and libraries)."),
        (
            "Level of a run",
            "a reading is what the run adds, what the set-point asks for, and scatter; least squares over all runs. "
            "Set-points are told apart by gaps wider than the steady bands of the stand. Excluded points and "
            "standstill are left out.",
        ),
        (
            "Group",
            "mean of its runs' levels, u = s/√n with n - 1 degrees of freedom. Groups are not adjusted for each other.",
        ),
        (
            "Instruments",
            "mean of the standard uncertainties of the points: errors of calibration are the same at all points of a "
            "run, so no number of points or runs makes it smaller (an upper bound, whatever their correlation).",
        ),
        ("Table", f"{found.rows} rows in table.csv, SHA-256 {found.table_sha256}."),
    )
    return Section("method", "Method", (Listing(lines),))
