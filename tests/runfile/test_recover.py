"""What a crash leaves, and what becomes of it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.errors import DataError, RunFileError
from benchkit.model.events import EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile import layout
from benchkit.runfile.journal import NO_SOURCE, JournalRecord, JournalWriter, Kind
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import Recovered, recover
from benchkit.runfile.writer import RunWriter

MakeBlock = Callable[[int, int], Block]
Redecode = Callable[[RunHeader, str, Iterable[JournalRecord]], Iterator[Block]]


def check(result: Recovered, rows: int, block: MakeBlock) -> None:
    with open_run(result.path) as run:
        assert run.is_closed
        run.verify()
        assert result.rows_by_source == {"rack": rows}
        stream, expected = run.stream("rack"), block(0, rows)
        for name in ("time_s", "arrival_s", "device_time_s", "counter", "values"):
            np.testing.assert_array_equal(getattr(stream, name), getattr(expected, name), err_msg=name)
        np.testing.assert_array_equal(run.raw_values("rack"), expected.raw)
        assert run.header.recovered_from == "run.h5"


def contents(directory: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(directory.iterdir())}


def test_rows_of_the_journal_are_added(
    crashed_run: Path, redecode: Redecode, block: MakeBlock, header: RunHeader, line: Callable[[int], bytes]
) -> None:
    before = contents(crashed_run.parent)
    result = recover(crashed_run, redecode)
    assert result.path == crashed_run.with_name("run.recovered.h5")
    assert (result.original, result.journal) == (crashed_run, crashed_run.with_name("run.h5.journal"))
    assert (result.was_closed, result.journal_bytes_lost, result.problems) == (False, 0, ())
    assert result.rows_from_journal == {"rack": 300}
    check(result, 2800, block)
    with open_run(result.path) as run:
        assert replace(run.header, recovered_from="") == header
        assert [event.kind for event in run.events()] == [
            EventKind.RUN_STARTED,
            EventKind.MARK,
            EventKind.RECORDING_FAULT,
        ]
        assert (
            run.events()[-1].message == "Recording was interrupted; recovered 2800 rows of rack (300 from the journal)"
        )
        assert run.raw_bytes("rack") == b"".join(map(line, range(2800)))
    after = contents(crashed_run.parent)
    assert after.pop("run.recovered.h5")
    assert after == before


def test_crashed_run_can_be_read_before(crashed_run: Path, block: MakeBlock) -> None:
    with open_run(crashed_run) as run:
        assert not run.is_closed
        assert run.content_sha256 == ""
        np.testing.assert_array_equal(run.stream("rack").values, block(0, 2500).values)
        with pytest.raises(RunFileError, match=r"the run was not closed. Run 'benchkit recover' on it"):
            run.verify()


def test_plain_hdf5_cannot_open_what_a_crash_left(crashed_run: Path) -> None:
    """The reason for SWMR and for recover; if a new HDF5 opens it, this part of the house can be made simpler."""
    with pytest.raises(OSError, match="already open for write"):
        h5py.File(crashed_run, "r")


def test_without_redecode_the_bytes_are_kept(crashed_run: Path, block: MakeBlock, line: Callable[[int], bytes]) -> None:
    result = recover(crashed_run)
    assert result.problems == ("rack: bytes after the last flush were kept, but not decoded",)
    check(result, 2500, block)
    with open_run(result.path) as run:
        assert run.raw_bytes("rack") == b"".join(map(line, range(2800)))


def test_path_of_the_journal_will_do(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    check(recover(crashed_run.with_name("run.h5.journal"), redecode), 2800, block)


def test_no_second_file_is_overwritten(crashed_run: Path, redecode: Redecode) -> None:
    recover(crashed_run, redecode)
    before = contents(crashed_run.parent)
    with pytest.raises(RunFileError, match="a recovered run exists already"):
        recover(crashed_run, redecode)
    assert contents(crashed_run.parent) == before


def test_closed_run_is_left_alone(closed_run: Path) -> None:
    before = contents(closed_run.parent)
    result = recover(closed_run)
    assert result.was_closed
    assert (result.path, result.problems) == (closed_run, ())
    assert result.rows_by_source == {"rack": 2500}
    assert contents(closed_run.parent) == before


def test_closed_run_with_its_journal_still_there(
    writer: RunWriter, block: MakeBlock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when the recorder dies in the last step of closing."""
    writer.received("rack", 7_000_000_000_000, b"1,2,3\n")
    writer.append("rack", block(0, 10))
    with monkeypatch.context() as dying:
        dying.setattr(Path, "unlink", lambda *_: None)
        writer.close()
    result = recover(writer.path)
    assert result.was_closed
    assert result.problems == (f"{writer.journal_path} is left over: the run holds all of it, it can be deleted",)
    assert writer.journal_path.exists()


