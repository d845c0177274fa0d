"""The HDF5 side of a run: everything is created first, then SWMR is switched on, then only rows are added."""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from itertools import chain
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from benchkit.errors import RunFileError, UsageError
from benchkit.model.bursts import BurstRecord
from benchkit.model.run import BURST_FORMAT_VERSION, RunHeader
from benchkit.runfile import bursts as burst_layout
from benchkit.runfile import layout, pyramid
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.columns import GrowingDataset, append_together
from benchkit.runfile.labels import create_labels, set_text
from benchkit.runfile.layout import Block, FloatArray, StreamSpec

RESERVE_BYTES = 32 << 20
"""HDF5 cannot mend a write that failed half-way for want of room: with less than this free it is not tried."""


class RunStore:
    """An open, growing run file. One thread at a time; HDF5 does the same to itself by its own lock.

    Once HDF5 has failed in a write the file takes nothing more (``failure``): the chunk it failed on would be
    missing even if writing it again seems to succeed. What was flushed before stays good.

    Raises:
        RunFileError: the file exists, cannot be written, or the disk is full.
        UsageError: header or streams cannot be stored.
    """

    def __init__(
        self,
        path: Path,
        header: RunHeader,
        streams: Sequence[StreamSpec],
        *,
        pack_raw: bool = True,
        bursts: Sequence[BurstSpec] = (),
    ) -> None:
        layout.check_specs(streams)
        check_bursts(header, bursts)
        check_header(header)
        self.path = path
        self.failure: RunFileError | None = None
        self.streams: Mapping[str, StreamSpec] = {spec.source: spec for spec in streams}
        self.bursts: Mapping[str, BurstSpec] = {spec.source: spec for spec in bursts}
        self.check_writable()
        self.file = create_file(path)
        try:
            create_layout(self.file, header, streams, pack_raw=pack_raw, bursts=bursts)
            self.file.swmr_mode = True
        except BaseException as error:
            self.release()
            path.unlink(missing_ok=True)
            if isinstance(error, OSError | RuntimeError):
                raise self.write_error(error) from error
            raise
        self._rows = {
            source: {name: GrowingDataset(self.file[layout.STREAMS][source][name]) for name in row_names(spec)}
            for source, spec in self.streams.items()
        }
        self._fits = {source: GrowingDataset(self.file[layout.CLOCK][source]) for source in self.streams}
        self._builders = {source: pyramid.PyramidBuilder(len(spec.channels)) for source, spec in self.streams.items()}
        self._buckets = {
            source: {level: GrowingDataset(self.file[pyramid.path_of(source, level)]) for level in pyramid.LEVELS}
            for source in self.streams
        }
        self._log = GrowingDataset(self.file[layout.EVENT_LOG])
        self._received: dict[str, tuple[GrowingDataset, ...]] = {}
        if not pack_raw:
            names = [name for name, _ in layout.RAW_DATASETS[:3]]
            raw = self.file[layout.RAW]
            self._received = {s: tuple(GrowingDataset(raw[s][name]) for name in names) for s in self.streams}

    def rows(self, source: str) -> int:
        """Rows appended to a stream so far, written or not."""
        return min(column.rows for column in self._rows[source].values())

    def arrays(self, source: str, block: Block) -> dict[str, npt.NDArray[np.generic]]:
        """Arrays of a block by dataset.

        Raises:
            UsageError: no such stream, or the block does not fit it.
        """
        if source not in self.streams:
            raise UsageError(
                "no such stream in this run", where=str(self.path), got=source, expected=", ".join(self.streams)
            )
        return layout.block_arrays(block, self.streams[source])

    def append(self, source: str, block: Block) -> None:
        """Add a block to a stream; whole chunks are written, the rest waits.

        When the disk is full, ``rows`` tells how many rows of the block were taken; the others may be given again.
        """
        arrays = self.arrays(source, block)
        self.check_writable()
        try:
            append_together(self._rows[source], arrays)
            rows = (np.asarray(column, dtype=np.float64) for column in (block.time_s, block.arrival_s, block.values))
            self._add_buckets(source, self._builders[source].add(*rows))
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def end_of_rows(self) -> None:
        """Nothing is appended any more: the unfilled buckets of the pyramids are written too."""
        self.check_writable()
        try:
            for source, builder in self._builders.items():
                self._add_buckets(source, builder.rest())
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def clock_fits(self, source: str, fits: FloatArray) -> None:
        """Add lines (m, 5) to the clock fits of a stream."""
        self.check_writable()
        try:
            append_together({"fits": self._fits[source]}, {"fits": fits})
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def log(self, line: bytes) -> None:
        """Add one line to the event log."""
        self.check_writable()
        try:
            append_together({"log": self._log}, {"log": np.frombuffer(line, dtype=np.uint8)})
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def check_burst(self, record: BurstRecord) -> None:
        """Raise UsageError where a burst does not fit this run."""
        if record.source not in self.bursts:
            raise UsageError("no such burst source in this run", where=str(self.path), got=record.source)
        burst_layout.check_samples(self.bursts[record.source], record)

    def burst(self, record: BurstRecord) -> None:
        """Add a burst; when this returns it is handed to the system.

        Raises:
            UsageError: no such burst source, or the samples do not fit it.
        """
        self.check_burst(record)
        self.check_writable(record.samples.nbytes)
        try:
            burst_layout.append(self.file, self.bursts[record.source], record)
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def received(self, source: str, time_ns: int, data: bytes) -> None:
        """Add one piece of bytes received to ``/raw``, which must not be packed."""
        self.check_writable()
        received, times, ends = self._received[source]
        try:
            append_together({"bytes": received}, {"bytes": np.frombuffer(data, dtype=np.uint8)})
            place = {"time": np.array([time_ns]), "end": np.array([received.rows])}
            append_together({"time": times, "end": ends}, place)
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def flush(self) -> dict[str, int]:
        """Write all that waits and hand it to the system; returns rows on disk by source."""
        self.check_writable()
        try:
            for columns in self._rows.values():
                for column in columns.values():
                    column.flush()
            levels = (column for columns in self._buckets.values() for column in columns.values())
            for column in chain(self._fits.values(), levels, *self._received.values()):
                column.flush()
            self._log.flush()
            self.file.flush()
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error
        return {source: self.rows(source) for source in self.streams}

    def close(self) -> None:
        """Let go of the file."""
        try:
            self.file.close()
        except (OSError, RuntimeError) as error:
            raise self.write_error(error) from error

    def release(self) -> None:
        """Let go of the file whatever its state."""
        with contextlib.suppress(OSError, RuntimeError):
            self.file.close()

    def _add_buckets(self, source: str, lines: Mapping[int, FloatArray]) -> None:
        for level, part in lines.items():
            append_together({"": self._buckets[source][level]}, {"": part})

    def write_error(self, error: Exception) -> RunFileError:
        """The error of this file for a failed write; from then on the file takes nothing more."""
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        self.failure = RunFileError(
            f"cannot write the run file: {reason}",
            where=str(self.path),
            remedy="Make room on the disk, end the recording, and make a closed run of it with 'benchkit recover'.",
        )
        return self.failure

    def check_writable(self, needed: int = 0) -> None:
        """Raise what would keep ``needed`` bytes, and a reserve, from being written."""
        if self.failure is not None:
            raise self.failure
        free = shutil.disk_usage(self.path.parent).free
        if free < RESERVE_BYTES + needed:
            raise RunFileError(
                "the disk is full",
                where=str(self.path),
                got=f"{free} bytes free",
                expected=f"at least {RESERVE_BYTES + needed}",
                remedy="Make room: what waits is kept in memory and written then.",
            )


