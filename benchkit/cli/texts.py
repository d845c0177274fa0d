"""What commands print for people: short lines, every number with its unit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchkit.ingest.csv_import import RunSummary
    from benchkit.runfile.info import RunInfo
    from benchkit.runfile.recover import Recovered


def info_lines(info: RunInfo) -> Iterator[str]:
    """A run file in a few lines."""
    header = info.header
    yield f"{info.path.name}: {'closed' if info.is_closed else 'NOT CLOSED, see benchkit recover'}"
    yield f"  run id       {header.run_id}"
    yield f"  started      {header.started_utc}"
    yield f"  stand        {header.stand}{', SIMULATED data' if header.simulated else ''}"
    if header.simulated:
        yield f"  simulation   seed {header.seed}, {header.time_factor:g} s of the stand per second"
    if header.operator:
        yield f"  operator     {header.operator}"
    if header.note:
        yield f"  note         {header.note}"
    yield f"  software     benchkit {header.software_version}, run format {header.format_version}"
    yield f"  size         {info.size_bytes / 1e6:.2f} MB, of it {info.raw_bytes / 1e6:.2f} MB bytes as received"
    yield f"  content      {info.content_sha256 or 'no hash: not closed'}"
    for stream in info.streams:
        span = stream.last_time_s - stream.first_time_s
        yield f"  stream       {stream.source}: {stream.rows} rows, {len(stream.channels)} channels, {span:.1f} s"
    for source, bursts in info.bursts.items():
        yield f"  bursts       {source}: {bursts}"
    counts = ", ".join(f"{kind} {count}" for kind, count in info.events.items())
    yield f"  events       {counts or 'none'}"


def recovered_lines(found: Recovered) -> Iterator[str]:
    """What recovery found and made."""
    if found.was_closed:
        yield f"{found.path.name} is closed and its content hash fits: nothing to do"
        return
    yield f"made {found.path}"
    for source, rows in found.rows_by_source.items():
        yield f"  {source}: {rows} rows, {found.rows_from_journal.get(source, 0)} of them from the journal"
    if found.bursts:
        yield f"  bursts: {found.bursts}"
    yield f"  bytes lost at the torn end of the journal: {found.journal_bytes_lost}"
    for problem in found.problems:
        yield f"  problem: {problem}"
    kept = [found.original.name, *([found.journal.name] if found.journal else [])]
    yield f"  kept as they are: {', '.join(kept)}"


def imported_lines(summary: RunSummary) -> Iterator[str]:
    """What an import took and what it refused."""
    refused = sum(summary.bad_counts.values())
    yield f"made {summary.path}: {summary.rows} rows of {summary.source}, {summary.duration_s:.3f} s"
    yield f"  refused lines {refused}, gaps {summary.gaps}, rows whose time steps back {summary.time_steps_back}"
    for line in summary.bad:
        yield f"  {line}"
    if refused > len(summary.bad):
        yield f"  … and {refused - len(summary.bad)} more"
