"""After a crash: a new, closed run from what the recorder left. The original and its journal are never touched.

The run file has every row up to its last flush; the journal has every byte up to the same moment or later. Rows
that only the journal has are decoded again by a function of the caller, because decoding needs the stand profile,
and are compared with the rows of the file first: where the two disagree, nothing is added.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from benchkit.errors import BenchkitError, RunFileError
from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile import closing, layout, spool
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.closing import ClosedRun
from benchkit.runfile.events import event_line, parse_event
from benchkit.runfile.hashing import Progress
from benchkit.runfile.journal import JournalReader, JournalRecord, Kind, is_being_written, read_journal
from benchkit.runfile.layout import Block, ClockFits, FloatArray, StreamSpec
from benchkit.runfile.reader import Run, open_run
from benchkit.runfile.recover_bursts import bring_bursts
from benchkit.runfile.store import RunStore

Redecode = Callable[[RunHeader, str, Iterable[JournalRecord]], Iterable[Block | ClockFits]]
"""``redecode(header, source, records)`` gives the rows of a source again, from the first record of the run on,
block by block, and between them the lines of its clock fits. ``records`` are what was received from the source and the
events that name it, in order; their times are nanoseconds since run start."""

_COPY_ROWS = 20_000
_TELL_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Recovered:
    """What :func:`recover` found and made."""

    path: Path
    """The closed run: the new one, or the one given when that was closed already."""
    original: Path
    journal: Path | None
    """Kept aside, both of them."""
    was_closed: bool
    """True: the run given is closed and its hash fits; nothing was done."""
    rows_by_source: Mapping[str, int]
    rows_from_journal: Mapping[str, int]
    journal_bytes_lost: int
    """Bytes after the last good record of the journal."""
    problems: tuple[str, ...]
    bursts: int = 0
    """In the new run, those that still lay beside the old one included."""


@dataclass(slots=True)
class _Found:
    """What a crash left, while a new run is made of it."""

    path: Path
    run: Run | None
    journal: Path | None = None
    header: RunHeader | None = None
    streams: tuple[StreamSpec, ...] = ()
    event_lines: list[bytes] = field(default_factory=list)
    bytes_lost: int = 0
    bursts: tuple[BurstSpec, ...] = ()
    fits: dict[str, list[FloatArray]] = field(default_factory=dict)
    """Clock fits by source, as the journal gives them again from the start of the run."""
    problems: list[str] = field(default_factory=list)


def recover(path: Path, redecode: Redecode | None = None, progress: Progress | None = None) -> Recovered:
    """Make a closed run ``<name>.recovered.h5`` of one that was not closed.

    A run that is closed and whole is only reported. Without ``redecode`` the rows after the last flush stay raw bytes.
    ``progress`` is called with bytes done and bytes in all, anew for each step.

    Raises:
        RunFileError: there is nothing to recover from, the run is still being recorded, the new file exists
            already, the disk has no room, or a closed run is not what was recorded.
    """
    path = Path(path)
    if path.name.endswith(layout.JOURNAL_SUFFIX):
        path = path.with_name(path.name.removesuffix(layout.JOURNAL_SUFFIX))
    journal = layout.journal_path(path) if layout.journal_path(path).is_file() else None
    if journal is not None and is_being_written(journal):
        raise RunFileError(
            "the run is still being recorded", where=str(path), remedy="Close it first, or end its recorder."
        )
    found = _Found(path, run=None)
    try:
        found.run = open_run(path)
    except RunFileError as error:
        if journal is None:
            raise
        found.problems.append(f"{error.what}: rebuilt from the journal alone")
    with contextlib.ExitStack() as stack:
        if found.run is not None:
            stack.enter_context(found.run)
            found.header = found.run.header
            found.streams = tuple(found.run.spec(source) for source in found.run.sources)
            found.bursts = found.run.burst_specs
            if found.run.is_closed:
                return _closed_already(found.run, journal, progress)
            try:
                found.event_lines = _good_lines(found.run.event_lines(), found.problems)
            except RunFileError as error:
                found.problems.append(f"event log: {error.what}")
        if journal is None:
            found.problems.append("the journal is missing: bytes received and rows after the last flush are lost")
        else:
            _survey_journal(found, journal)
        return _write_anew(found, redecode, progress)


def _closed_already(run: Run, journal: Path | None, progress: Progress | None) -> Recovered:
    run.verify(progress)
    problems: tuple[str, ...] = () if journal is None else (_about_left_over(run, journal),)
    if run.is_closed and (left := spool.waiting(run.path)):
        problems += (f"{spool.spool_folder(run.path)} is left over ({len(left)} bursts): the run was closed with them",)
    return Recovered(
        path=run.path,
        original=run.path,
        journal=journal,
        was_closed=True,
        rows_by_source={source: run.rows(source) for source in run.sources},
        rows_from_journal=dict.fromkeys(run.sources, 0),
        journal_bytes_lost=0,
        problems=problems,
    )


def _about_left_over(run: Run, journal: Path) -> str:
    """What to do with a journal that lies beside a closed run: the recorder died before it could delete it, or it
    is another's."""
    received = dict.fromkeys(run.sources, 0)
    try:
        with read_journal(journal) as reader:
            first = next(reader)
            header, streams = closing.parse_run_record(first, where=str(journal))
            is_whole = bool(closing.original_of(first))
            for record in reader:
                if record.kind is Kind.RECEIVED and record.source_index < len(streams):
                    received[streams[record.source_index].source] += len(record.payload)
        is_its_own = _identity(header, streams) == _identity(run.header, [run.spec(s) for s in run.sources])
    except (RunFileError, StopIteration, KeyError):
        is_its_own = False
    if is_its_own and (is_whole or all(run.raw_size(source) == count for source, count in received.items())):
        return f"{journal} is left over: the run holds all of it, it can be deleted"
    return f"{journal} holds something else than the run: keep it"


