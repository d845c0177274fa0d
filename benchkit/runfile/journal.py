"""The journal: every byte that came or went, every event, in order of time, in a file that is only appended to.

It is the first thing written and the last thing let go, so a crash costs what came after its last ``flush``. A
record is

    kind u8 | source u16 | time_ns i64 | length u32 | CRC-32 u32 | payload        (little-endian)

with the CRC over everything else of the record. Times are nanoseconds of host time since run start. The file starts
with a magic, the format version and the run id; the first record holds header and streams of the run as JSON, so that
a run can be rebuilt when its HDF5 file is gone.
"""

from __future__ import annotations

import os
import struct
import sys
import zlib
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from benchkit.errors import RunFileError, UsageError

MAGIC = b"\x89BKJ\r\n\x1a\n"
VERSION = 1
MAX_PAYLOAD = 16 << 20
"""A longer length cannot come from this writer: reading ends there instead of asking for the memory."""
MAX_WAITING_BYTES = 128 << 20
"""What may wait in memory for a full disk; beyond it the journal ends, with all it has up to there."""
NO_SOURCE = 0xFFFF

_PREAMBLE = struct.Struct("<8sHH")
_HEAD = struct.Struct("<BHqI")
_CRC = struct.Struct("<I")
_LOCK_OFFSET = 1 << 62


class Kind(IntEnum):
    """Kinds of record."""

    RUN = 1
    """Header and streams as JSON; always the first record, and only there."""
    RECEIVED = 2
    SENT = 3
    EVENT = 4
    """One JSON line, as in the event log."""
    FLUSHED = 5
    """Rows on disk by source, as JSON, after a flush of the run file."""


@dataclass(frozen=True, slots=True)
class JournalRecord:
    """One record. ``source_index`` counts in the order of the streams; ``NO_SOURCE`` where it belongs to none."""

    kind: Kind
    source_index: int
    time_ns: int
    payload: bytes


