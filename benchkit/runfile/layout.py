"""Names, types and sizes of everything in a run file, in one table, and the two types that go into one.

The table is the format: the writer creates what it lists, the reader accepts nothing else, the hash takes it in
this order. ``docs/reference/run-file.md`` explains it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FORMAT_NAME = "benchkit run"
JOURNAL_SUFFIX = ".journal"
RECOVERED_SUFFIX = ".recovered.h5"

LIBVER = ("v110", "v110")
"""Oldest HDF5 format that has SWMR. Newer ones are unreadable for tools built on HDF5 1.10, and give us nothing."""

# attributes of the root
FORMAT, FORMAT_VERSION, CLOSED, CONTENT_SHA256 = "format", "format_version", "closed", "content_sha256"
HEADER_TEXT_ATTRIBUTES = (
    "run_id",
    "started_utc",
    "software_version",
    "host",
    "stand",
    "operator",
    "recovered_from",
)
HEADER_TEXT_DATASETS = ("note", "profile_json", "profile_texts")
"""Long texts: an attribute ends at 64 kB."""
MAX_ATTRIBUTE_BYTES = 4096
MAX_TEXT_BYTES = 64 << 20
MAX_LABEL_BYTES = 1024

# groups and datasets
HEADER, STREAMS, EVENTS, EVENT_LOG, RAW = "header", "streams", "events", "events/log", "raw"
RUNNING_SHA256 = "header/running_sha256"
"""The content hash as far as it had come after the header and after each dataset, in hash order. It tells where a
difference begins; files of older versions have none."""
TIME, ARRIVAL, DEVICE_TIME, COUNTER, VALUES = "time", "arrival", "device_time", "counter", "values"
CHANNEL, UNIT, QUANTITY, LABEL = "channel", "unit", "quantity", "label"
RAW_VALUES, RAW_CHANNEL = "raw_values", "raw_channel"
CLOCK = "clock"
"""One dataset a source: how its clock was laid onto host time. Absent in the first files."""
CLOCK_COLUMNS = ("host", "offset", "drift", "residual_rms", "rows")
"""Columns of it: host time since the start of the run [s], host minus device time there [s], drift [s/s], root mean
square of the waiting times of the rows since the line before [s], and their number."""
CLOCK_CHUNK = 512
PYRAMID, PYRAMID_SHA256 = "pyramid", "pyramid_sha256"
"""Least and greatest values in buckets of rows, and their hash (:mod:`benchkit.runfile.pyramid`). Absent in the first
files, and no part of the content hash: it can be made again from the rows."""

ROW_CHUNK = 1000
"""Rows of one chunk of a two-dimensional dataset; written whole."""
COLUMN_CHUNK = 8000
"""Rows of one chunk of a one-dimensional dataset: few, larger writes keep the speed of the block writes."""
MAX_CHUNK_BYTES = 8 << 20
LOG_CHUNK = 1 << 16
BYTES_CHUNK = 1 << 20

UNWRITTEN = np.array([0x7FF8_0000_00BA_DF11], dtype="<u8").view("<f8")[0]
"""Fill value of float datasets: a NaN with a bit pattern that no arithmetic gives. A row that HDF5 made room for but
never got is told from *not measured* by it."""
UNWRITTEN_BITS = int(np.array([UNWRITTEN]).view(np.uint64)[0])
UNWRITTEN_COUNTER = -(2**63)
"""The same for ``counter``; -1 is a source without one."""


@dataclass(frozen=True, slots=True)
class RowDataset:
    """A dataset of a stream that grows with its rows."""

    name: str
    dtype: str
    wide_over: str
    """Dimension scale of the second axis; empty for one-dimensional datasets."""
    units: str = ""


ROW_DATASETS: tuple[RowDataset, ...] = (
    RowDataset(TIME, "<f8", "", "seconds since {start}"),
    RowDataset(ARRIVAL, "<f8", "", "s"),
    RowDataset(DEVICE_TIME, "<f8", "", "s"),
    RowDataset(COUNTER, "<i8", ""),
    RowDataset(VALUES, "<f8", CHANNEL),
    RowDataset(RAW_VALUES, "<f8", RAW_CHANNEL),
)
"""In hash order. ``raw_values`` exists only where a channel has a calibration curve that changes the number."""

LABEL_DATASETS: tuple[str, ...] = (CHANNEL, UNIT, QUANTITY, LABEL)
"""Fixed-length UTF-8, one entry a channel, in hash order."""

RAW_DATASETS: tuple[tuple[str, str], ...] = (
    ("received", "|u1"),
    ("received_time_ns", "<i8"),
    ("received_end", "<i8"),
    ("sent", "|u1"),
    ("sent_time_ns", "<i8"),
    ("sent_end", "<i8"),
)
"""Of ``/raw/<source>``, in hash order: all bytes, host time of each piece since run start, and where each piece
ends."""


class ChannelLike(Protocol):
    """What the file needs of a channel; :class:`benchkit.model.stand.Channel` has it."""

    @property
    def name(self) -> str: ...
    @property
    def label(self) -> str: ...
    @property
    def quantity(self) -> str: ...
    @property
    def unit(self) -> str: ...


@dataclass(frozen=True, slots=True)
class StoredChannel:
    """A channel as a run file names it."""

    name: str
    label: str
    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class StreamSpec:
    """One stream to record: its source, its channels in column order, and the columns whose raw values are kept."""

    source: str
    channels: tuple[ChannelLike, ...]
    raw_columns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Rows of one stream, oldest first; all arrays have the same length n.

    ``time_s``, ``arrival_s``, ``device_time_s`` (n,) in seconds, the first two since run start; ``counter`` (n,)
    whole numbers, -1 where the source has none; ``values`` (n, channels) in bench units; ``raw`` (n, raw columns)
    as received.
    """

    time_s: FloatArray
    arrival_s: FloatArray
    device_time_s: FloatArray
    counter: IntArray
    values: FloatArray
    raw: FloatArray

    def __len__(self) -> int:
        return int(self.time_s.shape[0])

    def rows(self, start: int, stop: int | None = None) -> Block:
        """Rows ``start`` to ``stop``."""
        cut = slice(start, stop)
        return Block(
            time_s=self.time_s[cut],
            arrival_s=self.arrival_s[cut],
            device_time_s=self.device_time_s[cut],
            counter=self.counter[cut],
            values=self.values[cut],
            raw=self.raw[cut],
        )