def _survey_journal(found: _Found, journal: Path) -> None:
    """Take header, streams and events from the journal; leave it aside if it is not this run's."""
    try:
        with read_journal(journal) as reader:
            first = next(reader, None)
            if first is None:
                raise RunFileError(
                    "the journal holds no record",
                    where=str(journal),
                    remedy="The recorder died before anything came; there is nothing to recover.",
                )
            header, streams = closing.parse_run_record(first, where=str(journal))
            if found.header is not None and _identity(found.header, found.streams) != _identity(header, streams):
                raise RunFileError("the journal belongs to another run", where=str(journal), got=header.run_id)
            if original := closing.original_of(first):
                found.problems.append(
                    f"this run was being made from {original}, which holds the bytes received: here is only what had "
                    "been taken in. Make it again from that file"
                )
            bursts = closing.bursts_of(first, where=str(journal))
            lines = [record.payload for record in reader if record.kind is Kind.EVENT]
            found.bytes_lost = reader.lost_bytes
            if reader.stopped:
                found.problems.append(f"journal: {reader.stopped}; {reader.lost_bytes} bytes lost")
    except RunFileError as error:
        if found.run is None:
            raise
        found.problems.append(f"the journal was left aside: {error.what}")
        return
    found.journal, found.header, found.streams = journal, found.header or header, streams
    found.bursts = found.bursts or bursts
    _join_events(found, _good_lines([line.rstrip(b"\n") for line in lines], found.problems))


def _identity(header: RunHeader, streams: Iterable[StreamSpec]) -> object:
    shapes = {s.source: (tuple(c.name for c in s.channels), s.raw_columns) for s in streams}
    return header.run_id, header.started_utc, shapes


def _good_lines(lines: list[bytes], problems: list[str]) -> list[bytes]:
    good = []
    for line in lines:
        try:
            parse_event(line)
        except RunFileError as error:
            problems.append(f"event left out: {error}")
        else:
            good.append(line)
    return good


def _join_events(found: _Found, journal_lines: list[bytes]) -> None:
    """Events of the log and of the journal: normally the log is the start of the journal's list."""
    log = found.event_lines
    if journal_lines[: len(log)] == log:
        found.event_lines = journal_lines
    elif log[: len(journal_lines)] != journal_lines:
        known = set(log)
        found.event_lines = log + [line for line in journal_lines if line not in known]
        found.problems.append("event log and journal differ: the events of both were kept")


