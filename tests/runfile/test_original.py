"""Bytes that lie in a file anyway: they go past the journal, and the run is the same to the last bit."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile.ahead import ahead
from benchkit.runfile.journal import Kind, read_journal
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import Redecode, recover
from benchkit.runfile.writer import RunWriter

MakeBlock = Callable[[int, int], Block]
ORIGINAL = Path("/data/night shift.csv")


def fill(writer: RunWriter, block: MakeBlock, line: Callable[[int], bytes]) -> bytes:
    writer.event(Event(0.0, EventKind.RUN_STARTED, "imported", "rack"))
    pieces = []
    for first in range(0, 2500, 100):
        pieces.append(b"".join(map(line, range(first, first + 100))))
        writer.received("rack", first, pieces[-1])
        writer.append("rack", block(first, first + 100))
        if first == 1000:
            writer.flush()
    return b"".join(pieces)


@pytest.fixture(name="interrupted")
def _interrupted(
    tmp_path: Path, header: RunHeader, spec: StreamSpec, block: MakeBlock, line: Callable[[int], bytes]
) -> Path:
    with RunWriter(tmp_path / "run.h5", header, [spec], original=ORIGINAL) as writer:
        fill(writer, block, line)
        writer.flush()
    return writer.path


def test_the_run_is_the_same_with_and_without_a_journal_of_the_bytes(
    tmp_path: Path, header: RunHeader, spec: StreamSpec, block: MakeBlock, line: Callable[[int], bytes]
) -> None:
    closed = []
    for name, original in (("journal.h5", None), ("direct.h5", ORIGINAL)):
        writer = RunWriter(tmp_path / name, header, [spec], original=original)
        data = fill(writer, block, line)
        closed.append(writer.close())
        with open_run(tmp_path / name) as run:
            assert run.raw_bytes("rack") == data
            assert [stamp for stamp, _ in run.received("rack")] == list(range(0, 2500, 100))
    assert closed[0].content_sha256 == closed[1].content_sha256
    assert closed[0].raw_bytes == closed[1].raw_bytes == len(data)


def test_the_journal_holds_no_bytes_received(interrupted: Path) -> None:
    with read_journal(interrupted.with_name("run.h5.journal")) as reader:
        kinds = [record.kind for record in reader]
    assert kinds == [Kind.RUN, Kind.EVENT, Kind.FLUSHED]  # that of the last flush waits for the next


def test_an_interrupted_one_is_to_be_made_again(interrupted: Path, redecode: Redecode) -> None:
    result = recover(interrupted, redecode)
    assert result.rows_by_source == {"rack": 2500}
    assert result.rows_from_journal == {"rack": 0}
    assert result.problems == (
        f"this run was being made from {ORIGINAL}, which holds the bytes received: here is only what had been taken "
        "in. Make it again from that file",
    )
    with open_run(result.path) as run:
        assert "Make it again" in str(run.events()[-1].data)


def test_a_journal_left_beside_the_closed_run_can_go(
    tmp_path: Path, header: RunHeader, spec: StreamSpec, block: MakeBlock, line: Callable[[int], bytes]
) -> None:
    writer = RunWriter(tmp_path / "run.h5", header, [spec], original=ORIGINAL)
    fill(writer, block, line)
    writer.flush()
    journal = writer.journal_path.read_bytes()
    writer.close()
    writer.journal_path.write_bytes(journal)
    assert "it can be deleted" in recover(writer.path).problems[0]


def test_ahead_keeps_order_and_raises_in_place() -> None:
    def items() -> Iterator[int]:
        yield from range(100)
        raise ValueError("the disk has gone")

    coming = ahead(items())
    assert list(islice(coming, 100)) == list(range(100))
    with pytest.raises(ValueError, match="the disk has gone"):
        next(coming)


def test_ahead_ends_with_its_caller() -> None:
    made: list[int] = []

    def items() -> Iterator[int]:
        while True:
            made.append(len(made))
            yield made[-1]

    with closing(ahead(items(), depth=3)) as coming:
        assert [next(coming), next(coming)] == [0, 1]
    count = len(made)
    assert count <= 5  # two taken, at most three more
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("ahead")]
    assert len(made) == count
