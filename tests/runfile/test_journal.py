"""The journal, byte by byte: layout as documented, and every way of breaking it ends reading, never misreads."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import RunFileError, UsageError
from benchkit.runfile.journal import (
    MAX_PAYLOAD,
    NO_SOURCE,
    JournalRecord,
    JournalWriter,
    Kind,
    is_being_written,
    read_journal,
)

RECORDS = [
    JournalRecord(Kind.RUN, NO_SOURCE, 0, b"{}"),
    JournalRecord(Kind.RECEIVED, 0, 1_000_000, b"1,2.5,nan\n"),
    JournalRecord(Kind.SENT, 1, 2_000_000, b"stop ramp\n"),
    JournalRecord(Kind.RECEIVED, 0, -5, b""),
    JournalRecord(Kind.EVENT, 0, 3_000_000_000_000_000, b'{"x": 1}\n'),
]


def write(path: Path, records: list[JournalRecord]) -> bytes:
    writer = JournalWriter(path, "run-7")
    for record in records:
        writer.record(record.kind, record.source_index, record.time_ns, record.payload)
    writer.flush()
    writer.close()
    return path.read_bytes()


def test_layout_is_as_documented(tmp_path: Path) -> None:
    """Exact: put together here with struct and zlib from the table of docs/reference/run-file.md."""
    start = b"\x89BKJ\r\n\x1a\n" + struct.pack("<HH", 1, 5) + b"run-7"
    head = struct.pack("<BHqI", 2, 3, 123456789, 4)
    by_hand = (
        start + struct.pack("<I", zlib.crc32(start)) + head + struct.pack("<I", zlib.crc32(head + b"abc\n")) + b"abc\n"
    )
    assert write(tmp_path / "j", [JournalRecord(Kind.RECEIVED, 3, 123456789, b"abc\n")]) == by_hand


def test_reads_what_was_written(tmp_path: Path) -> None:
    data = write(tmp_path / "j", RECORDS)
    with read_journal(tmp_path / "j") as reader:
        assert reader.run_id == "run-7"
        assert list(reader) == RECORDS
        assert (reader.good_bytes, reader.lost_bytes, reader.stopped) == (len(data), 0, "")


def test_cut_at_every_byte(tmp_path: Path) -> None:
    """However short the file, the records that are whole are read and no others."""
    data = write(tmp_path / "j", RECORDS)
    ends = [len(data)]
    for record in reversed(RECORDS):
        ends.insert(0, ends[0] - 19 - len(record.payload))
    cut = tmp_path / "cut"
    for length in range(ends[0], len(data) + 1):
        cut.write_bytes(data[:length])
        with read_journal(cut) as reader:
            whole = sum(end <= length for end in ends[1:])
            assert list(reader) == RECORDS[:whole]
            assert reader.good_bytes == ends[whole]
            assert reader.lost_bytes == length - ends[whole]
            assert bool(reader.stopped) == (length not in ends)
    for length in range(ends[0]):
        cut.write_bytes(data[:length])
        with pytest.raises(RunFileError, match=r"not a run journal|start of the journal is damaged"):
            read_journal(cut)


@settings(max_examples=200, deadline=None)
@given(where=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_any_flipped_bit_ends_reading_there(where: int, bit: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    directory = tmp_path_factory.mktemp("flip")
    data = bytearray(write(directory / "j", RECORDS))
    where %= len(data)
    data[where] ^= 1 << bit
    (directory / "j").write_bytes(data)
    if where < 21:  # the first 17 bytes and their check value
        with pytest.raises(RunFileError, match=r"not a run journal|start of the journal is damaged"):
            read_journal(directory / "j")
        return
    with read_journal(directory / "j") as reader:
        got = list(reader)
        assert got == RECORDS[: len(got)]
        assert len(got) < len(RECORDS)
        assert reader.good_bytes <= where
        assert reader.lost_bytes == len(data) - reader.good_bytes


def test_claimed_length_is_not_believed(tmp_path: Path) -> None:
    data = write(tmp_path / "j", RECORDS)
    for length in (MAX_PAYLOAD + 1, 0xFFFF_FFFF, 2000):
        (tmp_path / "j").write_bytes(data + struct.pack("<BHqI", 2, 0, 0, length) + bytes(1000))
        with read_journal(tmp_path / "j") as reader:
            assert list(reader) == RECORDS
            assert reader.stopped == f"record of {length} bytes goes beyond the end at byte {len(data)}"
            assert reader.lost_bytes == 1015


def test_unknown_kind_ends_reading(tmp_path: Path) -> None:
    head = struct.pack("<BHqI", 99, 0, 0, 0)
    data = write(tmp_path / "j", RECORDS)
    (tmp_path / "j").write_bytes(data + head + struct.pack("<I", zlib.crc32(head)))
    with read_journal(tmp_path / "j") as reader:
        assert list(reader) == RECORDS
        assert reader.stopped == f"unknown kind of record 99 at byte {len(data)}"


def test_long_input_becomes_several_records(tmp_path: Path) -> None:
    long = bytes(range(256)) * (MAX_PAYLOAD // 256) + b"rest"
    write(tmp_path / "j", [JournalRecord(Kind.RECEIVED, 0, 5, long)])
    with read_journal(tmp_path / "j") as reader:
        got = list(reader)
    assert [len(record.payload) for record in got] == [MAX_PAYLOAD, 4]
    assert b"".join(record.payload for record in got) == long
    with pytest.raises(UsageError, match="record too long"):
        write(tmp_path / "k", [JournalRecord(Kind.EVENT, 0, 5, long)])


def test_other_version_is_refused(tmp_path: Path) -> None:
    start = b"\x89BKJ\r\n\x1a\n" + struct.pack("<HH", 2, 0)
    (tmp_path / "j").write_bytes(start + struct.pack("<I", zlib.crc32(start)))
    with pytest.raises(RunFileError, match="journal of another version"):
        read_journal(tmp_path / "j")


def test_missing_journal(tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match="cannot open the journal: No such file"):
        read_journal(tmp_path / "j")


def test_nothing_is_written_before_flush(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "j", "run-7")
    writer.record(Kind.RECEIVED, 0, 0, b"waits")
    assert (tmp_path / "j").stat().st_size == writer.bytes_on_disk == 0
    writer.flush(sync=True)
    assert (tmp_path / "j").stat().st_size == writer.bytes_on_disk > 0
    writer.close()


def test_living_writer_is_seen_and_a_dead_one_is_not(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib, benchkit.runfile.journal as j;"
        "w = j.JournalWriter(pathlib.Path(sys.argv[1]), 'x'); w.flush();"
        "print('up', flush=True); sys.stdin.read()"
    )
    path = tmp_path / "j"
    child = subprocess.Popen([sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert child.stdin is not None
    assert child.stdout is not None
    with child:
        assert child.stdout.readline() == b"up\n"
        assert is_being_written(path)
        child.kill()
        child.wait()
    assert not is_being_written(path)
