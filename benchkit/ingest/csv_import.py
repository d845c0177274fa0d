"""A text file as a run: decoded, calibrated, and kept byte for byte beside what was made of it."""

from __future__ import annotations

import platform
import uuid
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt

import benchkit
from benchkit.decode.channel_map import ChannelMap
from benchkit.decode.log import log_event
from benchkit.errors import UsageError, did_you_mean
from benchkit.ingest.allocator import keep_freed_memory
from benchkit.ingest.columns import Converter, conversions
from benchkit.ingest.csv_read import BadLine, Progress, bad_line, no_rows, pieces
from benchkit.model.events import Event, EventKind
from benchkit.model.file_format import FileFormat
from benchkit.model.run import RunHeader
from benchkit.model.samples import BadFrame, BadFrameReason, Gap, Rows
from benchkit.model.sources import TextFormat, text_format_of
from benchkit.profiles import LoadedStand
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.runfile.writer import RunWriter
from benchkit.sources.clock import ManualClock
from benchkit.sources.contract import Polled
from benchkit.sources.csv_file import CsvSource

FloatArray = npt.NDArray[np.float64]

MAX_BYTES_BEFORE_ROWS = 1 << 20
"""A file without a good row in its first so many bytes is refused: it is not what was declared."""
MAX_BAD_BEFORE_ROWS = 10_000
"""The same for refused lines in one piece."""
FLUSH_BYTES = 16 << 20
"""What was taken in is handed to the system each so many bytes."""
LOGGED_EVENTS = 1000
"""So many refused lines, gaps and answers go into the event log; all are counted."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What an import made. ``bad`` are the first refused lines, ``bad_counts`` counts them all."""

    path: Path
    source: str
    rows: int
    bad: tuple[BadLine, ...]
    bad_counts: Mapping[BadFrameReason, int]
    gaps: int
    time_steps_back: int
    """Rows whose time is not later than that of the row before."""
    duration_s: float
    content_sha256: str


def import_csv(
    path: Path,
    stand: LoadedStand,
    source_name: str,
    out_path: Path,
    *,
    text_format: TextFormat | FileFormat | None = None,
    has_header: bool = True,
    rate_hz: float | None = None,
    started_utc: datetime | None = None,
    operator: str = "",
    progress: Progress | None = None,
) -> RunSummary:
    """Make a run at ``out_path`` from the file at ``path``, as if source ``source_name`` of the stand had sent it.

    Sample time is the device time of the file, else the row's place at ``rate_hz`` rows a second: by the counter where
    there is one, else by its line, refused lines counted. Host time, which nobody took, is set to the sample time.
    ``text_format`` takes the place of the format of the source; a ``FileFormat`` says itself whether there are names.
    ``started_utc`` is the start of the run; without it the date and time of the first row is, and where the file has
    none the time of its last change, and the note says so.

    Raises:
        LinkError: the file cannot be read.
        DataError: the line of names or of units does not fit, or no line is a good row. No run is made then.
        UsageError: no such source, or no time can be given to the rows.
        RunFileError: the run cannot be written; what was begun is removed.
    """
    spec = stand.stand.sources.get(source_name)
    if spec is None:
        names = list(stand.stand.sources)
        raise UsageError(
            f"the stand has no source {source_name!r}",
            expected=f"one of {', '.join(names)}",
            remedy=did_you_mean(source_name, names) or "Name the source whose columns the file has.",
        )
    used = text_format or text_format_of(spec)
    text = used.text if isinstance(used, FileFormat) else used
    if text.device_time_column is None and rate_hz is None:
        raise UsageError(
            "the rows of this file have no time",
            where=str(path),
            remedy="Declare device_time_column in the format, or give the rows per second (rate_hz).",
        )
    times = _Times(text, rate_hz)
    keep_freed_memory()
    source = CsvSource(path, used, ManualClock(), name=source_name, has_header=has_header)
    channels = stand.stand.channels_of(source_name)
    mapping = ChannelMap(channels, source.columns)
    declared = used.units if isinstance(used, FileFormat) else {}
    source.open()
    try:
        wanted = conversions(stand, source_name, declared, source.units, str(path))
        with closing(pieces(source, path, progress)) as arriving:
            whole = _from_first_rows(arriving, path)
            header = _header(path, stand, started_utc, source.first_stamp, operator)
            streams = [StreamSpec(source_name, mapping.channels, mapping.raw_names)]
            writer = RunWriter(out_path, header, streams, original=path)
            work = _Import(path, source_name, mapping, writer, times, Converter(source.columns, wanted))
            try:
                for conversion in wanted:
                    work.note(str(conversion))
                for polled in whole:
                    work.take(polled)
                return work.close()
            except BaseException:
                writer.release()
                out_path.unlink(missing_ok=True)
                writer.journal_path.unlink(missing_ok=True)
                raise
    finally:
        source.close()


