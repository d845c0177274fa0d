"""A full disk: the writer says so and how much is safe, keeps what it has, and can go on or be closed.

The limit on the size of a file stands in for the disk: the system then refuses writes in the same way.
"""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile.journal import JournalRecord, JournalWriter, Kind, read_journal
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.runfile.writer import RunWriter

RECORDER = """
import importlib.util, json, resource, sys
from pathlib import Path
from benchkit.errors import RunFileError
from benchkit.runfile.writer import RunWriter
spec = importlib.util.spec_from_file_location("runs", sys.argv[1])
runs = importlib.util.module_from_spec(spec)
spec.loader.exec_module(runs)
writer = RunWriter(Path(sys.argv[2]), runs.HEADER, [runs.SPEC], start_ns=runs.START_NS)
soft = 1_500_000
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, resource.RLIM_INFINITY))
said, row = "", 0
try:
    while row < 200_000:
        before = writer.rows("rack")
        runs.record_rows(writer, row, row + 500, 500)
        row += 500
        writer.flush()
except RunFileError as error:
    said = str(error)
out = {"said": said, "safe": writer.flushed_rows("rack"), "sent": row}
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
runs.record_rows(writer, row, row + 500, 500)
try:  # room was made, but HDF5 cannot go on
    writer.flush()
except RunFileError as error:
    out["then_said"] = str(error)
try:
    out["closed"] = writer.close().rows_by_source["rack"]
except RunFileError as error:
    out["close_said"] = str(error)
print(json.dumps(out), flush=True)
"""

MakeBlock = Callable[[int, int], Block]
Redecode = Callable[[RunHeader, str, Iterable[JournalRecord]], Iterator[Block]]


def record(path: Path) -> dict[str, object]:
    conftest = Path(__file__).with_name("conftest.py")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", RECORDER, str(conftest), str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    told: dict[str, object] = json.loads(done.stdout)
    return told


@pytest.mark.skipif(sys.platform == "win32", reason="limits on the size of a file are a POSIX thing")
def test_hdf5_failed_in_a_write(tmp_path: Path, redecode: Redecode, block: MakeBlock) -> None:
    path = tmp_path / "run.h5"
    told = record(path)
    safe, sent = told["safe"], told["sent"]
    assert isinstance(safe, int)
    assert isinstance(sent, int)
    assert safe >= 1000
    assert "cannot write the run file" in str(told["said"])
    assert f"safe are {safe} rows of rack" in str(told["said"])
    assert "cannot write the run file" in str(told["then_said"])
    assert "cannot write the run file" in str(told["close_said"])
    result = recover(path, redecode)
    assert result.problems == ()
    assert result.rows_by_source["rack"] == sent + 500  # the journal went on
    with open_run(result.path) as run:
        run.verify()
        np.testing.assert_array_equal(run.stream("rack").values, block(0, sent + 500).values)


def test_waits_for_room(writer: RunWriter, block: MakeBlock, monkeypatch: pytest.MonkeyPatch) -> None:
    writer.append("rack", block(0, 700))
    writer.flush()
    writer.append("rack", block(700, 900))
    with monkeypatch.context() as full:
        full.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=1000))
        with pytest.raises(RunFileError, match=r"the disk is full; safe are 700 rows of rack.* Make room"):
            writer.flush()
        writer.append("rack", block(900, 2900))
        writer.event(Event(1.0, EventKind.RECORDING_FAULT, "disk full"))
        with pytest.raises(RunFileError, match="the disk is full; safe are 700 rows of rack"):
            writer.flush()
        assert (writer.flushed_rows("rack"), writer.rows("rack")) == (700, 2900)
    writer.append("rack", block(2900, 3000))
    writer.flush()
    assert writer.flushed_rows("rack") == 3000
    path = writer.close().path
    with open_run(path) as run:
        np.testing.assert_array_equal(run.stream("rack").values, block(0, 3000).values)
        assert [event.message for event in run.events()] == ["disk full"]


def test_too_much_waits(
    writer: RunWriter,
    redecode: Redecode,
    block: MakeBlock,
    line: Callable[[int], bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The run file ends without a hole, the journal goes on, and both together make the run."""
    monkeypatch.setattr("benchkit.runfile.writer.MAX_WAITING_BYTES", 100_000)

    def record(start: int, stop: int) -> None:
        writer.received("rack", 7_000_000_000_000 + stop, b"".join(map(line, range(start, stop))))
        writer.append("rack", block(start, stop))

    record(0, 1500)
    writer.flush()
    with monkeypatch.context() as full:
        full.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=1000))
        for start in range(1500, 9500, 1000):
            record(start, start + 1000)
    record(9500, 9600)
    for _ in range(2):
        with pytest.raises(RunFileError, match="the disk is full; safe are 1500 rows of rack"):
            writer.flush()
    with pytest.raises(RunFileError, match="the disk is full; safe are 1500 rows of rack"):
        writer.close()
    result = recover(writer.path, redecode)
    assert result.problems == ()
    assert result.rows_by_source == {"rack": 9600}
    with open_run(result.path) as run:
        np.testing.assert_array_equal(run.stream("rack").values, block(0, 9600).values)


def test_journal_ends_when_too_much_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchkit.runfile.journal.MAX_WAITING_BYTES", 1000)
    journal = JournalWriter(tmp_path / "j", "run-7")
    journal.record(Kind.RECEIVED, 0, 1, b"x" * 500)
    journal.flush()
    journal.record(Kind.RECEIVED, 0, 2, b"y" * 700)
    journal.record(Kind.RECEIVED, 0, 3, b"z" * 700)
    journal.record(Kind.RECEIVED, 0, 4, b"a")
    with pytest.raises(RunFileError, match="the journal has ended: too much waited for a full disk"):
        journal.flush()
    journal.close()
    with read_journal(tmp_path / "j") as reader:
        assert [record.payload for record in reader] == [b"x" * 500]
        assert reader.stopped == ""


def test_journal_tries_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk takes half of a write and then nothing; the half is cut off and all of it written later."""
    journal = JournalWriter(tmp_path / "j", "run-7")
    journal.record(Kind.RECEIVED, 0, 1, b"first")
    journal.flush()
    safe = journal.bytes_on_disk
    journal.record(Kind.RECEIVED, 0, 2, b"second")
    real = os.write
    answers = iter([7])

    def short(descriptor: int, data: memoryview) -> int:
        count = next(answers, None)
        if count is None:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(descriptor, data[:count])

    with monkeypatch.context() as full:
        full.setattr("os.write", short)
        with pytest.raises(RunFileError, match=r"cannot write the journal: No space left on device .*Make room"):
            journal.flush()
    assert (tmp_path / "j").stat().st_size == safe
    journal.flush()
    journal.close()
    with read_journal(tmp_path / "j") as reader:
        assert [record.payload for record in reader] == [b"first", b"second"]


def test_rows_that_hdf5_lost_do_not_pass_as_not_measured(writer: RunWriter, block: MakeBlock) -> None:
    writer.append("rack", block(0, 1000))
    writer.flush()
    for name in ("time", "arrival", "device_time", "counter", "values", "raw_values"):
        dataset = writer._store.file["streams/rack"][name]
        dataset.id.set_extent((1200, *dataset.shape[1:]))
    with pytest.raises(RunFileError, match="has rows that were never written"):
        writer.close()
    assert writer.journal_path.exists()
