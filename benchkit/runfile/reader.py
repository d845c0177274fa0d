"""Reading a run, closed or not. A run that was not closed shows every row that was written whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np

from benchkit.decode.common_edge import EdgeOffset, offsets_from
from benchkit.errors import RunFileError, UsageError, did_you_mean
from benchkit.model.bursts import Burst
from benchkit.model.events import Event
from benchkit.model.run import BURST_FORMAT_VERSION, RunHeader
from benchkit.model.stream import BLOCK_ROWS, Stream
from benchkit.runfile import bursts, hashing, layout, trusted
from benchkit.runfile.events import parse_events, split_lines
from benchkit.runfile.hashing import Progress
from benchkit.runfile.layout import FloatArray, StoredChannel, StreamSpec

if TYPE_CHECKING:
    import pandas
    import xarray

    from benchkit.runfile.pyramid import Pyramid
    from benchkit.runfile.stored_stream import StoredStream

_TURNED_ROWS = 4 * layout.ROW_CHUNK
_TAIL_ROWS = 2 * layout.COLUMN_CHUNK


def open_run(path: Path) -> Run:
    """Open a run for reading.

    Raises:
        RunFileError: missing, foreign, of a newer version, or damaged; the message says what to do.
    """
    return Run(Path(path))


class Run:
    """An open run file. Use it as a context manager. Not for several threads."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file, is_clean, self._view = trusted.open_file(path)
        try:
            with trusted.reading(path):
                self.header: RunHeader = trusted.header(self._file, path)
                closed = bool(trusted.number_attribute(self._file, path, layout.CLOSED))
                self.is_closed: bool = is_clean and closed
                """True when the run was closed in order: raw bytes folded in, hash stored."""
                self._specs = {name: self._read_spec(name) for name in self._source_names()}
                self.has_clock = trusted.find(self._file, path, layout.CLOCK) is not None
                """False for the first files: how device clocks were laid onto host time is not in them."""
                self.has_pyramid = trusted.find(self._file, path, layout.PYRAMID) is not None
                """False for the first files; their buckets are made from the rows when asked for."""
                has_bursts = self.header.format_version >= BURST_FORMAT_VERSION
                self.burst_specs = bursts.read_specs(self._file, path) if has_bursts else ()
                """What is kept of each burst source; empty for a stand without."""
                self.datasets: Mapping[str, Any] = self._find_datasets()
                """Every dataset by its path, checked, in hash order."""
                self._rows = {source: self._common_rows(source) for source in self._specs}
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Run:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
        if self._view is not None:
            self._view.close()

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the streams, sorted."""
        return tuple(self._specs)

    @property
    def content_sha256(self) -> str:
        """Hash that was stored when the run was closed; empty before."""
        return trusted.text_attribute(self._file, self.path, layout.CONTENT_SHA256)

    @property
    def pyramid_sha256(self) -> str:
        """Hash of the buckets of all streams that was stored when the run was closed."""
        return trusted.text_attribute(self._file, self.path, layout.PYRAMID_SHA256)

    def pyramid_datasets(self) -> list[tuple[str, Any]]:
        """Every level of every stream by its path, checked, in the order of their hash; none in the first files."""
        if not self.has_pyramid:
            return []
        from benchkit.runfile.pyramid import path_of

        return [
            (path_of(source, level), dataset)
            for source in self.sources
            for level, dataset in self._levels(source).items()
        ]

    def spec(self, source: str) -> StreamSpec:
        """Channels and raw columns of a stream."""
        return self._specs[self._known(source)]

    def rows(self, source: str) -> int:
        """Rows of a stream."""
        return self._rows[self._known(source)]

    def stream(
        self, source: str, start: int | None = None, stop: int | None = None, *, by_column: bool = False
    ) -> Stream:
        """Rows ``start`` to ``stop`` of a stream as arrays; all of them by default.

        The values lie in memory row by row as in the file, or ``by_column``: quicker where one channel after the other
        is looked at.

        Raises:
            UsageError: no such stream.
            RunFileError: the rows cannot be read.
        """
        spec = self.spec(source)
        first, last, _ = slice(start, stop).indices(self._rows[source])
        with trusted.reading(self.path):
            read = {
                entry.name: self._dataset(source, entry.name)[first : max(first, last)]
                for entry in layout.ROW_DATASETS
                if entry.name not in (layout.RAW_VALUES, layout.VALUES)
            }
            values = self._dataset(source, layout.VALUES)
            read[layout.VALUES] = _by_column(values, first, last) if by_column else values[first : max(first, last)]
        return Stream(
            source=source,
            channels=tuple(c.name for c in spec.channels),
            units=tuple(c.unit for c in spec.channels),
            time_s=read[layout.TIME],
            arrival_s=read[layout.ARRIVAL],
            device_time_s=read[layout.DEVICE_TIME],
            counter=read[layout.COUNTER],
            values=read[layout.VALUES],
        )

    def stream_rows(self, source: str, block_rows: int = BLOCK_ROWS) -> StoredStream:
        """A stream that stays in the file and is read by rows, for as long as this run is open.

        Raises:
            UsageError: no such stream, or a block of no rows.
        """
        from benchkit.runfile.stored_stream import StoredStream

        return StoredStream(self, source, block_rows)

    def pyramid(self, source: str) -> Pyramid:
        """Least and greatest values of a stream in buckets, for as long as this run is open.

        From the file, or, where it has none or was not closed, made now by reading the stream once.

        Raises:
            UsageError: no such stream.
            RunFileError: it cannot be read.
        """
        from benchkit.runfile import pyramid

        channels = len(self.spec(source).channels)
        if not (self.has_pyramid and self.is_closed):
            return pyramid.built(self.path, self.stream_rows(source), channels)
        return pyramid.Pyramid(self.path, self.rows(source), channels, self._levels(source))

    def times(self, source: str, name: str, start: int, stop: int) -> FloatArray:
        """Rows ``start`` to ``stop`` of ``layout.TIME`` or ``layout.ARRIVAL`` of a stream, without its values."""
        with trusted.reading(self.path):
            found: FloatArray = self._dataset(self._known(source), name)[
                start : max(start, min(stop, self.rows(source)))
            ]
        return found

    def to_dataframe(
        self,
        source: str | None = None,
        *,
        channels: Sequence[str] = (),
        start_s: float | None = None,
        stop_s: float | None = None,
    ) -> pandas.DataFrame:
        """One stream as a table: index ``time_s``, columns ``arrival_s device_time_s counter`` and the channels.

        ``attrs`` holds units, labels and quantities by column, run id and content hash. ``source`` may be left out
        where the run has one stream; ``start_s <= time_s < stop_s``.

        Raises:
            UsageError: no such source or channel, or pandas (extra ``export``) is not installed.
            RunFileError: the rows cannot be read.
        """
        from benchkit.runfile.frames import to_dataframe

        return to_dataframe(self, source, channels=channels, start_s=start_s, stop_s=stop_s)

    def to_xarray(
        self,
        source: str | None = None,
        *,
        channels: Sequence[str] = (),
        start_s: float | None = None,
        stop_s: float | None = None,
    ) -> xarray.Dataset:
        """One stream as a dataset over ``time_s``, a variable a channel, each with ``units`` and ``long_name``.

        Arguments and errors as for :meth:`to_dataframe`; needs xarray (extra ``export``).
        """
        from benchkit.runfile.frames import to_xarray

        return to_xarray(self, source, channels=channels, start_s=start_s, stop_s=stop_s)

    def raw_values(self, source: str, start: int | None = None, stop: int | None = None) -> FloatArray:
        """Values as received (n, raw columns) of the columns that a calibration curve changes."""
        columns = self.spec(source).raw_columns
        first, last, _ = slice(start, stop).indices(self._rows[source])
        if not columns:
            return np.empty((max(0, last - first), 0))
        with trusted.reading(self.path):
            values: FloatArray = self._dataset(source, layout.RAW_VALUES)[first : max(first, last)]
        return values

    def clock_fits(self, source: str) -> FloatArray:
        """How the clock of a source was laid onto host time (m, 5), oldest first; columns as in
        ``layout.CLOCK_COLUMNS``. Empty for a source without a clock, and in the first files."""
        self._known(source)
        if not self.has_clock:
            return np.empty((0, len(layout.CLOCK_COLUMNS)))
        with trusted.reading(self.path):
            fits: FloatArray = self.datasets[f"{layout.CLOCK}/{source}"][:]
        unwritten = (fits.view(np.uint64) == layout.UNWRITTEN_BITS).any(axis=1)
        return fits[: int(np.argmax(unwritten))] if unwritten.any() else fits

    def bursts(self) -> Iterator[Burst]:
        """All bursts, by source and number; each is read when its turn comes.

        Raises:
            RunFileError: one cannot be read.
        """
        return bursts.read_all(self.datasets, self.path, self.burst_specs)

    def burst_counts(self) -> dict[str, int]:
        """Number of bursts by burst source."""
        return {spec.source: bursts.count(self.datasets, spec.source) for spec in self.burst_specs}

    def event_lines(self) -> list[bytes]:
        """Lines of the event log as written."""
        with trusted.reading(self.path):
            log = self.datasets[layout.EVENT_LOG][:].tobytes()
        return split_lines(log, is_closed=self.is_closed)

    def events(self) -> list[Event]:
        """All events, in the order in which they were logged."""
        return parse_events(self.event_lines(), where=f"{self.path}: {layout.EVENT_LOG}")

    def time_offsets(self) -> dict[tuple[str, str], EdgeOffset]:
        """Offsets of two sources' times that were measured on a common edge, by ``(first, second)``: times of the
        second minus times of the first. No time in this file has been shifted by them."""
        return offsets_from(self.events())

    def received(self, source: str) -> Iterator[tuple[int, bytes]]:
        """Bytes as received, piece by piece with their arrival (ns since run start). Only in a closed run."""
        return self._raw(source, "received")

    def sent(self, source: str) -> Iterator[tuple[int, bytes]]:
        """Commands as written, with their time (ns since run start). Only in a closed run."""
        return self._raw(source, "sent")

    def raw_bytes(self, source: str) -> bytes:
        """All bytes received from a source in one piece."""
        self._known(source)
        with trusted.reading(self.path):
            return bytes(self.datasets[f"{layout.RAW}/{source}/received"][:].tobytes())

    def raw_size(self, source: str) -> int:
        """Number of bytes received from a source that are folded in."""
        return int(self.datasets[f"{layout.RAW}/{self._known(source)}/received"].shape[0])

    def running_sha256(self) -> dict[str, str]:
        """The content hash as it stood after the header and after each dataset, as stored at closing; empty in files
        of older versions."""
        if trusted.find(self._file, self.path, layout.RUNNING_SHA256) is None:
            return {}
        with trusted.reading(self.path):
            stored = trusted.labels(self._file, self.path, layout.RUNNING_SHA256)
        names = (layout.HEADER, *self.datasets)
        return dict(zip(names, stored, strict=True)) if len(names) == len(stored) else {}

    def computed_sha256(self, progress: Progress | None = None, running: dict[str, str] | None = None) -> str:
        """Hash of the content as it is in the file now; ``running`` as in :func:`hashing.content_sha256`."""
        rows = {
            f"{layout.STREAMS}/{source}/{entry.name}": self._rows[source]
            for source in self._specs
            for entry in layout.ROW_DATASETS
        }
        with trusted.reading(self.path):
            return hashing.content_sha256(self.header, self.datasets, rows, progress, running)

    def verify(self, progress: Progress | None = None) -> None:
        """Compare the content with the hash that was stored when the run was closed.

        Raises:
            RunFileError: not closed, or the content is no longer what was recorded.
        """
        if not self.is_closed:
            raise RunFileError("the run was not closed", where=str(self.path), remedy="Run 'benchkit recover' on it.")
        running: dict[str, str] = {}
        try:
            computed = self.computed_sha256(progress, running)
        except RunFileError as error:
            place = (layout.HEADER, *self.datasets)[len(running)]
            raise RunFileError(f"{place}: {error.what}", where=str(self.path), remedy=error.remedy) from error
        if computed != self.content_sha256:
            stored = self.running_sha256()
            begins = next((name for name in stored if stored[name] != running[name]), "")
            raise RunFileError(
                "the content is not what was recorded" + (f"; the difference begins in {begins}" if begins else ""),
                where=str(self.path),
                got=f"SHA-256 {computed}",
                expected=self.content_sha256,
                remedy="The file was changed or damaged after it was closed. Use another copy.",
            )
        if self.has_pyramid:
            self._verify_pyramid()

    def _verify_pyramid(self) -> None:
        stored = self.pyramid_sha256
        with trusted.reading(self.path):
            computed = hashing.sha256_of(dataset for _, dataset in self.pyramid_datasets())
        if computed != stored:
            raise RunFileError(
                "the rows are what was recorded, their least and greatest values for drawing are not",
                where=f"{self.path}: {layout.PYRAMID}",
                got=f"SHA-256 {computed}",
                expected=stored,
                remedy="The file was changed or damaged after it was closed. Use another copy.",
            )

    def _levels(self, source: str) -> dict[int, Any]:
        """Open datasets of the pyramid of a source, checked."""
        from benchkit.runfile import pyramid

        width = pyramid.width_of(len(self.spec(source).channels))
        found = {
            level: trusted.dataset(self._file, self.path, pyramid.path_of(source, level), "<f8", width)
            for level in pyramid.LEVELS
        }
        for level, dataset in found.items():
            wanted = -(-self.rows(source) // level)
            if dataset.shape[0] != wanted:
                path = pyramid.path_of(source, level)
                trusted.damaged(self.path, path, "wrong number of buckets", got=dataset.shape[0], expected=str(wanted))
        return found

    def _raw(self, source: str, kind: str) -> Iterator[tuple[int, bytes]]:
        base = f"{layout.RAW}/{self._known(source)}/{kind}"
        data, times, ends = (self.datasets[base + suffix] for suffix in ("", "_time_ns", "_end"))
        if len(times) != len(ends):
            trusted.damaged(self.path, base, "times and ends differ in number", got=(len(times), len(ends)))
        last_end = 0
        step = layout.COLUMN_CHUNK
        for first in range(0, len(times), step):
            with trusted.reading(self.path):
                stamps, stops = times[first : first + step], ends[first : first + step]
                if np.any(np.diff(stops, prepend=last_end) < 0) or stops[-1] > len(data):
                    trusted.damaged(self.path, f"{base}_end", "does not rise inside the bytes")
                piece = data[last_end : int(stops[-1])].tobytes()
            start = last_end
            for stamp, stop in zip(stamps.tolist(), stops.tolist(), strict=True):
                yield stamp, piece[start - last_end : stop - last_end]
                start = stop
            last_end = start

    def _known(self, source: str) -> str:
        if source not in self._specs:
            raise UsageError(
                f"no stream {source!r} in this run",
                where=str(self.path),
                expected=", ".join(self._specs),
                remedy=did_you_mean(source, self._specs),
            )
        return source

    def _dataset(self, source: str, name: str) -> Any:
        return self.datasets[f"{layout.STREAMS}/{source}/{name}"]

    def _source_names(self) -> list[str]:
        names = sorted(trusted.group(self._file, self.path, layout.STREAMS))
        for name in names:
            if not layout.is_safe_name(name):
                trusted.damaged(self.path, layout.STREAMS, "has a stream with a strange name", got=name[:60])
        return names

    def _read_spec(self, source: str) -> StreamSpec:
        base = f"{layout.STREAMS}/{source}"
        texts = {name: trusted.labels(self._file, self.path, f"{base}/{name}") for name in layout.LABEL_DATASETS}
        count = len(texts[layout.CHANNEL])
        for name, entries in texts.items():
            if len(entries) != count:
                trusted.damaged(
                    self.path,
                    f"{base}/{name}",
                    "wrong number of entries",
                    got=len(entries),
                    expected=str(count),
                )
        has_raw = trusted.find(self._file, self.path, f"{base}/{layout.RAW_CHANNEL}") is not None
        return StreamSpec(
            source=source,
            channels=tuple(
                StoredChannel(name=name, label=label, quantity=quantity, unit=unit)
                for name, label, quantity, unit in zip(
                    texts[layout.CHANNEL],
                    texts[layout.LABEL],
                    texts[layout.QUANTITY],
                    texts[layout.UNIT],
                    strict=True,
                )
            ),
            raw_columns=trusted.labels(self._file, self.path, f"{base}/{layout.RAW_CHANNEL}") if has_raw else (),
        )

    def _find_datasets(self) -> dict[str, Any]:
        """Every dataset of the layout, checked, in hash order."""
        types: dict[str, tuple[str, int | None]] = {layout.EVENT_LOG: ("|u1", None)}
        for source, spec in self._specs.items():
            width = {"": None, layout.CHANNEL: len(spec.channels), layout.RAW_CHANNEL: len(spec.raw_columns)}
            for entry in layout.ROW_DATASETS:
                types[f"{layout.STREAMS}/{source}/{entry.name}"] = (entry.dtype, width[entry.wide_over])
            for name, dtype in layout.RAW_DATASETS:
                types[f"{layout.RAW}/{source}/{name}"] = (dtype, None)
            types[f"{layout.CLOCK}/{source}"] = ("<f8", len(layout.CLOCK_COLUMNS))
        has_raw = {source: bool(spec.raw_columns) for source, spec in self._specs.items()}
        for burst_spec in self.burst_specs:
            types |= bursts.types(burst_spec)
        names = [burst_spec.source for burst_spec in self.burst_specs]
        order = hashing.hash_order(has_raw, has_clock=self.has_clock, bursts=names)
        return {name: trusted.dataset(self._file, self.path, name, *types.get(name, ("S", None))) for name in order}

    def _common_rows(self, source: str) -> int:
        names = [e.name for e in layout.ROW_DATASETS if f"{layout.STREAMS}/{source}/{e.name}" in self.datasets]
        lengths: Mapping[str, int] = {name: int(self._dataset(source, name).shape[0]) for name in names}
        common = min(lengths.values())
        if self.is_closed:
            if max(lengths.values()) != common:
                trusted.damaged(self.path, f"{layout.STREAMS}/{source}", "datasets differ in length", got=dict(lengths))
            return common
        for name in names:
            first = max(0, common - _TAIL_ROWS)
            tail = self._dataset(source, name)[first:common]
            fill = layout.UNWRITTEN_COUNTER if name == layout.COUNTER else layout.UNWRITTEN_BITS
            unwritten = tail.view(np.int64 if name == layout.COUNTER else np.uint64) == fill
            rows = unwritten.any(axis=1) if unwritten.ndim > 1 else unwritten
            if rows.any():
                common = first + int(np.argmax(rows))
        return common


def _by_column(dataset: Any, first: int, last: int) -> FloatArray:
    """Rows of a dataset (n, columns), each column in one piece in memory; turned round in parts that fit a cache."""
    columns = np.empty((dataset.shape[1], max(0, last - first)))
    for start in range(first, last, _TURNED_ROWS):
        stop = min(start + _TURNED_ROWS, last)
        columns[:, start - first : stop - first] = dataset[start:stop].T
    return columns.T