class _Times:
    """Sample times of rows, in seconds since the first row."""

    def __init__(self, text_format: TextFormat, rate_hz: float | None) -> None:
        if rate_hz is not None and not rate_hz > 0.0:
            raise UsageError("not a rate", got=rate_hz, expected="rows per second above 0")
        self._rate_hz = None if text_format.device_time_column is not None else rate_hz
        self._modulus = text_format.counter_modulus if text_format.counter_column is not None else None
        self._first_device_s: float | None = None
        self._slot = -1
        self._counter: int | None = None
        self._last_s = -np.inf
        self.steps_back = 0

    @property
    def last_s(self) -> float:
        """Time of the last row; 0 before the first."""
        return max(self._last_s, 0.0)

    def of(self, rows: Rows) -> FloatArray:
        """Times of the next rows (n,)."""
        if self._rate_hz is not None:
            time_s = self._slots(rows) / self._rate_hz
        else:
            if self._first_device_s is None:
                self._first_device_s = float(rows.device_time_s[0])
            time_s = rows.device_time_s - self._first_device_s
        before = np.concatenate([[self._last_s], time_s[:-1]])
        self.steps_back += int((time_s <= before).sum())
        self._last_s = float(time_s[-1])
        return time_s

    def refused_line(self) -> None:
        """A line that is no row has passed; where nothing counts the rows it stands for one."""
        if self._modulus is None and self._slot >= 0:
            self._slot += 1

    def _slots(self, rows: Rows) -> FloatArray:
        if self._modulus is None or self._counter is None:
            steps = np.ones(len(rows), dtype=np.int64)
        else:
            steps = np.empty(len(rows), dtype=np.int64)
            steps[0] = (int(rows.counter[0]) - self._counter) % self._modulus
        if self._modulus is not None:
            steps[1:] = (rows.counter[1:] - rows.counter[:-1]) % self._modulus
            # A counter that stands or goes back counts nothing: such a row takes the next place.
            steps[(steps == 0) | (steps > self._modulus // 2)] = 1
            self._counter = int(rows.counter[-1])
        slots = self._slot + np.cumsum(steps)
        self._slot = int(slots[-1])
        return slots.astype(np.float64)


class _Import:
    """The work of one import: pieces in, rows and events into the run."""

    def __init__(
        self,
        path: Path,
        source: str,
        mapping: ChannelMap,
        writer: RunWriter,
        times: _Times,
        converter: Converter,
    ) -> None:
        self._path, self._source, self._map, self._writer, self._times = path, source, mapping, writer, times
        self._converter = converter
        self._bad: list[BadLine] = []
        self._counts: Counter[BadFrameReason] = Counter()
        self._gaps = self._others = self._rows = self._waiting = 0
        self._log(EventKind.RUN_STARTED, f"imported from {path.name}")

    def note(self, message: str) -> None:
        """Put a remark into the log."""
        self._log(EventKind.NOTE, message)

    def take(self, polled: Polled) -> None:
        self._writer.received(self._source, 0, polled.data)
        self._waiting += len(polled.data)
        if self._waiting >= FLUSH_BYTES:
            self._writer.flush()
            self._waiting = 0
        for event in polled.events:
            if isinstance(event, Rows):
                self._append(event)
                continue
            self._others += 1
            if isinstance(event, BadFrame):
                self._times.refused_line()
                self._counts[event.reason] += 1
                if len(self._bad) < LOGGED_EVENTS:
                    self._bad.append(bad_line(self._path, event))
            elif isinstance(event, Gap):
                self._gaps += 1
            if self._others <= LOGGED_EVENTS:
                self._writer.event(log_event(event, self._times.last_s, self._source))

    def close(self) -> RunSummary:
        back, refused = self._times.steps_back, self._counts.total()
        if self._others > LOGGED_EVENTS:
            self._log(EventKind.NOTE, f"only the first {LOGGED_EVENTS} of {self._others} such events are listed")
        if back:
            self._log(EventKind.NOTE, f"{back} rows are not later than the row before them: look at the device time")
        self._log(EventKind.RUN_CLOSED, f"{self._rows} rows, {refused} lines refused, {self._gaps} gaps")
        duration_s = self._times.last_s
        closed = self._writer.close()
        return RunSummary(
            path=closed.path,
            source=self._source,
            rows=self._rows,
            bad=tuple(self._bad),
            bad_counts=dict(self._counts),
            gaps=self._gaps,
            time_steps_back=back,
            duration_s=duration_s,
            content_sha256=closed.content_sha256,
        )

    def _append(self, rows: Rows) -> None:
        time_s = self._times.of(rows)
        block = Block(
            time_s=time_s,
            arrival_s=time_s,
            device_time_s=rows.device_time_s,
            counter=rows.counter,
            values=self._map.calibrate(self._converter.apply(rows.values)),
            raw=self._map.raw(rows.values),
        )
        self._writer.append(self._source, block)
        self._rows += len(rows)

    def _log(self, kind: EventKind, message: str) -> None:
        self._writer.event(Event(self._times.last_s, kind, message, self._source))


def _from_first_rows(arriving: Iterator[Polled], path: Path) -> Iterator[Polled]:
    """The same pieces, once a good row has been seen: before that no run is begun."""
    seen: list[Polled] = []
    waited = 0
    for polled in arriving:
        seen.append(polled)
        if any(isinstance(event, Rows) for event in polled.events):
            return chain(seen, arriving)
        waited += len(polled.data)
        if waited > MAX_BYTES_BEFORE_ROWS or len(polled.events) > MAX_BAD_BEFORE_ROWS:
            break
    bad = [bad_line(path, e) for polled in seen for e in polled.events if isinstance(e, BadFrame)]
    raise no_rows(path, bad)


def _header(
    path: Path, stand: LoadedStand, started_utc: datetime | None, first_stamp: datetime | None, operator: str
) -> RunHeader:
    note = f"Imported from {path.name}."
    started_utc = started_utc or first_stamp
    if started_utc is None:
        started_utc = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        note += " The start is not known: it is given as the time of the file's last change."
    return RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc=started_utc.astimezone(UTC).isoformat(),
        software_version=benchkit.__version__,
        host=platform.node(),
        stand=stand.stand.name,
        profile_json=stand.json,
        profile_texts=stand.texts,
        operator=operator,
        note=note,
        simulated=stand.stand.simulated,
    )