class JournalWriter:
    """Appends records; ``flush`` hands all that waited to the system in one write. Not for several threads.

    Raises:
        RunFileError: the file exists, or the disk is full. After a full disk the records wait for the next ``flush``.
    """

    def __init__(self, path: Path, run_id: str) -> None:
        self.path = path
        name = run_id.encode()
        if len(name) > 1024:
            raise UsageError("run id too long", got=len(name), expected="at most 1024 bytes")
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        try:
            self._fd = os.open(path, flags, 0o644)
        except OSError as error:
            raise RunFileError(
                f"cannot create the journal: {error.strerror}",
                where=str(path),
                remedy="Choose a new run name in a directory that can be written.",
            ) from error
        take_lock(self._fd)
        preamble = _PREAMBLE.pack(MAGIC, VERSION, len(name)) + name
        self._waiting: list[bytes] = [preamble, _CRC.pack(zlib.crc32(preamble))]
        self._waiting_bytes = 0
        self._has_ended = False
        self._end = 0

    @property
    def bytes_on_disk(self) -> int:
        """Length of the file as far as it was handed to the system."""
        return self._end

    def record(self, kind: Kind, source_index: int, time_ns: int, payload: bytes) -> None:
        """Add a record; it waits in memory until ``flush``. Long payloads become several records."""
        if len(payload) > MAX_PAYLOAD:
            if kind not in (Kind.RECEIVED, Kind.SENT):
                raise UsageError("record too long", where=kind.name, got=len(payload), expected=f"<= {MAX_PAYLOAD}")
            for start in range(0, len(payload), MAX_PAYLOAD):
                self.record(kind, source_index, time_ns, payload[start : start + MAX_PAYLOAD])
            return
        head = _HEAD.pack(kind, source_index, time_ns, len(payload))
        if self._has_ended:
            return
        self._waiting_bytes += len(head) + _CRC.size + len(payload)
        if self._waiting_bytes > MAX_WAITING_BYTES:
            self._has_ended = True
            self._waiting.clear()
            return
        self._waiting += (head, _CRC.pack(zlib.crc32(payload, zlib.crc32(head))), bytes(payload))

    def flush(self, *, sync: bool = False) -> None:
        """Write what waits. ``sync`` also waits for the disk, which a power cut needs and a crash does not."""
        if self._has_ended:
            raise RunFileError(
                "the journal has ended: too much waited for a full disk",
                where=str(self.path),
                got=f"{self._end} bytes safe",
                remedy="End the recording, make room, and make a closed run with 'benchkit recover'.",
            )
        data = b"".join(self._waiting)
        view = memoryview(data)
        done = 0
        try:
            while done < len(data):
                done += os.write(self._fd, view[done:])
            if sync:
                os.fsync(self._fd)
        except OSError as error:
            self._take_back()
            raise RunFileError(
                f"cannot write the journal: {error.strerror}",
                where=str(self.path),
                got=f"{len(data)} bytes waiting, {self._end} bytes safe",
                remedy="Make room on the disk; what waits is kept in memory and tried again.",
            ) from error
        self._end += len(data)
        self._waiting.clear()
        self._waiting_bytes = 0

    def close(self) -> None:
        """Let go of the file; what waits is not written."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _take_back(self) -> None:
        """Cut a half-written flush off, so that trying again cannot leave a broken record in the middle."""
        try:
            os.ftruncate(self._fd, self._end)
            os.lseek(self._fd, self._end, os.SEEK_SET)
        except OSError:  # the reader stops at the broken record; nothing before it is touched
            pass


class JournalReader:
    """Iterator over the good records of a journal, from the start to the first that is torn or damaged.

    When the iteration has ended, ``good_bytes`` is where the good part ends, ``lost_bytes`` how much follows it, and
    ``stopped`` why reading ended there (empty at a clean end).
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file: BinaryIO = path.open("rb")
        except OSError as error:
            raise RunFileError(
                f"cannot open the journal: {error.strerror}", where=str(path), remedy="Check the path."
            ) from error
        self.size = os.fstat(self._file.fileno()).st_size
        self.stopped = ""
        try:
            self.run_id = self._read_preamble()
        except RunFileError:
            self._file.close()
            raise
        self.good_bytes = self._file.tell()

    @property
    def lost_bytes(self) -> int:
        """Bytes after the good part."""
        return self.size - self.good_bytes if self.stopped else 0

    def __iter__(self) -> JournalReader:
        return self

    def __next__(self) -> JournalRecord:
        if self.stopped or self.good_bytes >= self.size:
            raise StopIteration
        record = self._next_record()
        if isinstance(record, str):
            self.stopped = f"{record} at byte {self.good_bytes}"
            raise StopIteration
        self.good_bytes = self._file.tell()
        return record

    def __enter__(self) -> JournalReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _next_record(self) -> JournalRecord | str:
        """The next record, or why there is none."""
        head = self._file.read(_HEAD.size + _CRC.size)
        if len(head) < _HEAD.size + _CRC.size:
            return "torn record head"
        kind, source_index, time_ns, length = _HEAD.unpack_from(head)
        if length > MAX_PAYLOAD or length > self.size - self._file.tell():
            return f"record of {length} bytes goes beyond the end"
        payload = self._file.read(length)
        if len(payload) < length:
            return "torn record"
        if zlib.crc32(payload, zlib.crc32(head[: _HEAD.size])) != _CRC.unpack_from(head, _HEAD.size)[0]:
            return "check value of a record does not fit"
        if kind not in Kind._value2member_map_:
            return f"unknown kind of record {kind}"
        return JournalRecord(Kind(kind), source_index, time_ns, payload)

    def _read_preamble(self) -> str:
        fixed = self._file.read(_PREAMBLE.size)
        if len(fixed) < _PREAMBLE.size or not fixed.startswith(MAGIC):
            raise RunFileError(
                "is not a run journal",
                where=str(self.path),
                got=fixed[:8],
                expected=f"a file that starts with {MAGIC!r}",
                remedy="Give the journal that lies beside the run file.",
            )
        _, version, length = _PREAMBLE.unpack(fixed)
        rest = self._file.read(length + _CRC.size)
        if (
            len(rest) < length + _CRC.size
            or zlib.crc32(rest[:length], zlib.crc32(fixed)) != _CRC.unpack(rest[length:])[0]
        ):
            raise RunFileError(
                "the start of the journal is damaged", where=str(self.path), remedy="Nothing can be read."
            )
        if version != VERSION:
            raise RunFileError(
                "journal of another version",
                where=str(self.path),
                got=version,
                expected=str(VERSION),
                remedy="Use the benchkit that recorded it, or a newer one.",
            )
        return rest[:length].decode("utf-8", "replace")


def read_journal(path: Path) -> JournalReader:
    """Open a journal for reading; see :class:`JournalReader`.

    Raises:
        RunFileError: not a journal, or its first bytes are damaged.
    """
    return JournalReader(path)


def is_being_written(path: Path) -> bool:
    """True while a living process holds the journal; the system lets go of it when that process dies."""
    try:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return False
    try:
        return not take_lock(descriptor)
    finally:
        os.close(descriptor)


def take_lock(descriptor: int) -> bool:
    """Take the lock of an open journal; False when another process holds it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            # far beyond the data: Windows locks bytes against reading too
            os.lseek(descriptor, _LOCK_OFFSET, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            os.lseek(descriptor, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
