"""Recording a run: rows and events into the HDF5 file, bytes and events into the journal beside it."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType

import numpy as np

from benchkit.errors import BenchkitError, RunFileError, UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile import closing, layout, spool
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.closing import ClosedRun
from benchkit.runfile.events import event_line
from benchkit.runfile.hashing import Progress
from benchkit.runfile.journal import NO_SOURCE, JournalWriter, Kind
from benchkit.runfile.layout import Block, FloatArray, StreamSpec
from benchkit.runfile.store import RunStore, check_bursts

_Item = tuple[str, Block] | tuple[str, FloatArray] | bytes
"""Rows of a stream, clock fits of a stream, or a line of the event log."""
MAX_WAITING_BYTES = 64 << 20
"""Rows that may wait in memory for a full disk."""


class RunWriter:
    """One run being recorded. One thread only; the caller has the timer and calls ``flush``.

    ``start_ns`` is the host's monotonic time at the start of the run; ``received`` and ``sent`` take host times and
    store them as time since then. What was received is compressed at the close. ``original`` is a file that
    holds all that will be received: then the bytes go into the run as they come, as quick as the disk and past the
    journal (``benchkit.runfile.pack`` can make a smaller copy later), and after a crash the run is made from it anew.

    As a context manager it lets go of the files at the end; a run that was not closed by then stays as a crash
    would leave it, and ``benchkit recover`` makes a closed run of it.

    Raises:
        RunFileError: a file of that name exists, the directory cannot be written, or the disk is full.
        UsageError: header, streams or a block that cannot be stored.
    """

    def __init__(
        self,
        path: Path,
        header: RunHeader,
        streams: Sequence[StreamSpec],
        *,
        start_ns: int = 0,
        original: Path | None = None,
        bursts: Sequence[BurstSpec] = (),
    ) -> None:
        self.path = Path(path)
        self.header = header
        self.journal_path = layout.journal_path(self.path)
        self._start_ns = start_ns
        self._original = original
        self._last_ns = 0
        self._waiting: deque[_Item] = deque()
        self._bursts: deque[Path] = deque()
        self._brought: list[Path] = []
        self._ended: RunFileError | None = None
        self._flushed: dict[str, int] = {spec.source: 0 for spec in streams}
        self._index = {spec.source: index for index, spec in enumerate(streams)}
        layout.check_specs(streams)
        check_bursts(header, bursts)
        if self.path.exists():
            raise RunFileError(
                "the run file exists already",
                where=str(self.path),
                remedy="Nothing is overwritten: choose another run name.",
            )
        self._journal = JournalWriter(self.journal_path, header.run_id)
        try:
            record = closing.run_record(header, {spec.source: spec for spec in streams}, original, bursts)
            self._journal.record(Kind.RUN, NO_SOURCE, 0, record)
            self._journal.flush()
            self._store = RunStore(self.path, header, streams, pack_raw=original is None, bursts=bursts)
        except BaseException:
            self._journal.close()
            self.journal_path.unlink(missing_ok=True)
            raise
        self._is_open = True

    def __enter__(self) -> RunWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def received(self, source: str, arrival_ns: int, data: bytes) -> None:
        """Keep bytes as they came, before anything is made of them.

        Raises:
            RunFileError: the disk is full; only with an ``original``.
        """
        index = self._source_index(source)
        if self._original is None:
            self._record(Kind.RECEIVED, index, arrival_ns, data)
        else:
            self._store.received(source, arrival_ns - self._start_ns, data)

    def sent(self, source: str, time_ns: int, data: bytes) -> None:
        """Journal bytes that were written to a source."""
        self._record(Kind.SENT, self._source_index(source), time_ns, data)

    def append(self, source: str, block: Block) -> None:
        """Add rows to a stream. Whole chunks are written at once, the rest at the next ``flush``.

        A full disk is told by ``flush``, not here: the rows wait in memory meanwhile, and are written when there
        is room. Do not change the arrays afterwards.

        Raises:
            UsageError: no such stream, or the block does not fit it.
        """
        self._store.arrays(source, block)
        if self._ended is None:
            self._waiting.append((source, block))
            self._write_waiting()

    def clock_fits(self, source: str, fits: FloatArray) -> None:
        """Add lines (m, 5) to the clock fits of a stream; columns as in ``layout.CLOCK_COLUMNS``."""
        self._known(source)
        if self._ended is None and len(fits):
            self._waiting.append((source, np.asarray(fits, dtype=np.float64)))
            self._write_waiting()

    def burst(self, file: Path) -> None:
        """Add the burst that lies spooled in ``file``, at the next ``flush``. It stays there until the run is closed.

        A file that is not a whole burst of this run is left where it is, and the event log says so.
        """
        self._bursts.append(file)

    def event(self, event: Event) -> None:
        """Add an event to the log and to the journal."""
        line = event_line(event)
        index = self._index.get(event.source, NO_SOURCE)
        self._record(Kind.EVENT, index, self._start_ns + _nanoseconds(event.time_s), line)
        if self._ended is None:
            self._waiting.append(line)
            self._write_waiting()

    def flush(self, *, sync: bool = False) -> None:
        """Hand everything to the system: the journal first, then the run file. A crash after this loses none of it.

        ``sync`` waits until the journal is on the disk itself, which only a power cut asks for.

        Raises:
            RunFileError: the disk is full; the message says how many rows are safe. What waits is kept and written by a
                later ``flush`` when there is room again. When HDF5 itself failed in a write, or too much waits, the run
                file takes nothing more; the journal goes on, and ``benchkit recover`` joins the two.
        """
        try:
            self._journal.flush(sync=sync)
            self._write_waiting()
            if self._ended is not None:
                raise self._ended
            self._write_bursts()
            rows = self._store.flush()
        except RunFileError as error:
            safe = ", ".join(f"{count} rows of {source}" for source, count in self._flushed.items())
            raise RunFileError(f"{error.what}; safe are {safe}", where=error.where, remedy=error.remedy) from error
        self._flushed = rows
        self._journal.record(Kind.FLUSHED, NO_SOURCE, self._last_ns, json.dumps(rows).encode())

    def flush_journal(self) -> None:
        """Hand the journal alone to the system: cheap, so that it can be done many times between two ``flush``."""
        self._journal.flush()

    def flushed_rows(self, source: str) -> int:
        """Rows of a stream that a crash can no longer take."""
        return self._flushed[self._known(source)]

    def rows(self, source: str) -> int:
        """Rows of a stream appended so far."""
        waiting = (item for item in self._waiting if not isinstance(item, bytes) and item[0] == source)
        return self._store.rows(self._known(source)) + sum(len(b) for _, b in waiting if isinstance(b, Block))

    def bytes_on_disk(self) -> int:
        """Size of run file and journal now."""
        return self.path.stat().st_size + self._journal.bytes_on_disk

    def close(self, progress: Progress | None = None) -> ClosedRun:
        """Close the run: fold the journal into ``/raw``, hash, mark as closed, open again and compare, delete the
        journal.

        ``progress`` is called with bytes done and bytes in all, anew for each of folding, hashing and checking.

        Raises:
            RunFileError: the disk is full, or what was read back is not what was written. Run file and journal are
                then kept as they are; ``benchkit recover`` makes a closed run of them.
        """
        if not self._is_open:
            raise UsageError("the run is closed already", where=str(self.path), remedy="Open it with open_run.")
        try:
            self.flush()
            self._journal.flush()
            closed = closing.finish(self._store, self.header, self.journal_path, progress)
        except BaseException:
            self.release()
            raise
        self.release()
        self.journal_path.unlink()
        spool.clear(self.path, self._brought)
        return closed

    def release(self) -> None:
        """Let go of both files without closing the run. What was flushed stays; nothing is deleted."""
        if not self._is_open:
            return
        self._is_open = False
        self._journal.close()
        self._store.release()

    def _write_waiting(self) -> None:
        """Give the store what waits, in order; what it cannot take for want of room goes on waiting.

        The run file is always the first part of the recording, without holes: once something had to be left out,
        nothing after it is taken either.
        """
        while self._waiting and self._ended is None:
            item = self._waiting[0]
            taken = 0
            try:
                if isinstance(item, bytes):
                    self._store.log(item)
                elif isinstance(item[1], Block):
                    taken = -self._store.rows(item[0])
                    self._store.append(item[0], item[1])
                else:
                    self._store.clock_fits(item[0], item[1])
            except RunFileError as error:
                if not isinstance(item, bytes) and isinstance(item[1], Block):
                    taken += self._store.rows(item[0])
                    self._waiting[0] = (item[0], item[1].rows(taken))
                if self._store.failure is not None or _size_of(self._waiting) > MAX_WAITING_BYTES:
                    self._ended = self._store.failure or error
                    self._waiting.clear()
                return
            self._waiting.popleft()

    def _write_bursts(self) -> None:
        """Give the store the bursts that wait; raises when there is no room, and then they go on waiting."""
        while self._bursts:
            try:
                record = spool.read(self._bursts[0])
                self._store.check_burst(record)
            except BenchkitError as error:
                self._bursts.popleft()
                time_s = self._last_ns * 1e-9
                self.event(Event(time_s, EventKind.RECORDING_FAULT, f"A burst was left out: {error}"))
                continue
            try:
                self._store.burst(record)
            except RunFileError:
                self._ended = self._store.failure
                raise
            self._brought.append(self._bursts.popleft())

    def _record(self, kind: Kind, index: int, host_ns: int, payload: bytes) -> None:
        self._last_ns = host_ns - self._start_ns
        self._journal.record(kind, index, self._last_ns, payload)

    def _source_index(self, source: str) -> int:
        return self._index[self._known(source)]

    def _known(self, source: str) -> str:
        known: Mapping[str, int] = self._index
        if source not in known:
            raise UsageError("no such stream in this run", where=str(self.path), got=source, expected=", ".join(known))
        return source


def _size_of(waiting: Iterable[_Item]) -> int:
    return sum(_bytes_of(item) for item in waiting)


def _bytes_of(item: _Item) -> int:
    if isinstance(item, bytes):
        return len(item)
    return int(item[1].values.nbytes if isinstance(item[1], Block) else item[1].nbytes)


def _nanoseconds(time_s: float) -> int:
    return round(time_s * 1e9) if abs(time_s) < 9e9 else 0  # NaN compares false
