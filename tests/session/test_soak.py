"""Four sources for a long time: memory stays flat, no row is lost by the counters, the file verifies.

At real speed 12 s in the suite and ten minutes as soak: the devices live in a process of their own, and go on counting
whatever the recorder does. At full speed seven minutes of device time in the suite and a day as soak.
"""

from __future__ import annotations

import gc
import random
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

import numpy as np
import psutil
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.samples import FloatArray, IntArray
from benchkit.model.sources import (
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    SerialPacketSource,
    SerialTextSource,
    UdpSource,
)
from benchkit.model.sources import Source as SourceSpec
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.layout import journal_path
from benchkit.runfile.reader import Run, open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock, ManualClock
from tests.session.devices import (
    MODULUS,
    TEXT_WRAP_MS,
    WRAPPING_TEXT,
    Cable,
    TcpServer,
    UdpSender,
    datagram,
    packet,
    stand_of,
    stuffed,
    text_source,
    wrapping_line,
)
from tests.session.headers import header_for

ROOT = Path(__file__).resolve().parents[2]
FIELDS = (
    PacketField("count", NumberType.U32),
    PacketField("t_us", NumberType.U32),
    PacketField("load", NumberType.F32),
)
BEHIND_BYTES = 1_000_000
"""The keeping process may be so far behind at full speed: some 200 turns of two batches, of 3000 that may wait."""
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
        used = memory_while(recorder.step, lambda: (clock.now_ns() - recorder.start_ns) * 1e-9 / seconds)
        summary = recorder.finish()
        desk.close()
        devices.communicate("")
    print_figures(used, summary.rows)
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


def memory_while(step: Callable[[], bool], done: Callable[[], float]) -> list[int]:
    """Resident bytes of recorder and keeping process after 30 % of the way, and at each tenth after it."""
    used: list[int] = []
    while not step():
        if done() >= 0.3 + 0.1 * len(used):
            gc.collect()
            me = psutil.Process()
            used.append(me.memory_info().rss + sum(c.memory_info().rss for c in keepers(me)))
    return used


def print_figures(used: list[int], rows: Mapping[str, int]) -> None:
    print("memory from 30 % on, a tenth each:", *(f"{each / 1e6:.1f}" for each in used), "MB")
    print("rows:", *(f"{name} {number}" for name, number in rows.items()))


