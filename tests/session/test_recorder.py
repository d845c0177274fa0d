"""The recorder's loop with bytes from memory: what it stores, what it tells, and what a failing disk cannot stop."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.samples import Rows
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.journal import Kind, read_journal
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.session.redecode import redecode
from benchkit.session.repeats import MOST_A_SECOND
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture(scope="module")
def record(loaded: LoadedStand) -> tuple[Rows, list[bytes]]:
    rows, _ = steady_record(loaded.stand, Load.PROPELLER, 2000.0, 0.0, seconds=3.0, rate_hz=500.0, seed=4)
    return rows, record_bytes(loaded.stand, rows, seed=4).splitlines(keepends=True)


def make(loaded: LoadedStand, path: Path, pieces: Iterable[bytes | None]) -> tuple[Recorder, MemorySource, Desk]:
    clock, desk = HostClock(), Desk()
    source = MemorySource(loaded.stand, pieces, clock)
    return Recorder(loaded.stand, header_for(loaded), [source], path, clock, desk), source, desk


def test_every_row_is_stored_calibrated_and_raw(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    rows, lines = record
    recorder, source, desk = make(loaded, tmp_path / "run.h5", [b"".join(lines[i : i + 7]) for i in range(0, 1500, 7)])
    summary = recorder.run()
    desk.close()
    assert summary.rows == {"rack": 1500}
    with open_run(tmp_path / "run.h5") as run:
        stream = run.stream("rack")
        assert run.raw_bytes("rack") == b"".join(lines)
    columns = source.columns
    torque = rows.values[:, columns.index("tq")] * 100.0  # the profile: 100 N·m per mV/V
    # text keeps as many digits as the stand sends
    assert stream.column("shaft_torque") == pytest.approx(torque, abs=0.02)
    assert np.array_equal(stream.counter, rows.counter)
    spacing = np.diff(stream.time_s)
    assert spacing == pytest.approx(np.full(1499, 0.002), abs=2e-6)  # the device's own clock


def test_damage_is_counted_and_a_flood_of_it_does_not_flood_the_log(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    _, lines = record
    damaged = [line.replace(b",", b";", 1) if i % 3 == 1 else line for i, line in enumerate(lines[:300])]
    recorder, _, desk = make(loaded, tmp_path / "run.h5", damaged)
    recorder.run()
    status = recorder.status(recorder.clock.now_ns())
    desk.close()
    assert status.sources["rack"].bad_frames == 100
    assert status.sources["rack"].rows == 200
    with open_run(tmp_path / "run.h5") as run:
        told = [e for e in run.events() if e.kind is EventKind.BAD_FRAME]
    # the whole record took less than two seconds of host time
    assert MOST_A_SECOND < len(told) <= 3 * (MOST_A_SECOND + 1)
    # and those that were not are counted by the last one of their second
    assert len(told) + sum(int(e.data.get("untold", 0)) for e in told) == 100


def test_a_lost_link_trips_and_the_run_goes_on_after_it(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    _, lines = record
    pieces = [*lines[:50], lines[50][:20], None, *lines[60:200]]
    recorder, _, desk = make(loaded, tmp_path / "run.h5", pieces)
    while not recorder.step():
        pass
    assert recorder.protection.state is State.TRIPPED
    recorder.finish()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        kinds = [e.kind for e in run.events()]
        assert len(run.stream("rack")) == 190
    assert EventKind.SOURCE_LOST in kinds
    assert EventKind.SOURCE_BACK in kinds


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
def test_a_full_disk_is_told_stops_in_order_and_never_stops_protection(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    """The keeping process may write 600 kB to a file and no more: the system refuses, as it does on a full disk."""
    import resource

    _, lines = record
    recorder, source, desk = make(loaded, tmp_path / "run.h5", (line for line in lines * 400))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, before[1]))
    try:
        while recorder.protection.state is not State.READY:
            recorder.step()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    recorder.request_trigger(Trigger.ARM, "test")
    recorder.request_trigger(Trigger.START, "test")
    while recorder.protection.state is State.RUNNING:
        assert not recorder.step()
    assert recorder.protection.state is State.STOPPING
    assert source.sent == ["stop ramp"]
    rows = recorder.lanes["rack"].rows
    recorder.step()
    assert recorder.lanes["rack"].rows > rows  # reading and protecting go on
    assert not recorder.status(recorder.clock.now_ns()).recording
    recorder.protection.reply("rack", "ok stop ramp", recorder.clock.now_ns())
    with pytest.raises(RunFileError, match="safe"):
        recorder.finish()
    desk.close()
    found = recover(tmp_path / "run.h5", redecode)
    with open_run(found.path) as run:
        assert len(run.stream("rack")) > 100  # what the file had room for, in blocks of half a second


def test_a_keeping_process_that_dies_is_told_and_protection_goes_on(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    _, lines = record
    recorder, _, desk = make(loaded, tmp_path / "run.h5", (line for line in lines * 400))
    while recorder.lanes["rack"].rows < 200:
        recorder.step()
    assert recorder._book.keeper._piped is not None
    recorder._book.keeper._piped._process.kill()
    while recorder.status(recorder.clock.now_ns()).recording:
        assert not recorder.step()
    rows = recorder.lanes["rack"].rows
    recorder.step()
    assert recorder.lanes["rack"].rows > rows
    with pytest.raises(RunFileError, match="benchkit recover"):
        recorder.finish()
    desk.close()


def test_decoding_the_journal_again_gives_the_same_rows(
    loaded: LoadedStand, record: tuple[Rows, list[bytes]], tmp_path: Path
) -> None:
    """A run that was never closed, and whose flushed rows are taken away with the file: the journal has it all."""
    _, lines = record
    pieces = [*(b"".join(lines[i : i + 5]) for i in range(0, 400, 5)), None, *lines[420:500]]
    recorder, _, desk = make(loaded, tmp_path / "run.h5", pieces)
    while not recorder.step():
        pass
    closed = tmp_path / "copy"
    closed.mkdir()
    recorder._serve(recorder.clock.now_ns())  # hand over what waits
    journal = tmp_path / "run.h5.journal"
    fed = sum(len(piece) for piece in pieces if piece)
    while _received(journal) < fed:
        recorder.clock.sleep(0.05)
    (closed / "run.h5.journal").write_bytes(journal.read_bytes())
    recorder.finish()
    desk.close()
    found = recover(closed / "run.h5", redecode)
    with open_run(found.path) as again, open_run(tmp_path / "run.h5") as whole:
        a, b = again.stream("rack"), whole.stream("rack")
        assert np.array_equal(again.clock_fits("rack"), whole.clock_fits("rack"), equal_nan=True)
        assert len(whole.clock_fits("rack")) > 0
    assert len(a) == len(b) == 480
    for name in ("time_s", "arrival_s", "values", "counter"):
        assert np.array_equal(getattr(a, name), getattr(b, name), equal_nan=name != "counter"), name


def _received(path: Path) -> int:
    with read_journal(path) as journal:
        return sum(len(record.payload) for record in journal if record.kind is Kind.RECEIVED)