def row_names(spec: StreamSpec) -> tuple[str, ...]:
    """Names of the datasets that grow with the rows of a stream."""
    return tuple(d.name for d in layout.ROW_DATASETS if d.name != layout.RAW_VALUES or spec.raw_columns)


def check_header(header: RunHeader) -> None:
    """Refuse a header that would not fit.

    Raises:
        UsageError: a short field is longer than an attribute may be.
    """
    fields = asdict(header)
    for name in layout.HEADER_TEXT_ATTRIBUTES:
        if len(fields[name].encode()) > layout.MAX_ATTRIBUTE_BYTES or "\0" in fields[name]:
            raise UsageError(
                f"header field {name} cannot be stored",
                got=fields[name][:60],
                expected=f"at most {layout.MAX_ATTRIBUTE_BYTES} bytes of UTF-8 without NUL",
                remedy="Put long texts into the note.",
            )


def text_of(header: RunHeader, name: str) -> str:
    """Text of a long header field as it is stored."""
    if name == "profile_texts":
        return json.dumps(dict(header.profile_texts), ensure_ascii=False, sort_keys=True)
    return str(getattr(header, name))


def create_layout(
    file: Any,
    header: RunHeader,
    streams: Sequence[StreamSpec],
    *,
    compress: bool = False,
    has_clock: bool = True,
    has_pyramid: bool = True,
    pack_raw: bool = True,
    bursts: Sequence[BurstSpec] = (),
) -> None:
    """Create all that a run file has, still empty. ``compress`` is for copies: recording goes past filters; so is
    ``has_clock`` and ``has_pyramid``, for copies of the first files."""
    filters: dict[str, object] = {"compression": "gzip", "compression_opts": 6, "shuffle": True} if compress else {}
    _write_header(file, header)
    for spec in streams:
        _create_stream(file, spec, header.started_utc, filters)
        _create_raw(file, spec.source, pack_raw)
        if has_clock:
            _create_clock(file, spec.source, filters)
        if has_pyramid:
            _create_pyramid(file, spec, filters)
    if has_pyramid:
        file.attrs.create(layout.PYRAMID_SHA256, np.bytes_(b""), dtype=h5py.string_dtype("utf-8", 64))
    _create_log(file, filters)
    if header.format_version >= BURST_FORMAT_VERSION:
        burst_layout.create(file, bursts, filters)


