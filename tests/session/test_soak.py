"""Four sources for a long time: memory stays flat, no row is lost by the counters, the file verifies.

20 s in the suite; ten minutes at real speed, and a day of device time at full speed, as soak. The devices live in a
process of their own, and go on counting whatever the recorder does.
"""

from __future__ import annotations

import gc
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
import pytest

from benchkit.model.samples import Rows
from benchkit.model.sources import (
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    SerialPacketSource,
    UdpSource,
)
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Polled
from tests.session.devices import MODULUS, stand_of, text_source
from tests.session.headers import header_for

ROOT = Path(__file__).resolve().parents[2]
FIELDS = (
    PacketField("count", NumberType.U32),
    PacketField("t_us", NumberType.U32),
    PacketField("load", NumberType.F32),
)
RATES = {"bow": 200.0, "hull": 500.0, "deck": 200.0, "stern": 100.0}


def packets(framing: Framing, sync: bytes) -> PacketFormat:
    return PacketFormat(
        FIELDS, framing, PacketCheck.CRC32, sync=sync, counter_column="count", device_time_column="t_us"
    )


def free_udp_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def record_for(seconds: float, folder: Path) -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    port = free_udp_port()
    kinds = {"bow": "text", "hull": "packets", "deck": "udp", "stern": "tcp"}
    wheres = {"bow": f":{folder / 'bow'}", "hull": f":{folder / 'hull'}", "deck": f":{port}", "stern": ""}
    arguments = [f"{kinds[name]}:{rate}{wheres[name]}" for name, rate in RATES.items()]
    command = [sys.executable, "-m", "tests.session.devices", *arguments]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as devices:
        assert devices.stdout is not None
        addresses = {name: devices.stdout.readline().strip() for name in RATES}
        stand = stand_of(
            loaded.stand,
            [
                text_source("bow", addresses["bow"]),
                SerialPacketSource("hull", addresses["hull"], 921_600, packets(Framing.LENGTH, b"\xa5\x5a"), 0.5),
                UdpSource("deck", addresses["deck"], packets(Framing.DATAGRAM, b""), 0.5),
                text_source("stern", addresses["stern"]),
            ],
        )
        clock, desk = HostClock(), Desk()
        sources = [build_source(spec, clock) for spec in stand.sources.values()]
        run_path = folder / "run.h5"
        recorder = Recorder(stand, header_for(loaded), sources, run_path, clock, desk, duration_s=seconds)
        used = memory_while(recorder, lambda: (clock.now_ns() - recorder.start_ns) * 1e-9 / seconds)
        recorder.finish()
        desk.close()
        devices.communicate("")
    assert max(used[1:]) <= 1.05 * used[0], f"memory is not flat: {used}"
    with open_run(run_path) as run:
        run.verify()
        for name, rate in RATES.items():
            stream = run.stream(name)
            assert len(stream) > 0.8 * (seconds - 1.5) * rate, f"{name} has only {len(stream)} rows"
            steps = np.diff(stream.counter)
            assert np.all((steps == 1) | (steps == 1 - MODULUS)), f"{name} has lost rows"
            assert np.array_equal(stream.column(f"{name}_load")[:65_000], stream.counter[:65_000] % 1000)
            assert np.all(np.diff(stream.time_s) >= 0.0)


def memory_while(recorder: Recorder, done: Callable[[], float]) -> list[int]:
    """Resident bytes of recorder and keeping process after 30 % of the way, and at each tenth after it."""
    used: list[int] = []
    while not recorder.step():
        if done() >= 0.3 + 0.1 * len(used):
            gc.collect()
            me = psutil.Process()
            used.append(me.memory_info().rss + sum(c.memory_info().rss for c in keepers(me)))
    return used


def keepers(me: psutil.Process) -> list[psutil.Process]:
    return [child for child in me.children() if "keeping" in " ".join(child.cmdline())]


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_four_sources_for_twenty_seconds(tmp_path: Path) -> None:
    record_for(20.0, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(900)
@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_four_sources_for_ten_minutes(tmp_path: Path) -> None:
    record_for(600.0, tmp_path)


class Fast:
    """A day of rows at 100 Hz of device time, a thousand at a poll."""

    columns = ("load",)
    is_open = is_finished = False

    def __init__(self, name: str, clock: HostClock, rows: int) -> None:
        self.name, self._clock, self._rows, self.sent = name, clock, rows, 0

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def send(self, command: str) -> None:
        """Takes anything."""

    def poll(self, timeout_s: float) -> Polled | None:
        n = np.arange(self.sent, min(self._rows, self.sent + 1000))
        self.sent += len(n)
        self.is_finished = not len(n)
        if self.is_finished:
            return None
        now = self._clock.now_ns()
        load = (n % 1000).astype(np.float64).reshape(-1, 1)
        return Polled(b"", now, [Rows(np.full(len(n), now), n / 100.0, n % MODULUS, load)])


@pytest.fixture
def day() -> int:
    return 24 * 3600 * 100


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_a_day_of_four_sources_at_full_speed(tmp_path: Path, day: int) -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    clock, desk = HostClock(), Desk()
    stand = stand_of(loaded.stand, [text_source(name, "unused", stale_after_s=5.0) for name in RATES])
    sources = [Fast(name, clock, day) for name in RATES]
    recorder = Recorder(stand, header_for(loaded, time_factor=1.0), sources, tmp_path / "run.h5", clock, desk)
    used = memory_while(recorder, lambda: sources[-1].sent / day)
    recorder.finish()
    desk.close()
    assert max(used[1:]) <= 1.05 * used[0], f"memory is not flat: {used}"
    with open_run(tmp_path / "run.h5") as run:
        run.verify()
        for name in RATES:
            assert run.rows(name) == day
            tail = run.stream(name, -2)
            assert tail.device_time_s[-1] == pytest.approx(24 * 3600.0 - 0.01)
