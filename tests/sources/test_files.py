"""What is particular to files and replays: pace, ends, and bad files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import DataError, LinkError, UsageError
from benchkit.model.samples import BadFrame, Rows
from benchkit.sources.clock import ManualClock
from benchkit.sources.contract import Polled, Source
from benchkit.sources.csv_file import CsvSource
from benchkit.sources.replay import SLACK_NS, ReplayClock, ReplaySource
from tests.decode.contract import row
from tests.decode.text_cases import PLAIN
from tests.sources.contract import all_facts, joined, recorded


def _all(source: Source) -> list[Polled]:
    found = []
    while not source.is_finished:
        polled = source.poll(0.1)
        found += [polled] if polled else []
    return found


def _csv(tmp_path: Path, data: bytes, pace: float | None = None, *, has_header: bool = True) -> CsvSource:
    path = tmp_path / "run.csv"
    path.write_bytes(data)
    source = CsvSource(path, PLAIN, ManualClock(), pace, has_header=has_header)
    source.open()
    return source


def test_paced_file_comes_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(b"udc,idc\n" + b"".join(b"%d,0\n" % i for i in range(10)))
    clock = ManualClock()
    source = CsvSource(path, PLAIN, clock, pace=100.0)
    source.open()
    assert source.poll(0.0) is None
    clock.advance(0.030)
    polled = source.poll(0.0)
    assert polled is not None
    assert polled.data == b"udc,idc\n0,0\n1,0\n2,0\n"
    # waits for the next line, due at 40 ms, and no longer
    polled = source.poll(5.0)
    assert polled is not None
    assert polled.data == b"3,0\n"
    assert clock.now_ns() == 40_000_000
    assert len(joined(_all(source))) == 6
    source.close()


@pytest.mark.parametrize("pace", [None, 1000.0])
def test_last_line_without_end_is_refused(tmp_path: Path, pace: float | None) -> None:
    source = _csv(tmp_path, b"udc,idc\n1,2\n3,4", pace)
    events = [event for polled in _all(source) for event in polled.events]
    source.close()
    assert [type(e) for e in events] == [Rows, BadFrame]
    assert isinstance(events[1], BadFrame)
    assert events[1].frame == 3


def test_columns_in_another_order_keep_their_names(tmp_path: Path) -> None:
    source = _csv(tmp_path, b"idc,udc\n1,400\n")
    assert source.columns == ("udc", "idc")
    assert all_facts(_all(source)) == [row(400.0, 1.0)]
    source.close()


def test_file_without_names(tmp_path: Path) -> None:
    source = _csv(tmp_path, b"1,2\n", has_header=False)
    assert all_facts(_all(source)) == [row(1.0, 2.0)]
    source.close()


def test_file_may_be_opened_again_from_its_beginning(tmp_path: Path) -> None:
    source = _csv(tmp_path, b"udc,idc\n1,2\n")
    for _ in range(2):
        source.open()
        assert all_facts(_all(source)) == [row(1.0, 2.0)]
        source.close()
        with pytest.raises(LinkError, match=r"run\.csv: the file is not open"):
            source.poll(0.0)


def test_no_such_file(tmp_path: Path) -> None:
    source = CsvSource(tmp_path / "none.csv", PLAIN, ManualClock())
    with pytest.raises(LinkError, match=r"none\.csv: cannot open the file: .*Check path and rights"):
        source.open()


def test_wrong_names_leave_the_file_closed(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(b"udc,idx\n1,2\n")
    source = CsvSource(path, PLAIN, ManualClock())
    with pytest.raises(DataError, match=r"run\.csv: line 1: column 'idc' is missing.*Did you mean 'idc'\?"):
        source.open()
    assert not source.is_open


def test_pace_and_speed_must_be_positive(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a pace"):
        CsvSource(tmp_path / "run.csv", PLAIN, ManualClock(), pace=0.0)
    with pytest.raises(UsageError, match="not a speed"):
        ReplaySource("rack", ("udc",), [], ManualClock(), speed=-1.0)


@pytest.mark.parametrize("speed", [1.0, 50.0, 0.5])
def test_replay_keeps_the_rhythm(speed: float) -> None:
    clock = ManualClock(start_ns=77_000_000_000)
    source = ReplaySource("rack", ("udc", "n"), [recorded(0, 30), recorded(30, 100)], clock, speed)
    source.open()
    rows = joined(_all(source))
    original = recorded(0, 100)
    # one row each recorded millisecond, so one each 1/speed ms from the opening on
    expected = 77_000_000_000 + (np.arange(100) * 1_000_000 / speed).astype(np.int64)
    np.testing.assert_array_equal(rows.arrival_ns, expected)
    for name in ("device_time_s", "counter", "values"):
        np.testing.assert_array_equal(getattr(rows, name), getattr(original, name))
    assert clock.now_ns() >= expected[-1]


def test_replay_gives_only_what_is_due() -> None:
    clock = ManualClock()
    source = ReplaySource("rack", ("udc", "n"), [recorded(0, 100)], clock)
    source.open()
    clock.advance(0.0105)
    polled = source.poll(0.0)
    assert polled is not None
    # 0, 1, … 10 ms
    assert len(joined([polled])) == 11
    assert source.poll(0.0001) is None
    polled = source.poll(0.01)
    assert polled is not None
    assert joined([polled]).counter.tolist() == [11]


@pytest.mark.parametrize("turn_s", [0.0001, 0.003, 2.0])
def test_a_replay_that_cannot_keep_up_takes_longer_and_makes_no_silence(turn_s: float) -> None:
    host = ManualClock(start_ns=5_000_000_000)
    clock = ReplayClock(host)
    blocks = [recorded(i, i + 1) for i in range(500)]  # a row a ms, each handed out by itself
    source = ReplaySource("rack", ("udc", "n"), blocks, clock)
    source.open()
    opened_ns = clock.now_ns()
    arrivals: list[int] = []
    looks = [opened_ns]
    while not source.is_finished:
        polled = source.poll(0.005)
        host.advance(turn_s)  # what the rest of a turn takes on this computer
        if polled is not None:
            arrivals += joined([polled]).arrival_ns.tolist()
        looks.append(clock.now_ns())
        if not source.is_finished:
            assert looks[-1] - arrivals[-1] <= SLACK_NS + 1_000_000
    # the recorded spacing, however long a turn took
    assert np.diff(arrivals).tolist() == [1_000_000] * 499
    assert looks == sorted(looks)
    # exact: with turns of 2 s the replay takes 500 of them, on its own clock the half second that was recorded
    assert looks[-2] - opened_ns <= 499_000_000 + SLACK_NS


def test_the_clock_of_a_replay_goes_on_when_it_is_over() -> None:
    host = ManualClock()
    clock = ReplayClock(host)
    source = ReplaySource("rack", ("udc", "n"), [recorded(0, 1)], clock)
    source.open()
    host.advance(100.0)
    assert clock.now_ns() == SLACK_NS
    assert source.poll(0.0) is not None
    host.advance(100.0)
    assert clock.now_ns() == SLACK_NS + 100_000_000_000


def test_empty_replay_is_finished() -> None:
    source = ReplaySource("rack", ("udc", "n"), [], ManualClock())
    source.open()
    assert source.is_finished
    assert source.poll(0.01) is None
