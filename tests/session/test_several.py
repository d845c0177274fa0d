"""Several sources in one run: rates from 1 Hz to 20 kHz, a dead address, a device that falls silent."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import EventKind
from benchkit.model.samples import Rows
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.protect.permissives import SOURCES_FRESH
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock, ManualClock
from benchkit.sources.contract import Polled
from tests.session.devices import MODULUS, Cable, Device, TcpServer, stand_of, text_line, text_source
from tests.session.headers import header_for
from tests.session.test_outage import Slow


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_dead_address_delays_nobody_and_comes_in_when_it_answers(loaded: LoadedStand, tmp_path: Path) -> None:
    cable, clock, desk = Cable(tmp_path / "port"), HostClock(), Desk()
    stand = stand_of(loaded.stand, [text_source("bow", str(cable.name)), text_source("far", "socket://127.0.0.1:1")])
    far = Slow()
    far.columns = ("load",)
    cable.plug()
    device = Device(500.0, text_line, cable.write)
    device.start()
    recorder = Recorder(
        stand, header_for(loaded), [build_source(stand.sources["bow"], clock), far], tmp_path / "run.h5", clock, desk
    )
    while recorder.lanes["bow"].rows < 300:
        recorder.step()
    assert not recorder.lanes["far"].is_open
    far.gate.set()
    while not recorder.lanes["far"].is_open:
        recorder.step()
    recorder.finish()
    device.end()
    desk.close()
    cable.pull()
    assert far.closed == 1
    with open_run(tmp_path / "run.h5") as run:
        bow = run.stream("bow")
        assert run.rows("far") == 0
    assert np.all(np.diff(bow.counter) == 1)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_every_rate_on_its_own_time_base(loaded: LoadedStand, tmp_path: Path) -> None:
    """Exact: row n was taken n / rate seconds after row 0, whatever the others do."""
    rates = {"slow": 10.0, "middle": 300.0, "fast": 5000.0}
    servers = {name: TcpServer() for name in rates}
    clock, desk = HostClock(), Desk()
    stand = stand_of(loaded.stand, [text_source(name, server.address) for name, server in servers.items()])
    devices = {name: Device(rate, text_line, servers[name].write) for name, rate in rates.items()}
    sources = [build_source(spec, clock) for spec in stand.sources.values()]
    recorder = Recorder(stand, header_for(loaded), sources, tmp_path / "run.h5", clock, desk)
    recorder.begin()
    for device in devices.values():
        device.start()
    while any(lane.rows < 1.5 * rates[name] for name, lane in recorder.lanes.items()):
        recorder.step()
    recorder.finish()
    for device in devices.values():
        device.end()
    desk.close()
    for server in servers.values():
        server.close()
    with open_run(tmp_path / "run.h5") as run:
        run.verify()
        for name, rate in rates.items():
            stream = run.stream(name)
            assert len(stream) >= 1.5 * rate
            assert np.all(np.diff(stream.counter) % MODULUS == 1)
            n = np.arange(len(stream)) / rate
            # the fit may turn by the jitter of this computer; text carries microseconds
            assert stream.time_s - stream.time_s[0] == pytest.approx(n, abs=0.03)
            assert np.array_equal(stream.column(f"{name}_load"), stream.counter % 1000)
            assert run.clock_fits(name).shape[0] >= 1


class Quiet:
    """Sends a row every 10 ms of a clock that it moves itself, then nothing more; its link stays open."""

    name = "bow"
    columns = ("load",)
    is_open = is_finished = False

    def __init__(self, clock: ManualClock, rows: int) -> None:
        self._clock, self._rows, self.sent = clock, rows, 0

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def send(self, command: str) -> None:
        """Takes anything."""

    def poll(self, timeout_s: float) -> Polled | None:
        self._clock.advance(0.01)
        if self.sent >= self._rows:
            return None
        now = self._clock.now_ns()
        row = Rows(np.array([now]), np.array([self.sent * 0.01]), np.array([self.sent]), np.array([[1.0]]))
        self.sent += 1
        return Polled(b"", now, [row])


@pytest.fixture
def clock() -> Iterator[ManualClock]:
    return ManualClock(10**9)


def test_a_device_that_falls_silent_is_stale_within_its_declared_time(
    loaded: LoadedStand, tmp_path: Path, clock: ManualClock
) -> None:
    """Declared: 0.5 s. The last row comes at 0.3 s of the device; the link says nothing."""
    stand, desk = stand_of(loaded.stand, [text_source("bow", "unused", stale_after_s=0.5)]), Desk()
    source = Quiet(clock, 30)
    recorder = Recorder(stand, header_for(loaded), [source], tmp_path / "run.h5", clock, desk)
    while source.sent < 30:
        recorder.step()
    last_ns = clock.now_ns()
    assert recorder.protection.permissives[SOURCES_FRESH]
    while recorder.protection.permissives[SOURCES_FRESH]:
        recorder.step()
    silent_s = (clock.now_ns() - last_ns) * 1e-9
    assert 0.5 <= silent_s <= 0.53
    assert recorder.status(clock.now_ns()).sources["bow"].stale
    recorder.finish()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        assert run.rows("bow") == 30
        assert EventKind.SOURCE_LOST not in [e.kind for e in run.events()]