def _write_anew(found: _Found, redecode: Redecode | None, progress: Progress | None) -> Recovered:
    target = layout.recovered_path(found.path)
    if target.exists():
        raise RunFileError(
            "a recovered run exists already",
            where=str(target),
            remedy="Open that one, or move it away to recover once more.",
        )
    _check_room(found)
    assert found.header is not None
    header = replace(found.header, recovered_from=found.path.name)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        store = RunStore(part, header, found.streams, bursts=found.bursts)
        try:
            added = {spec.source: _add_rows(store, found, spec, redecode, progress) for spec in found.streams}
            for spec in found.streams:
                _write_fits(store, found, spec.source)
            bursts = bring_bursts(store, found.path, found.run, found.problems)
            for line in [*found.event_lines, _note(found, store, added)]:
                store.log(line.rstrip(b"\n") + b"\n")
            closed = closing.finish(store, header, found.journal, progress)
        finally:
            store.release()
        _put_in_place(part, target)
    finally:
        part.unlink(missing_ok=True)
    return replace(_report(found, target, closed, added), bursts=bursts)


def _report(found: _Found, target: Path, closed: ClosedRun, added: Mapping[str, int]) -> Recovered:
    return Recovered(
        path=target,
        original=found.path,
        journal=found.journal,
        was_closed=False,
        rows_by_source=closed.rows_by_source,
        rows_from_journal=added,
        journal_bytes_lost=found.bytes_lost,
        problems=tuple(found.problems),
    )


def _check_room(found: _Found) -> None:
    sizes = [p.stat().st_size for p in (found.path, found.journal) if p is not None and p.is_file()]
    free = shutil.disk_usage(found.path.parent).free
    if free < sum(sizes):
        raise RunFileError(
            "no room for the recovered run",
            where=str(found.path.parent),
            got=f"{free} bytes free",
            expected=f"{sum(sizes)} bytes",
            remedy="Make room, or copy run and journal to another disk and recover there.",
        )


def _add_rows(
    store: RunStore, found: _Found, spec: StreamSpec, redecode: Redecode | None, progress: Progress | None
) -> int:
    """Copy the rows of the file, then add those that only the journal has; returns how many."""
    on_file = _copy_rows(store, found, spec.source)
    if found.journal is None:
        return 0
    if redecode is None or found.header is None:
        found.problems.append(f"{spec.source}: bytes after the last flush were kept, but not decoded")
        return 0
    index = [s.source for s in found.streams].index(spec.source)
    position = 0
    with read_journal(found.journal) as reader:
        records = _records_of(reader, index, progress)
        try:
            pieces = redecode(found.header, spec.source, records)
            for block in _joined(_blocks_of(pieces, found.fits.setdefault(spec.source, []))):
                shared = max(0, min(len(block), on_file - position))
                if shared and not _same(block, _file_rows(found.run, spec.source, position, position + shared)):
                    found.problems.append(
                        f"{spec.source}: the journal decodes to other rows than the file has, between row {position} "
                        f"and {position + shared}; nothing was added from it"
                    )
                    found.fits.pop(spec.source)
                    break
                store.append(spec.source, block.rows(shared))
                position += len(block)
        except RunFileError:
            raise
        except BenchkitError as error:
            found.problems.append(f"{spec.source}: decoding the journal ended at row {position}: {error}")
    return store.rows(spec.source) - on_file


def _records_of(reader: JournalReader, index: int, progress: Progress | None) -> Iterator[JournalRecord]:
    """What was received from one source, and the events that name it."""
    told = 0
    for record in reader:
        if progress is not None and reader.good_bytes - told > _TELL_BYTES:
            told = reader.good_bytes
            progress(told, reader.size)
        if record.source_index == index and record.kind in (Kind.RECEIVED, Kind.EVENT):
            yield record


