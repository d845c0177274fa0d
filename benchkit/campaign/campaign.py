"""One analysis over a folder of runs: what is done already is taken from the ledger, the rest goes into processes."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from benchkit.campaign import ledger as ledgers
from benchkit.campaign import table
from benchkit.campaign.catalogue import Catalogue
from benchkit.campaign.entry import Entry, Filter, State
from benchkit.campaign.executors import Done, run_tasks
from benchkit.campaign.points import Row
from benchkit.campaign.reduce import hours_before, trends
from benchkit.campaign.task import Task, analysis_version, full_name
from benchkit.errors import DataError, UsageError
from benchkit.model.results_campaign import Campaign, CampaignRun, SkippedRun

TABLE_CSV, TABLE_PARQUET, RUNS_CSV = "table.csv", "table.parquet", "runs.csv"
IDENTITY = (
    "file", "content_sha256", "run_id", "started_utc", "stand", "operator", "inverter", "motor", "firmware",
    "propeller", "simulated", "duration_s",
)  # fmt: skip
"""Columns that stand in front of every row, whatever the analysis."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How a campaign is done; none of it changes a row."""

    analysis: str = "points"
    """Short name, or ``module:function``."""
    wanted: Filter = field(default_factory=Filter)
    workers: int = 2
    """Processes on this computer; 0: in this process."""
    scheduler: str = ""
    """Address of a Dask scheduler; its workers are used instead."""
    verify: bool = True
    """Compute the content hash of every run again before it counts."""
    cache: Path | None = None
    """File of the catalogue."""


@dataclass(frozen=True, slots=True)
class Made:
    """What a campaign made."""

    campaign: Campaign
    done: int
    """Runs analysed now."""
    reused: int
    """Runs whose rows were there."""
    cpu_s: float
    """Processor time of the analyses that were done now, of all processes together."""
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class _Plan:
    counted: tuple[Entry, ...]
    skipped: tuple[SkippedRun, ...]
    once: tuple[Entry, ...]
    """All that can be read, chosen or not, a copied one once: they make the hours of an article."""


Progress = Callable[[int, int], None]


def run_campaign(folder: Path, out: Path, settings: Settings = Settings(), progress: Progress | None = None) -> Made:
    """Analyse every closed run of a folder and write tables to ``out``; a run that cannot be used is skipped, with
    its reason in the result.

    ``progress`` is called with runs done and runs in all. Stopped and started again, it goes on where it was. The same
    runs give the same tables, wherever and in whatever order they were done.

    Raises:
        UsageError: no such folder or analysis.
        LinkError: the scheduler does not answer, or has no workers.
        DataError: a worker runs another version of benchkit, or ``out`` holds something else.
    """
    folder = Path(folder).resolve()
    analysis = full_name(settings.analysis)
    version = analysis_version(analysis)
    out.mkdir(parents=True, exist_ok=True)
    plan = _planned(folder, settings)
    skipped = list(plan.skipped)
    with ledgers.Ledger(out / ledgers.FILE_NAME) as ledger:
        keys = {e.content_sha256: _key(folder, e, version) for e in plan.counted}
        by_hash = {e.content_sha256: e for e in plan.counted}
        missing = [e for e in plan.counted if keys[e.content_sha256] not in ledger]
        tasks = [Task(str(folder / e.path), e.content_sha256, analysis, version, settings.verify) for e in missing]
        reused, at, cpu_s = len(plan.counted) - len(missing), len(plan.counted) - len(missing), 0.0
        with closing(_outcomes(tasks, settings)) as outcomes:
            for task, outcome in outcomes:
                if outcome.is_foreign:
                    raise DataError(outcome.reason, where=settings.scheduler, remedy="Install the same on all of them.")
                if outcome.is_good:
                    ledger.add(keys[task.content_sha256], analysis, outcome.rows)
                else:
                    skipped.append(SkippedRun(by_hash[task.content_sha256].path, outcome.reason))
                at, cpu_s = at + 1, cpu_s + outcome.cpu_s
                if progress is not None:
                    progress(at, len(plan.counted))
        good = [e for e in plan.counted if keys[e.content_sha256] in ledger]
        rows = [(place, row) for place, e in enumerate(good) for row in ledger.rows(keys[e.content_sha256])]
    hours = dict(zip((e.tag_key for e in plan.once), hours_before(plan.once), strict=True))
    counts = _counts(rows, len(good))
    runs = tuple(_run(e, hours[e.tag_key], counts[place]) for place, e in enumerate(good))
    files, csv_sha256 = _write(out, good, rows, skipped, runs, {"analysis": analysis, "analysis_version": version})
    campaign = Campaign(
        folder.name,
        analysis,
        version,
        runs,
        tuple(sorted(skipped, key=lambda each: each.file)),
        trends(runs, rows),
        len(rows),
        csv_sha256,
    )
    return Made(campaign, len(good) - reused, reused, cpu_s, files)