def check_bursts(header: RunHeader, bursts: Sequence[BurstSpec]) -> None:
    """Refuse burst sources that cannot be laid out, or in a run of the format without them.

    Raises:
        UsageError: saying which.
    """
    if bursts and header.format_version < BURST_FORMAT_VERSION:
        raise UsageError(
            "a run with burst sources has the format that has them",
            where=header.run_id,
            got=header.format_version,
            expected=f"format_version {BURST_FORMAT_VERSION} in the header",
        )
    burst_layout.check_specs(bursts)


def set_root_attribute(file: Any, name: str, value: object) -> None:
    """Change the value of a root attribute in place; SWMR allows no new ones."""
    attribute = h5py.h5a.open(file.id, name.encode())
    attribute.write(np.array(value, dtype=attribute.dtype))


def create_file(path: Path) -> Any:
    """A new, empty HDF5 file; never in place of another."""
    try:
        return h5py.File(path, "x", libver=layout.LIBVER)
    except FileExistsError as error:
        raise RunFileError(
            "the run file exists already",
            where=str(path),
            remedy="Nothing is overwritten: choose another run name.",
        ) from error
    except OSError as error:
        raise RunFileError(
            f"cannot create the run file: {str(error).splitlines()[0]}",
            where=str(path),
            remedy="Check that the directory exists and can be written.",
        ) from error


def _write_header(file: Any, header: RunHeader) -> None:
    set_text(file, layout.FORMAT, layout.FORMAT_NAME)
    file.attrs[layout.FORMAT_VERSION] = np.int64(header.format_version)
    file.attrs[layout.CLOSED] = np.uint8(0)
    file.attrs.create(layout.CONTENT_SHA256, np.bytes_(b""), dtype=h5py.string_dtype("utf-8", 64))
    for name in layout.HEADER_TEXT_ATTRIBUTES:
        set_text(file, name, str(getattr(header, name)))
    file.attrs["simulated"] = np.uint8(header.simulated)
    file.attrs["time_factor"] = np.float64(header.time_factor)
    if header.seed is not None:
        file.attrs["seed"] = np.int64(header.seed)
    group = file.create_group(layout.HEADER)
    for name in layout.HEADER_TEXT_DATASETS:
        group.create_dataset(name, data=np.frombuffer(text_of(header, name).encode(), dtype=np.uint8))
    file.create_dataset(layout.RUNNING_SHA256, shape=(0,), maxshape=(None,), chunks=(64,), dtype="S64")


