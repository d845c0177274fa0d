"""A disk that fills up: warned of before, closed in order while there is room, nothing lost when there is none."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.model.events import EventKind
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.journal import Kind, read_journal
from benchkit.runfile.layout import journal_path
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.session.desk import Desk
from benchkit.session.disk import LAST_S, check_folder, seconds_left
from benchkit.session.recorder import Recorder
from benchkit.session.redecode import redecode
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

CAN_MOUNT = sys.platform == "linux" and os.geteuid() == 0


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture(scope="module")
def lines(loaded: LoadedStand) -> list[bytes]:
    rows, _ = steady_record(loaded.stand, Load.PROPELLER, 2000.0, 0.0, seconds=3.0, rate_hz=500.0, seed=4)
    return record_bytes(loaded.stand, rows, seed=4).splitlines(keepends=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 80 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["/bin/mount", "-t", "tmpfs", "-o", "size=80m", "none", str(disk)]
    if not CAN_MOUNT or subprocess.run(mount, check=False).returncode != 0:
        pytest.skip("needs the right to mount a file system")
    yield disk
    subprocess.run(["/bin/umount", str(disk)], check=True)


def test_how_long_a_disk_lasts() -> None:
    """Exact: 1000 rows of 100 bytes and 1000 received bytes a second take 100 kB + 2 kB a second; the reserve and the
    bytes of the journal that closing copies are not there to be used."""
    usable = 102_000 * 500
    free = usable + (32 << 20) + (1 << 20) + 10_000
    assert seconds_left(free, 10_000, 1_000_000, 10.0) == pytest.approx(500.0)
    assert seconds_left(0, 10_000, 1_000_000, 10.0) == 0.0
    assert seconds_left(free, 0, 0, 10.0) is None


def test_a_folder_that_cannot_be_written_is_refused_before_the_start(loaded: LoadedStand, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(RunFileError, match=r"nothing can be written here.*--out"):
        check_folder(tmp_path / "file", loaded.stand.sources.values(), 60.0)


def test_too_little_room_is_warned_of_and_a_full_disk_refused(loaded: LoadedStand, small_disk: Path) -> None:
    specs = list(loaded.stand.sources.values())
    assert check_folder(small_disk, specs, 1.0) is None
    caution = check_folder(small_disk, specs, 3600.0)
    assert caution is not None
    assert "make room" in caution
    (small_disk / "ballast").write_bytes(b"\0" * (60 << 20))
    with pytest.raises(RunFileError, match=r"the disk is full.*Make room"):
        check_folder(small_disk, specs, 1.0)


def _paced(piece: bytes, pause_s: float) -> Iterator[bytes]:
    while True:
        time.sleep(pause_s)
        yield piece


def test_the_run_is_closed_in_order_before_the_disk_is_full(
    loaded: LoadedStand, lines: list[bytes], small_disk: Path
) -> None:
    clock, desk = HostClock(), Desk()
    # ten times the speed of a link, no more: a flood from memory fills the disk between two looks at it
    source = MemorySource(loaded.stand, _paced(b"".join(lines[:50]), 0.003), clock)
    recorder = Recorder(loaded.stand, header_for(loaded), [source], small_disk / "run.h5", clock, desk)
    while recorder.status(clock.now_ns()).recording:
        recorder.step()
    kept, rows = dict(recorder._kept), recorder.lanes["rack"].rows
    for _ in range(100):
        recorder.step()
    assert recorder.lanes["rack"].rows == rows + 5000, "protection does not go on"
    summary = recorder.finish()
    desk.close()
    assert summary.rows == kept
    with open_run(small_disk / "run.h5") as run:
        run.verify()
        assert run.rows("rack") == kept["rack"]
        told = [e for e in run.events() if e.kind is EventKind.RECORDING_FAULT]
    assert len(told) == 1
    assert "Make room" in told[0].message
    assert recorder._book.disk.left_s is not None
    assert recorder._book.disk.left_s < LAST_S


def rows_in(journal: Path) -> int:
    with read_journal(journal) as reader:
        return sum(record.payload.count(b"\n") for record in reader if record.kind is Kind.RECEIVED)


def fill_once(loaded: LoadedStand, lines: list[bytes], disk: Path, seed: int) -> None:
    """Something else fills the disk to the last byte at a random moment."""
    rng = random.Random(seed)
    clock, desk = HostClock(), Desk()
    pieces = (b"".join(lines[i % 1500 : i % 1500 + 10]) for i in range(0, 10**9, 10))
    source = MemorySource(loaded.stand, pieces, clock)
    recorder = Recorder(loaded.stand, header_for(loaded), [source], disk / "run.h5", clock, desk)
    until = rng.randrange(50_000, 1_500_000)
    recorder.begin()
    journal = journal_path(disk / "run.h5")
    recorder._book.next_disk = (
        1 << 62
    )  # by the rate of this flood the disk is soon full: closed before the moment has come
    while journal.stat().st_size < until:
        recorder.step()
    recorder._book.next_disk = 0
    with (disk / "ballast").open("wb", buffering=0) as ballast:
        try:
            while True:
                ballast.write(b"\0" * 4096)
        except OSError:
            pass
    on_disk = rows_in(journal)
    while recorder.status(clock.now_ns()).recording:
        recorder.step()
    rows = recorder.lanes["rack"].rows
    recorder.step()
    assert recorder.lanes["rack"].rows > rows, "protection does not go on"
    message = recorder._book.keeper.fault or "Make room"
    assert "Make room" in message
    try:
        recorder.finish()
        path = disk / "run.h5"
    except RunFileError as error:
        assert "Make room" in str(error)  # noqa: PT017  a run that could be closed all the same is as good
        (disk / "ballast").unlink()
        path = recover(disk / "run.h5", redecode).path
    desk.close()
    with open_run(path) as run:
        run.verify()
        assert run.rows("rack") >= on_disk > 200, "rows that were on the disk are gone"
        stream = run.stream("rack")
    assert np.all(np.isfinite(stream.values))
    for each in disk.iterdir():
        each.unlink()


def test_the_disk_is_full_at_a_random_moment(loaded: LoadedStand, lines: list[bytes], small_disk: Path) -> None:
    for seed in range(3):
        fill_once(loaded, lines, small_disk, seed)


@pytest.mark.soak
def test_the_disk_is_full_at_twenty_random_moments(loaded: LoadedStand, lines: list[bytes], small_disk: Path) -> None:
    for seed in range(20):
        fill_once(loaded, lines, small_disk, 100 + seed)