def _outcomes(tasks: Sequence[Task], settings: Settings) -> Generator[Done, None, None]:
    if tasks:
        yield from run_tasks(tasks, workers=settings.workers, scheduler=settings.scheduler)


def _planned(folder: Path, settings: Settings) -> _Plan:
    """Runs that count, once each, in the order of their start, and those that do not with the reason."""
    with Catalogue(folder, settings.cache) as catalogue:
        changes = catalogue.refresh()
        every = catalogue.entries()
        wanted = {e.path for e in catalogue.entries(settings.wanted)} if not settings.wanted.is_empty else None
    skipped = [SkippedRun(problem.partition(": ")[0], "the folder cannot be read") for problem in changes.problems]
    counted: dict[str, Entry] = {}
    for entry in every:
        # a damaged file says nothing that it could be chosen or left out by
        if wanted is not None and entry.path not in wanted and entry.state is not State.DAMAGED:
            continue
        if entry.state is not State.CLOSED:
            skipped.append(SkippedRun(entry.path, entry.reason))
        elif entry.content_sha256 in counted:
            same = counted[entry.content_sha256].path
            skipped.append(SkippedRun(entry.path, f"the same content as {same}, which counts"))
        else:
            counted[entry.content_sha256] = entry
    if not counted and not skipped:
        raise UsageError("no run to analyse", where=str(folder), remedy="Name a folder with runs, or a wider choice.")
    once = {e.tag_key: e for e in reversed(every) if e.state is not State.DAMAGED}
    return _Plan(tuple(counted.values()), tuple(skipped), tuple(reversed(once.values())))


def _key(folder: Path, entry: Entry, version: str) -> ledgers.Key:
    return entry.content_sha256, ledgers.exclusions_sha256(folder / entry.path), version


def _counts(rows: Sequence[tuple[int, Row]], runs: int) -> list[int]:
    counts = [0] * runs
    for place, _ in rows:
        counts[place] += 1
    return counts


def _run(entry: Entry, hours: float, count: int) -> CampaignRun:
    return CampaignRun(
        file=entry.path,
        content_sha256=entry.content_sha256,
        run_id=entry.run_id,
        started_utc=entry.started_utc,
        stand=entry.stand,
        operator=entry.operator,
        article=entry.article,
        firmware=entry.firmware,
        propeller=entry.propeller,
        is_simulated=bool(entry.simulated),
        hours=hours,
        points=count,
    )


def _identity(entry: Entry) -> Row:
    return {"file": entry.path, **{name: getattr(entry, name) for name in IDENTITY[1:]}}


def _write(
    out: Path,
    good: Sequence[Entry],
    rows: Sequence[tuple[int, Row]],
    skipped: Sequence[SkippedRun],
    runs: Sequence[CampaignRun],
    about: dict[str, str],
) -> tuple[tuple[Path, ...], str]:
    full: list[Row] = [{**_identity(good[place]), **row} for place, row in rows]
    columns = table.columns_of(full, IDENTITY)
    text = table.csv_text(full, columns)
    table.write_text(out / TABLE_CSV, text)
    files = [out / TABLE_CSV]
    if table.write_parquet(out / TABLE_PARQUET, full, columns, about):
        files.append(out / TABLE_PARQUET)
    listed: list[Row] = [
        {
            **_identity(entry),
            "hours_before": run.hours if math.isfinite(run.hours) else None,
            "rows": run.points,
            "skipped": "",
        }
        for entry, run in zip(good, runs, strict=True)
    ]
    listed += [{"file": each.file, "skipped": each.reason} for each in sorted(skipped, key=lambda s: s.file)]
    table.write_text(out / RUNS_CSV, table.csv_text(listed, table.columns_of(listed, IDENTITY)))
    return (*files, out / RUNS_CSV), hashlib.sha256(text.encode()).hexdigest()
