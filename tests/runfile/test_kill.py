"""Kill the recorder at any moment: every run opens after ``recover``, and nothing that was flushed is missing."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.model.run import RunHeader
from benchkit.runfile.journal import JournalRecord, Kind, read_journal
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover

MakeBlock = Callable[[int, int], Block]
Redecode = Callable[[RunHeader, str, Iterable[JournalRecord]], Iterator[Block]]
CRASHING = Path(__file__).with_name("crashing_recorder.py")
HOW = ("steady", "busy", "closing", "starting")
START_NS = 7_000_000_000_000


def kill_once(seed: int, how: str, directory: Path, redecode: Redecode, block: MakeBlock) -> None:
    chance = random.Random(seed)
    command = [sys.executable, str(CRASHING), str(directory / "run.h5"), how]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        announced = [child.stdout.readline()]
        time.sleep(chance.uniform(0.0, 0.3 if how == "steady" else 0.1))
        child.kill()
        announced += child.stdout.readlines()
    assert announced[0], "the recorder did not start: see its own words above"
    whole = [line for line in announced if line.endswith("\n")]  # the kill may have cut the last one
    name, safe = whole[-1].split()  # a line is written after its flush has returned
    journal = directory / f"{name}.journal"
    if int(safe) == 0 and not _has_begun(journal):
        with pytest.raises(RunFileError, match=r"no such run file|not a run journal|holds no record"):
            recover(directory / name, redecode)
        return
    arrived = _rows_in(journal) if journal.exists() else int(safe)
    result = recover(directory / name, redecode)
    rows = result.rows_by_source["rack"]
    assert rows >= int(safe), announced
    assert rows >= arrived, "a row whose bytes are in the journal is missing"
    with open_run(result.path) as run:
        run.verify()
        stream, expected = run.stream("rack"), block(0, rows)
        np.testing.assert_array_equal(stream.values, expected.values)
        np.testing.assert_array_equal(stream.counter, expected.counter)
        np.testing.assert_array_equal(stream.time_s, expected.time_s)
        np.testing.assert_array_equal(run.raw_values("rack"), expected.raw)
    for other in directory.glob("run*.h5"):  # runs that were closed before the kill
        if other.name != name and other != result.path and not other.name.endswith(".recovered.h5"):
            again = recover(other, redecode)
            assert again.rows_by_source["rack"] >= (3000 if again.was_closed else 0)


def _has_begun(journal: Path) -> bool:
    """True when the first record, the header of the run, is whole."""
    if not journal.exists() or journal.stat().st_size == 0:
        return False
    with read_journal(journal) as reader:
        return next(reader, None) is not None


def _rows_in(journal: Path) -> int:
    with read_journal(journal) as reader:
        return sum(record.payload.count(b"\n") for record in reader if record.kind is Kind.RECEIVED)


@pytest.mark.parametrize("seed", range(10))
def test_killed_at_a_random_moment(seed: int, tmp_path: Path, redecode: Redecode, block: MakeBlock) -> None:
    kill_once(seed, HOW[seed % 4], tmp_path, redecode, block)


@pytest.mark.soak
@pytest.mark.timeout(900)
@pytest.mark.parametrize("how", HOW)
def test_killed_many_times(how: str, tmp_path: Path, redecode: Redecode, block: MakeBlock) -> None:
    """30 kills of each kind: 120 together."""
    for seed in range(30):
        directory = tmp_path / str(seed)
        directory.mkdir()
        kill_once(1000 + seed, how, directory, redecode, block)
