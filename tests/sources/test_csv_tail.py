"""A file that grows: partial lines wait, replaced and cut files are told, nothing is read twice or invented."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchkit.decode.build import decoder_for
from benchkit.errors import LinkError
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import CsvTailSource, TextFormat
from benchkit.sources.clock import ManualClock
from benchkit.sources.contract import Polled
from benchkit.sources.csv_tail import CsvTail
from tests.decode.contract import Fact, decode, facts, row
from tests.sources.contract import all_facts

FORMAT = TextFormat(columns=("t_ms", "udc"), device_time_column="t_ms", max_line_bytes=64)
needs_rename = pytest.mark.skipif(os.name == "nt", reason="Windows does not rename an open file")


class Growing:
    """A tail and its file; ``seen`` are all bytes and events handed out so far."""

    def __init__(self, path: Path, start: bytes, *, skip: bool = False, names: bool = True) -> None:
        self.path, self.clock = path, ManualClock()
        path.write_bytes(start)
        self.spec = CsvTailSource("log", str(path), FORMAT, has_names=names, skip_existing=skip, stale_after_s=1.0)
        self.tail = CsvTail(self.spec, self.clock)
        self.seen: list[Polled] = []
        self.tail.open()

    def add(self, data: bytes) -> list[Fact]:
        with self.path.open("ab") as file:
            file.write(data)
        return self.poll()

    def poll(self) -> list[Fact]:
        new: list[Polled] = []
        while (polled := self.tail.poll(0.0)) is not None:
            new.append(polled)
        self.seen += new
        return all_facts(new)


def value(number: int) -> Fact:
    return row(float(number), device_time_s=number * 1e-3)


GAP: Fact = ("gap", None, 1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


@pytest.fixture
def grow(path: Path) -> Iterator[Callable[..., Growing]]:
    made: list[Growing] = []

    def make(start: bytes, **options: bool) -> Growing:
        made.append(Growing(path, start, **options))
        return made[-1]

    yield make
    for log in made:
        log.tail.close()


def test_partial_last_line_waits(grow: Callable[..., Growing]) -> None:
    log = grow(b"t_ms,udc\n1,1\n2,")
    assert log.poll() == [value(1)]
    assert log.poll() == []
    assert log.add(b"2\n3,3") == [value(2)]
    assert log.add(b"\n") == [value(3)]


def test_what_stood_there_is_history(grow: Callable[..., Growing]) -> None:
    log = grow(b"udc,t_ms\n1,1\n2,2\n3,", skip=True)
    # the unfinished line is finished after the opening; the order of the names counts
    assert log.add(b"30\n4,40\n") == [row(3.0, device_time_s=0.03), row(4.0, device_time_s=0.04)]
    assert log.seen[0].data == b"udc,t_ms\n3,30\n4,40\n"


def test_names_may_come_later(grow: Callable[..., Growing]) -> None:
    log = grow(b"", skip=True)
    assert log.poll() == []
    assert log.add(b"t_ms,u") == []
    assert log.add(b"dc\n1,1\n") == [value(1)]


@needs_rename
def test_replaced_file_is_told(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n2,2")
    log.poll()
    path.rename(path.with_suffix(".old"))
    assert log.poll() == []
    path.write_bytes(b"udc,t_ms\n3,3\n")
    assert log.poll() == [("bad", BadFrameReason.PARTIAL, b"2,2", 3), GAP, value(3)]
    assert log.add(b"4,4\n") == [value(4)]


@needs_rename
def test_rest_of_a_replaced_file_is_read(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n")
    assert log.poll() == [value(1)]
    with path.open("ab") as file:
        file.write(b"2,2\n")
    path.rename(path.with_suffix(".old"))
    path.write_bytes(b"t_ms,udc\n3,3\n")
    assert log.poll() == [value(2), GAP, value(3)]


def test_cut_file_is_read_from_its_start(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n2,2\n")
    log.poll()
    with path.open("r+b") as file:
        file.truncate(0)
    assert log.poll() == [GAP]
    assert log.add(b"t_ms,udc\n3,3\n") == [value(3)]


def test_file_written_again_and_longer_is_told(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n2,2\n")
    log.poll()
    with path.open("r+b") as file:
        file.write(b"t_ms,udc\n5,5\n6,6\n7,7\n")
    assert log.poll() == [GAP, value(5), value(6), value(7)]


def test_new_names_that_do_not_fit_bring_no_row(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n")
    log.poll()
    with path.open("r+b") as file:
        file.truncate(0)
        file.write(b"t_ms,idc\n3,3\n4,4\n")
    assert log.poll() == [GAP, ("bad", BadFrameReason.NOT_TEXT, b"t_ms,idc", 1)]
    with path.open("r+b") as file:
        file.truncate(0)
        file.write(b"t_ms,udc\n5,5\n")
    assert log.poll() == [GAP, value(5)]


@needs_rename
def test_bytes_alone_give_the_same_rows(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"udc,t_ms\n1,1\n2,2")
    log.poll()
    path.rename(path.with_suffix(".old"))
    path.write_bytes(b"t_ms,udc\n3,3\n")
    log.poll()
    log.add(b"4,nan\nbroken\n")
    again = decode(decoder_for(log.spec), [polled.data for polled in log.seen])
    assert facts(again) == all_facts(log.seen)
    assert len(facts(again)) == 6


def test_gone_for_too_long_is_lost_and_comes_back(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n2,")
    assert log.poll() == [value(1)]
    path.unlink()
    assert log.tail.poll(0.5) is None
    # the cut line first, then the loss
    polled = log.tail.poll(5.0)
    assert polled is not None
    assert all_facts([polled]) == [("bad", BadFrameReason.PARTIAL, b"2,", 3)]
    assert not log.tail.is_open
    with pytest.raises(LinkError, match=r"sources\.log: .*log\.csv: the file is gone"):
        log.tail.poll(0.0)
    with pytest.raises(LinkError, match=r"cannot open the file: .*--port SOURCE=PATH"):
        log.tail.open()
    path.write_bytes(b"t_ms,udc\n7,7\n")
    log.tail.open()
    assert log.poll() == [("gap", None, 0), value(7)]


def test_opened_again_it_goes_on(grow: Callable[..., Growing], path: Path) -> None:
    log = grow(b"t_ms,udc\n1,1\n")
    assert log.poll() == [value(1)]
    log.tail.close()
    with path.open("ab") as file:
        file.write(b"2,2\n")
    log.tail.open()
    assert log.poll() == [("gap", None, 0), value(2)]


def test_wrong_names_at_the_opening(path: Path) -> None:
    path.write_bytes(b"t_ms,idc\n1,1\n")
    tail = CsvTail(CsvTailSource("log", str(path), FORMAT, True, False, 1.0), ManualClock())
    with pytest.raises(
        LinkError, match=r"log\.csv: line 1: the file does not fit the profile: column 'udc' is missing"
    ):
        tail.open()
    assert not tail.is_open