def _create_stream(file: Any, spec: StreamSpec, started_utc: str, filters: Mapping[str, object]) -> None:
    group = file.create_group(f"{layout.STREAMS}/{spec.source}")
    texts = {
        layout.CHANNEL: [c.name for c in spec.channels],
        layout.UNIT: [c.unit for c in spec.channels],
        layout.QUANTITY: [str(c.quantity) for c in spec.channels],
        layout.LABEL: [c.label for c in spec.channels],
    }
    if spec.raw_columns:
        texts[layout.RAW_CHANNEL] = list(spec.raw_columns)
    for name, entries in texts.items():
        create_labels(group, name, entries)
    width = {layout.CHANNEL: len(spec.channels), layout.RAW_CHANNEL: len(spec.raw_columns)}
    for entry in layout.ROW_DATASETS:
        if entry.name not in row_names(spec):
            continue
        tail = (width[entry.wide_over],) if entry.wide_over else ()
        rows = layout.rows_per_chunk(tail[0] if tail else None)
        dataset = group.create_dataset(
            entry.name,
            shape=(0, *tail),
            maxshape=(None, *tail),
            chunks=(rows, *tail),
            dtype=entry.dtype,
            fillvalue=layout.UNWRITTEN_COUNTER if entry.name == layout.COUNTER else layout.UNWRITTEN,
            **filters,
        )
        if entry.units:
            set_text(dataset, "units", entry.units.format(start=started_utc))
    set_text(group[layout.VALUES], "coordinates", " ".join((layout.UNIT, layout.QUANTITY, layout.LABEL)))
    _attach_scales(group)


def _attach_scales(group: Any) -> None:
    scales = [name for name in (layout.TIME, layout.CHANNEL, layout.RAW_CHANNEL) if name in group]
    for name in scales:
        group[name].make_scale(name)
    wide = {entry.name: entry.wide_over for entry in layout.ROW_DATASETS}
    for name in group:
        if name in scales:
            continue
        if name in wide:
            group[name].dims[0].attach_scale(group[layout.TIME])
            if wide[name]:
                group[name].dims[1].attach_scale(group[wide[name]])
        else:
            group[name].dims[0].attach_scale(group[layout.CHANNEL])


def _create_log(file: Any, filters: Mapping[str, object]) -> None:
    chunks = (layout.LOG_CHUNK,)
    file.create_dataset(
        layout.EVENT_LOG, shape=(0,), maxshape=(None,), chunks=chunks, dtype="u1", fillvalue=0, **filters
    )


def _create_clock(file: Any, source: str, filters: Mapping[str, object]) -> None:
    width = len(layout.CLOCK_COLUMNS)
    dataset = file.create_dataset(
        f"{layout.CLOCK}/{source}",
        shape=(0, width),
        maxshape=(None, width),
        chunks=(layout.CLOCK_CHUNK, width),
        dtype="<f8",
        fillvalue=layout.UNWRITTEN,
        **filters,
    )
    set_text(dataset, "columns", " ".join(layout.CLOCK_COLUMNS))


def _create_pyramid(file: Any, spec: StreamSpec, filters: Mapping[str, object]) -> None:
    width = pyramid.width_of(len(spec.channels))
    for level in pyramid.LEVELS:
        dataset = file.create_dataset(
            pyramid.path_of(spec.source, level),
            shape=(0, width),
            maxshape=(None, width),
            chunks=(pyramid.rows_per_chunk(level), width),
            dtype="<f8",
            fillvalue=layout.UNWRITTEN,
            **filters,
        )
        set_text(dataset, "columns", " ".join((*pyramid.HEAD, "least of each channel", "greatest of each channel")))


def _create_raw(file: Any, source: str, pack: bool) -> None:
    group = file.create_group(f"{layout.RAW}/{source}")
    for name, dtype in layout.RAW_DATASETS:
        chunk = layout.BYTES_CHUNK if dtype == "|u1" else layout.COLUMN_CHUNK
        group.create_dataset(
            name,
            shape=(0,),
            maxshape=(None,),
            chunks=(chunk,),
            dtype=dtype,
            compression="gzip" if pack else None,
            compression_opts=1 if pack else None,
        )
