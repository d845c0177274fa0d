"""Run files -> :class:`RunReport`: read, analyse, and digest the event log. No formula of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from datetime import date
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.results import OperatingPoint, RunResult
from benchkit.model.results_maps import Duty
from benchkit.model.run import RunHeader
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import BLOCK_ROWS, Stream, StreamRows
from benchkit.report.bursts import digest_bursts
from benchkit.report.flags import started_day
from benchkit.report.model import BurstDigest, ChannelTrace, RunReport, SourceDigest
from benchkit.report.traces import Thinning
from benchkit.report.trips import digest_trips

if TYPE_CHECKING:
    from benchkit.runfile.reader import Run

SHOWN_OVER_TIME = (
    Role.SPEED,
    Role.TORQUE,
    Role.THRUST,
    Role.WINDING_TEMP,
    Role.MAGNET_TEMP,
    Role.JUNCTION_TEMP,
    Role.COOLANT_INLET_TEMP,
    Role.COOLANT_OUTLET_TEMP,
)


def gather(
    paths: Sequence[Path], progress: Callable[[str], None] | None = None, duty: Duty | None = None
) -> list[RunReport]:
    """Read and analyse every run; runs are named A, B, … in the order given.

    ``progress`` is called with the file name before each run. ``duty`` is put over the maps of every run.

    Raises:
        UsageError: no path, or the same file twice.
        RunFileError: a file is damaged or foreign (from the reader).
    """
    if not paths:
        raise UsageError("a report needs at least one run", remedy="Name one or more run files (.h5).")
    resolved = [path.resolve() for path in paths]
    for path, real in zip(paths, resolved, strict=True):
        if resolved.count(real) > 1:
            raise UsageError("the same run is given twice", where=path.name, remedy="Name each run once.")
    reports = []
    for index, path in enumerate(paths):
        if progress is not None:
            progress(path.name)
        reports.append(_gather_one(path, run_label(index), duty))
    return _side_by_side(reports)


def _side_by_side(reports: list[RunReport]) -> list[RunReport]:
    """What only shows between runs is said in each of them."""
    from benchkit.analysis.quality import firmware_of_runs

    found = tuple(firmware_of_runs([report.stand for report in reports]))
    if not found:
        return reports
    return [replace(r, result=replace(r.result, findings=(*r.result.findings, *found))) for r in reports]


def run_label(index: int) -> str:
    """A, B … Z, AA, AB …"""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _gather_one(path: Path, label: str, duty: Duty | None) -> RunReport:
    from benchkit.profiles import stand_from_json
    from benchkit.runfile.exclusions import read_exclusions
    from benchkit.runfile.reader import open_run

    with open_run(path) as run:
        stand = stand_from_json(run.header.profile_json)
        events = (*run.events(), *read_exclusions(path, run.content_sha256))
        return report_of_streams(
            run.header,
            stand,
            _streams_of(run),
            events,
            label=label,
            file_name=path.name,
            content_sha256=run.content_sha256,
            is_closed=run.is_closed,
            duty=duty,
            bursts=digest_bursts(run.bursts(), stand),
        )


def _streams_of(run: Run) -> list[StreamRows]:
    """A stream of one block is read whole; a longer one stays in the file, which is open until all is said of it."""
    return [run.stream(source) if run.rows(source) <= BLOCK_ROWS else run.stream_rows(source) for source in run.sources]


def points_of_run(run: Run, events: Sequence[Event]) -> list[OperatingPoint]:
    """The operating points of an open run as :func:`gather` numbers them, without the rest of the analysis."""
    from benchkit.analysis.pipeline import points_of
    from benchkit.profiles import stand_from_json

    stand = stand_from_json(run.header.profile_json)
    return [point for stream in _with_role(stand, _streams_of(run)) for point in points_of(stand, stream, events)]


def _with_role(stand: Stand, streams: Sequence[StreamRows]) -> list[StreamRows]:
    """Streams with rows and with a channel that has a role: the others are not analysed."""
    with_role = set(stand.roles.values())
    return [stream for stream in streams if len(stream) and with_role & set(stream.channels)]


def report_of_streams(
    header: RunHeader,
    stand: Stand,
    streams: Sequence[StreamRows],
    events: Sequence[Event],
    *,
    label: str,
    file_name: str,
    content_sha256: str,
    is_closed: bool,
    duty: Duty | None = None,
    bursts: tuple[BurstDigest, ...] = (),
) -> RunReport:
    """Analyse the streams of one run and digest its events."""
    result, traces = _analyse(stand, streams, events, started_day(header), duty)
    return RunReport(
        label=label,
        file_name=file_name,
        header=header,
        stand=stand,
        result=result,
        events=tuple(events),
        trips=digest_trips(stand, streams, events, header.time_factor),
        traces=traces,
        sources=tuple(_source_digest(stream, events) for stream in streams),
        content_sha256=content_sha256,
        is_closed=is_closed,
        bursts=bursts,
    )


def _analyse(
    stand: Stand, streams: Sequence[StreamRows], events: Sequence[Event], day: date, duty: Duty | None
) -> tuple[RunResult, tuple[ChannelTrace, ...]]:
    """Results of every stream that carries a role, and its channels over time; each stream is passed once."""
    from benchkit.analysis.pipeline import analyse
    from benchkit.analysis.quality import Movement, device_offsets

    named = [stand.roles[role] for role in SHOWN_OVER_TIME if role in stand.roles]
    results: list[RunResult] = []
    movements: list[Stream] = []
    drawn: dict[str, list[ChannelTrace]] = {}
    for stream in _with_role(stand, streams):
        shown = [name for name in dict.fromkeys(named) if name in stream.channels]
        thinning, movement = Thinning(stream, shown), Movement(stand, stream)

        def watch(block: Stream, take: tuple[Callable[[Stream], None], ...] = (thinning.feed, movement.feed)) -> None:
            for feed in take:
                feed(block)

        results.append(analyse(stand, stream, events, day, duty, watch=watch))
        if (moved := movement.finish()) is not None:
            movements.append(moved)
        for name, (time_s, values) in zip(shown, thinning.finish(), strict=True):
            channel = stand.channels[name]
            drawn.setdefault(name, []).append(ChannelTrace(name, channel.label, channel.unit, time_s, values))
    joined = {f.name: tuple(chain.from_iterable(getattr(r, f.name) for r in results)) for f in fields(RunResult)}
    joined["findings"] += tuple(device_offsets(stand, movements, events))
    return RunResult(**joined), tuple(trace for name in named for trace in drawn.get(name, ()))


def _source_digest(stream: StreamRows, events: Iterable[Event]) -> SourceDigest:
    mine = [event for event in events if event.source == stream.source]
    gaps = [event for event in mine if event.kind is EventKind.GAP]
    missing = [event.data.get("missing") for event in gaps]
    counted = [value for value in missing if isinstance(value, int | float)]
    ends = [float(stream.rows(row, row + 1).time_s[0]) for row in (0, len(stream) - 1)] if len(stream) else [0.0, 0.0]
    return SourceDigest(
        name=stream.source,
        rows=len(stream),
        duration_s=ends[1] - ends[0],
        bad_frames=sum(event.kind is EventKind.BAD_FRAME for event in mine),
        gaps=len(gaps),
        missing_frames=int(sum(counted)) if len(counted) == len(missing) else None,
    )