def keepers(me: psutil.Process) -> list[psutil.Process]:
    alive = [child for child in me.children() if child.status() != psutil.STATUS_ZOMBIE]
    return [child for child in alive if "keeping" in " ".join(child.cmdline())]


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_four_sources_for_twelve_seconds(tmp_path: Path) -> None:
    record_for(12.0, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(900)
@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_four_sources_for_ten_minutes(tmp_path: Path) -> None:
    record_for(600.0, tmp_path)


@dataclass
class Paced:
    """A device on a real link whose crystal runs off by ``drift``, and which sends what is due when it is asked to.

    Its counter and its clock begin at row ``first``: chosen so that they start at zero again in the first six minutes.
    """

    rate_hz: float
    drift: float
    first: int
    counter_modulus: int
    wrap_s: float
    frame: Callable[[int, float], bytes]
    write: Callable[[bytes], bool]
    sent: int = 0

    def send_due(self, host_s: float) -> None:
        """Write every row that was sampled up to ``host_s`` on the host's clock."""
        due = int(host_s * self.rate_hz * (1.0 + self.drift)) + 1
        frames = [self.frame(n, self.rate_hz) for n in range(self.first + self.sent, self.first + due)]
        for data in frames if self.frame is datagram else [b"".join(frames)]:
            assert self.write(data), "the buffer of the link is full"
        self.sent = due

    def sampled_s(self, row: IntArray) -> FloatArray:
        """Host time (n,) [s] at which each row was sampled."""
        return np.asarray(row / (self.rate_hz * (1.0 + self.drift)), dtype=np.float64)


def day_of(seconds: float, folder: Path) -> None:
    """Four kinds of source on real links, ``seconds`` of the devices' and the recorder's time at full speed.

    Only the clock is driven: it goes on when the recorder has taken all that was sent, by 0.2 to 0.8 s at a time, as
    on a computer that has much else to do. Sources, decoders, protection, recording and the keeping process are the
    real ones, and every one of them lives through the whole time.
    """
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    cables, server, port = [Cable(folder / name) for name in ("bow", "hull")], TcpServer(), free_udp_port()
    udp = UdpSender(("127.0.0.1", port))
    u32_us = 2**32 * 1e-6
    devices = {
        "bow": Paced(100.0, 80e-6, 99_000, MODULUS, TEXT_WRAP_MS * 1e-3, wrapping_line, cables[0].write),
        "hull": Paced(200.0, -120e-6, 857_000, MODULUS, u32_us, stuffed, cables[1].write),
        "deck": Paced(100.0, 35e-6, 2**32 - 20_000, 2**32, u32_us, packet, server.write),
        "stern": Paced(50.0, -15e-6, 213_000, 2**32, u32_us, datagram, udp.write),
    }
    counted_to_65535 = (PacketField("count", NumberType.U16), *FIELDS[1:])
    specs: list[SourceSpec] = [
        SerialTextSource("bow", str(cables[0].name), 921_600, WRAPPING_TEXT, 2.0),
        SerialPacketSource(
            "hull", str(cables[1].name), 921_600, replace(packets(Framing.COBS, b""), fields=counted_to_65535), 2.0
        ),
        SerialPacketSource("deck", server.address, 921_600, packets(Framing.LENGTH, b"\xa5\x5a"), 2.0),
        UdpSource("stern", f"127.0.0.1:{port}", packets(Framing.DATAGRAM, b""), 2.0),
    ]
    for cable in cables:
        cable.plug()
    stand, clock, desk = stand_of(loaded.stand, specs), ManualClock(), Desk()
    sources = [build_source(spec, clock) for spec in specs]
    run_path = folder / "run.h5"
    recorder = Recorder(stand, header_for(loaded), sources, run_path, clock, desk, duration_s=seconds)
    recorder.begin()
    assert all(lane.is_open for lane in recorder.lanes.values())
    assert server.write(b""), "nobody has connected"
    turns = turns_of(recorder, clock, devices)
    used = memory_while(lambda: next(turns), lambda: clock.now_ns() * 1e-9 / seconds)
    summary = recorder.finish()
    for cable in cables:
        cable.pull()
    server.close()
    udp.close()
    desk.close()
    print_figures(used, summary.rows)
    print(f"run file: {run_path.stat().st_size / 1e9:.2f} GB")
    assert max(used[1:]) <= 1.05 * used[0], f"memory is not flat: {used}"
    assert summary.rows == {name: device.sent for name, device in devices.items()}
    with open_run(run_path) as run:
        run.verify()
        course = {EventKind.RUN_STARTED, EventKind.STATE, EventKind.RUN_CLOSED}
        told = [e for e in run.events() if e.kind not in course and not now_met(e)]
        assert not told, "a frame was refused, a gap was seen or a link was lost"
        for name, device in devices.items():
            check_rows(run, name, device)
    run_path.unlink()  # that of a day has gigabytes


def now_met(event: Event) -> bool:
    """That a permissive became met is news of the start, not of a loss."""
    return event.kind == EventKind.PERMISSIVE and bool(event.data["met"])


def turns_of(recorder: Recorder, clock: ManualClock, devices: Mapping[str, Paced]) -> Iterator[bool]:
    """Turns of the recorder; True after the last. Time goes on only when everything that was sent has been read."""
    rng = random.Random(4)
    journal = journal_path(recorder.run_path)
    for number in count():
        for device in devices.values():
            device.send_due(clock.now_ns() * 1e-9)
        idle = 0
        while any(lane.rows < devices[name].sent for name, lane in recorder.lanes.items()):
            yield recorder.step()
            idle += 1
            assert idle < 2000, "rows that were sent do not come"
        while number % 100 == 0 and journal.stat().st_size < recorder._book.bytes_taken - BEHIND_BYTES:
            time.sleep(0.001)  # a real day would not run ahead of the disk
        clock.advance(rng.uniform(0.2, 0.8))
        yield recorder.step()


def check_rows(run: Run, name: str, device: Paced) -> None:
    """Every row is there, once, in order, with what it must carry, and laid where it was sampled."""
    assert run.rows(name) == device.sent
    worst = 0.0
    for start in range(0, device.sent, 1_000_000):
        stream = run.stream(name, start, start + 1_000_000)
        row = np.arange(start, start + len(stream))
        n = device.first + row
        assert np.array_equal(stream.counter, n % device.counter_modulus), f"{name} has lost rows"
        assert np.array_equal(stream.column(f"{name}_load"), n % 1000)
        turn = stream.device_time_s - n / device.rate_hz
        assert np.allclose((turn + device.wrap_s / 2) % device.wrap_s, device.wrap_s / 2, rtol=0.0, atol=1e-5)
        assert np.all(np.diff(stream.time_s) >= 0.0)
        late = np.abs(stream.time_s - device.sampled_s(row))
        worst = max(worst, float(late[row > 60 * device.rate_hz].max(initial=0.0)))
    print(f"{name}: {device.sent} rows, sample times within {worst * 1e3:.2f} ms after the first minute")
    # the clock is driven, so the same arrivals come in every run: each read finds its newest row up to one row old
    assert worst < 1.0 / device.rate_hz


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_seven_minutes_of_device_time_at_full_speed(tmp_path: Path) -> None:
    day_of(420.0, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_day_of_four_sources_at_full_speed(tmp_path: Path) -> None:
    day_of(24 * 3600.0, tmp_path)