@dataclass(frozen=True, slots=True, eq=False)
class ClockFits:
    """Lines (m, 5) for the clock fits of one stream, oldest first; columns as in ``CLOCK_COLUMNS``."""

    lines: FloatArray


def joined(blocks: Sequence[Block]) -> Block:
    """One block from several of the same stream; rows keep their order."""
    return Block(
        time_s=np.concatenate([b.time_s for b in blocks]),
        arrival_s=np.concatenate([b.arrival_s for b in blocks]),
        device_time_s=np.concatenate([b.device_time_s for b in blocks]),
        counter=np.concatenate([b.counter for b in blocks]),
        values=np.concatenate([b.values for b in blocks]),
        raw=np.concatenate([b.raw for b in blocks]),
    )


def rows_per_chunk(columns: int | None) -> int:
    """Chunk length of a dataset with that many columns (None: one-dimensional)."""
    if columns is None:
        return COLUMN_CHUNK
    return max(1, min(ROW_CHUNK, MAX_CHUNK_BYTES // (8 * max(1, columns))))


def journal_path(run_path: Path) -> Path:
    """The journal lies beside its run."""
    return run_path.with_name(run_path.name + JOURNAL_SUFFIX)


def recovered_path(run_path: Path) -> Path:
    """Where :func:`benchkit.runfile.recover.recover` puts the new run."""
    return run_path.with_name(run_path.stem + RECOVERED_SUFFIX)


def block_arrays(block: Block, spec: StreamSpec) -> dict[str, npt.NDArray[np.generic]]:
    """Arrays of a block by dataset name, in the types of the file.

    Raises:
        UsageError: a shape does not fit the stream.
    """
    n = len(block)
    arrays: dict[str, npt.NDArray[np.generic]] = {}
    given: dict[str, tuple[npt.ArrayLike, str, tuple[int, ...]]] = {
        TIME: (block.time_s, "<f8", (n,)),
        ARRIVAL: (block.arrival_s, "<f8", (n,)),
        DEVICE_TIME: (block.device_time_s, "<f8", (n,)),
        COUNTER: (block.counter, "<i8", (n,)),
        VALUES: (block.values, "<f8", (n, len(spec.channels))),
        RAW_VALUES: (block.raw, "<f8", (n, len(spec.raw_columns))),
    }
    for name, (array, dtype, shape) in given.items():
        fitted = np.ascontiguousarray(array, dtype=dtype)
        if fitted.shape != shape:
            raise UsageError(
                f"{name} of a block has the wrong shape",
                where=f"stream {spec.source!r}",
                got=fitted.shape,
                expected=str(shape),
                remedy="Give every row of every array of the block.",
            )
        arrays[name] = fitted
    if not spec.raw_columns:
        del arrays[RAW_VALUES]
    return arrays


def check_specs(specs: Sequence[StreamSpec]) -> None:
    """Refuse stream specifications that cannot be laid out.

    Raises:
        UsageError: naming the stream and what is wrong with it.
    """
    names = [spec.source for spec in specs]
    for spec in specs:
        where = f"stream {spec.source!r}"
        if not is_safe_name(spec.source):
            raise UsageError(
                "not a name for a stream",
                where=where,
                remedy="Use letters, digits, '_', '-' and '.', at most 100.",
            )
        if names.count(spec.source) > 1:
            raise UsageError("two streams have this name", where=where, remedy="Give every source its own name.")
        if not spec.channels:
            raise UsageError("has no channels", where=where, remedy="Record only sources that have channels.")
        for kind, columns in (
            ("channel", [c.name for c in spec.channels]),
            ("raw column", list(spec.raw_columns)),
        ):
            twice = sorted({c for c in columns if columns.count(c) > 1})
            if twice:
                raise UsageError(f"{kind} {twice[0]!r} occurs twice", where=where, remedy="Names must differ.")
        for channel in spec.channels:
            for text in (channel.name, channel.label, channel.quantity, channel.unit):
                if len(text.encode()) > MAX_LABEL_BYTES or "\0" in text:
                    raise UsageError(
                        "channel text cannot be stored",
                        where=where,
                        got=text[:60],
                        expected=f"at most {MAX_LABEL_BYTES} bytes of UTF-8 without NUL",
                    )


def is_safe_name(name: str) -> bool:
    """True for a name that is one plain link in HDF5."""
    plain = all(c.isalnum() or c in "_-." for c in name)
    return plain and 0 < len(name) <= 100 and name.strip(".") != ""