def test_closed_run_beside_a_journal_with_more(closed_run: Path, crashed_run: Path) -> None:
    left = closed_run.with_name("closed.h5.journal")
    shutil.copy(crashed_run.with_name("run.h5.journal"), left)
    assert recover(closed_run).problems == (f"{left} holds something else than the run: keep it",)
    left.write_bytes(b"no journal")
    assert recover(closed_run).problems == (f"{left} holds something else than the run: keep it",)


def test_changed_closed_run_is_not_called_healthy(closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        file["streams/rack/values"][7, 0] = 0.0
    with pytest.raises(RunFileError, match="the content is not what was recorded"):
        recover(closed_run)


@pytest.mark.parametrize("damage", ["not there", "empty", "text", "half", "header gone"])
def test_rebuilt_from_the_journal_alone(damage: str, crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    data = crashed_run.read_bytes()
    if damage == "not there":
        crashed_run.unlink()
    else:
        crashed_run.write_bytes(
            {
                "empty": b"",
                "text": b"no HDF5 at all",
                "half": data[: len(data) // 2],
                "header gone": bytes(4096) + data[4096:],
            }[damage]
        )
    result = recover(crashed_run, redecode)
    assert len(result.problems) == 1
    assert result.problems[0].endswith("rebuilt from the journal alone")
    assert result.rows_from_journal == {"rack": 2800}
    check(result, 2800, block)


def test_journal_missing(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    crashed_run.with_name("run.h5.journal").unlink()
    result = recover(crashed_run, redecode)
    assert result.journal is None
    assert result.problems == ("the journal is missing: bytes received and rows after the last flush are lost",)
    check(result, 2500, block)


def test_both_missing(tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match="no such run file"):
        recover(tmp_path / "run.h5")


def test_torn_journal(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    """Cut in the middle of the last 300 rows: what is whole is added, what is lost is counted."""
    journal = crashed_run.with_name("run.h5.journal")
    data = journal.read_bytes()
    journal.write_bytes(data[: data.rindex(b"2699,5398.0,") + 3])  # row 2699 ends the record of rows 2680 to 2699
    result = recover(crashed_run, redecode)
    assert result.rows_from_journal == {"rack": 180}
    assert result.journal_bytes_lost > 0
    assert result.problems[0].startswith("journal: ")
    assert result.problems[0].endswith(f"{result.journal_bytes_lost} bytes lost")
    check(result, 2680, block)


def test_journal_damaged_before_the_last_flush(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    journal = crashed_run.with_name("run.h5.journal")
    data = bytearray(journal.read_bytes())
    data[data.index(b"1000,2000.0,")] ^= 1
    journal.write_bytes(data)
    result = recover(crashed_run, redecode)
    assert result.rows_from_journal == {"rack": 0}
    assert "check value of a record does not fit" in result.problems[0]
    check(result, 2500, block)


def test_journal_of_another_run_is_left_aside(
    crashed_run: Path, tmp_path: Path, header: RunHeader, redecode: Redecode, block: MakeBlock
) -> None:
    with RunWriter(tmp_path / "other.h5", replace(header, run_id="other"), []) as other:
        other.flush()
    shutil.copy(other.journal_path, crashed_run.with_name("run.h5.journal"))
    result = recover(crashed_run, redecode)
    assert result.problems == ("the journal was left aside: the journal belongs to another run",)
    assert result.journal is None
    check(result, 2500, block)


def test_rows_that_disagree_are_not_added(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    def other(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block]:
        for made in redecode(header, source, records):
            yield replace(made, values=made.values * 1.001)

    result = recover(crashed_run, other)
    assert result.problems[0].startswith("rack: the journal decodes to other rows than the file has")
    check(result, 2500, block)


def test_decoding_that_fails_keeps_what_it_gave(crashed_run: Path, redecode: Redecode, block: MakeBlock) -> None:
    def failing(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block]:
        for made in redecode(header, source, records):
            if made.counter[0] == 2600:
                raise DataError("no more of this")
            yield made

    result = recover(crashed_run, failing)
    assert result.problems == ("rack: decoding the journal ended at row 2600: no more of this",)
    check(result, 2600, block)


def test_run_that_is_being_recorded(writer: RunWriter, block: MakeBlock) -> None:
    writer.append("rack", block(0, 10))
    writer.flush()
    with pytest.raises(RunFileError, match="still being recorded"):
        recover(writer.path)
    assert writer.close().rows_by_source == {"rack": 10}


def test_died_before_anything_was_written(tmp_path: Path) -> None:
    (tmp_path / "run.h5.journal").write_bytes(b"")
    with pytest.raises(RunFileError, match="not a run journal"):
        recover(tmp_path / "run.h5")


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"{}",
        b'{"header": {}, "streams": []}',
        b'{"header": {"run_id": 5}, "streams": []}',
        b'{"header": HEADER, "streams": 7}',
        b'{"header": HEADER, "streams": [{"source": "../x", "channels": [["a", "b", "c", "d"]], "raw_columns": []}]}',
        b'{"header": HEADER, "streams": [{"source": "rack", "channels": [["a"]], "raw_columns": []}]}',
        b"[" * 100_000,
    ],
)
def test_journal_with_a_header_that_is_none(payload: bytes, tmp_path: Path) -> None:
    good = json.dumps(asdict(RunHeader("1", "2026-03-04T10:00:00+00:00", "0", "h", "s", "{}"))).encode()
    journal = JournalWriter(tmp_path / "run.h5.journal", "1")
    journal.record(Kind.RUN, NO_SOURCE, 0, payload.replace(b"HEADER", good))
    journal.flush()
    journal.close()
    with pytest.raises(RunFileError, match="the journal does not start with the header of its run"):
        recover(tmp_path / "run.h5")
    assert [path.name for path in tmp_path.iterdir()] == ["run.h5.journal"]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("run_id", 5),
        ("host", "x\0"),
        ("note", None),
        ("simulated", "no"),
        ("format_version", 1.5),
        ("time_factor", "fast"),
        ("seed", [1]),
        ("profile_texts", {"a": 1}),
        ("profile_texts", [1]),
    ],
)
def test_journal_with_a_field_of_another_type(name: str, value: object, tmp_path: Path) -> None:
    header = asdict(RunHeader("1", "2026-03-04T10:00:00+00:00", "0", "h", "s", "{}")) | {name: value}
    journal = JournalWriter(tmp_path / "run.h5.journal", "1")
    journal.record(Kind.RUN, NO_SOURCE, 0, json.dumps({"header": header, "streams": []}).encode())
    journal.flush()
    journal.close()
    with pytest.raises(RunFileError, match="the journal does not start with the header of its run"):
        recover(tmp_path / "run.h5")


def test_rows_with_room_but_no_content_are_not_rows(writer: RunWriter, block: MakeBlock) -> None:
    """HDF5 may have made room for rows whose chunk never came; they must not read as numbers or as *not measured*."""
    writer.append("rack", block(0, 1500))
    writer.flush()
    for name in layout.ROW_DATASETS:
        dataset = writer._store.file[f"streams/rack/{name.name}"]
        dataset.id.set_extent((1900, *dataset.shape[1:]))
    writer._store.file.flush()
    writer.release()
    with open_run(writer.path) as run:
        assert run.rows("rack") == 1500
    check(recover(writer.path), 1500, block)


def test_datasets_of_different_length_are_cut_to_the_common_rows(writer: RunWriter, block: MakeBlock) -> None:
    """Between flushes ``values`` is written each 1000 rows and ``time`` each 8000."""
    writer.append("rack", block(0, 1500))
    writer.flush()
    writer.append("rack", block(1500, 3700))
    writer._store.file.flush()
    assert writer._store.file["streams/rack/values"].shape[0] == 3000
    writer.release()
    check(recover(writer.path), 1500, block)


def test_no_room_for_a_copy(crashed_run: Path, redecode: Redecode, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 1000, 1000))  # type: ignore[attr-defined]
    with pytest.raises(RunFileError, match=r"no room for the recovered run .*got '1000 bytes free'"):
        recover(crashed_run, redecode)
    assert len(list(crashed_run.parent.iterdir())) == 2