def _copy_rows(store: RunStore, found: _Found, source: str) -> int:
    """Copy the rows of the file as far as they can be read; returns how many."""
    on_file = found.run.rows(source) if found.run is not None else 0
    for start in range(0, on_file, _COPY_ROWS):
        try:
            block = _file_rows(found.run, source, start, min(on_file, start + _COPY_ROWS))
        except RunFileError as error:
            found.problems.append(f"{source}: rows from {start} on cannot be read from the run file: {error.what}")
            return start
        store.append(source, block)
    return on_file


def _blocks_of(pieces: Iterable[Block | ClockFits], fits: list[FloatArray]) -> Iterator[Block]:
    """The blocks; clock fits that come between them are added to ``fits``."""
    for piece in pieces:
        if isinstance(piece, ClockFits):
            fits.append(piece.lines)
        else:
            yield piece


def _write_fits(store: RunStore, found: _Found, source: str) -> None:
    """Copy the clock fits of the file, then add those of the rows that only the journal has."""
    on_file: FloatArray = np.empty((0, len(layout.CLOCK_COLUMNS)))
    if found.run is not None:
        try:
            on_file = found.run.clock_fits(source)
        except RunFileError as error:
            found.problems.append(f"{source}: the clock fits cannot be read from the run file: {error.what}")
            return
        if not found.run.has_clock:
            return  # its rows were laid by something else than these fits
    store.clock_fits(source, on_file)
    again = np.concatenate([on_file[:0], *found.fits.get(source, [])])
    if len(again) <= len(on_file):
        return
    if not np.allclose(again[: len(on_file)], on_file, rtol=1e-9, atol=1e-12, equal_nan=True):
        found.problems.append(
            f"{source}: the journal gives other clock fits than the file has; none were added from it"
        )
        return
    store.clock_fits(source, again[len(on_file) :])


def _joined(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks of some thousand rows from small ones."""
    held: list[Block] = []
    rows = 0
    try:
        for block in blocks:
            held.append(block)
            rows += len(block)
            if rows >= _COPY_ROWS or len(held) >= 1000:
                yield layout.joined(held)
                held, rows = [], 0
    except BenchkitError:
        if held:
            yield layout.joined(held)
        raise
    if held:
        yield layout.joined(held)


def _file_rows(run: Run | None, source: str, start: int, stop: int) -> Block:
    assert run is not None
    stream = run.stream(source, start, stop)
    return Block(
        time_s=stream.time_s,
        arrival_s=stream.arrival_s,
        device_time_s=stream.device_time_s,
        counter=stream.counter,
        values=stream.values,
        raw=run.raw_values(source, start, stop),
    )


def _same(block: Block, stored: Block) -> bool:
    """True when the first rows of ``block`` are the stored ones: same counters, device times and values."""
    n = len(stored)
    return (
        block.values.shape[1:] == stored.values.shape[1:]
        and np.array_equal(block.counter[:n], stored.counter)
        and np.array_equal(block.device_time_s[:n], stored.device_time_s, equal_nan=True)
        and np.array_equal(block.values[:n], stored.values, equal_nan=True)
    )


def _note(found: _Found, store: RunStore, added: Mapping[str, int]) -> bytes:
    """The event that says, in the new run itself, that it was recovered."""
    times = [parse_event(line).time_s for line in found.event_lines]
    if found.run is not None:
        for source in found.run.sources:
            times.extend(found.run.stream(source, -1).arrival_s.tolist())
    counts = [f"{store.rows(source)} rows of {source} ({count} from the journal)" for source, count in added.items()]
    return event_line(
        Event(
            time_s=max((t for t in times if math.isfinite(t)), default=0.0),
            kind=EventKind.RECORDING_FAULT,
            message=f"Recording was interrupted; recovered {', '.join(counts)}",
            data={"problems": list(found.problems), "journal_bytes_lost": found.bytes_lost},
        )
    )


def _put_in_place(part: Path, target: Path) -> None:
    """Give the finished file its name without ever replacing another."""
    try:
        os.link(part, target)
    except FileExistsError as error:
        raise RunFileError("a recovered run exists already", where=str(target), remedy="Move it away first.") from error
    except OSError:  # a file system without hard links
        if target.exists():
            raise RunFileError(
                "a recovered run exists already", where=str(target), remedy="Move it away first."
            ) from None
        part.rename(target)
