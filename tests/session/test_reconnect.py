"""The cable of one device is pulled at random moments; the other must not notice, and nothing may be invented."""

from __future__ import annotations

import random
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import EventKind
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.lane import RATE_ROWS
from benchkit.session.recorder import Recorder
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.session.devices import MODULUS, Cable, Device, TcpServer, stand_of, text_line, text_source
from tests.session.headers import header_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
RATE_HZ = 400.0


@dataclass
class Cuts:
    """When the cable was out: host time in ns."""

    out_ns: list[int]
    in_ns: list[int]


def pull_at_random(recorder: Recorder, cable: Cable, count: int, seed: int, cuts: Cuts) -> None:
    rng, lane = random.Random(seed), recorder.lanes["bow"]
    while not lane.rows:
        time.sleep(0.001)
    known = lane.rows + RATE_ROWS
    while lane.rows < known:  # before that nobody can say how many rows an outage takes
        time.sleep(0.001)
    for _ in range(count):
        time.sleep(rng.uniform(0.1, 0.35))
        cable.pull()
        cuts.out_ns.append(recorder.clock.now_ns())
        while lane.is_open:
            time.sleep(0.001)
        time.sleep(rng.uniform(0.0, 0.3))
        cable.plug()
        cuts.in_ns.append(recorder.clock.now_ns())
        rows = lane.rows
        while lane.rows < rows + 2:
            time.sleep(0.001)


def cut_many(count: int, folder: Path, seed: int) -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    cable, server, clock, desk = Cable(folder / "port"), TcpServer(), HostClock(), Desk()
    stand = stand_of(loaded.stand, [text_source("bow", str(cable.name)), text_source("stern", server.address)])
    cable.plug()
    devices = [Device(RATE_HZ, text_line, cable.write), Device(RATE_HZ, text_line, server.write)]
    sources = [build_source(spec, clock) for spec in stand.sources.values()]
    recorder = Recorder(stand, header_for(loaded), sources, folder / "run.h5", clock, desk)
    cuts = Cuts([], [])
    puller = threading.Thread(target=pull_at_random, args=(recorder, cable, count, seed, cuts))
    for device in devices:
        device.start()
    recorder.begin()
    puller.start()
    while puller.is_alive():
        recorder.step()
    recorder.finish()
    for device in devices:
        device.end()
    desk.close()
    server.close()

    with open_run(folder / "run.h5") as run:
        run.verify()
        bow, stern, events = run.stream("bow"), run.stream("stern"), run.events()
    for stream in (bow, stern):
        # no row invented: every one carries what the device says with that number
        n = np.round(stream.device_time_s * RATE_HZ).astype(int)
        assert np.all(np.diff(n) > 0)
        assert np.array_equal(stream.counter, n % MODULUS)
        assert np.array_equal(stream.column(stream.channels[0]), n % 1000)
        assert np.all(np.diff(stream.time_s) >= 0.0)
    assert np.all(np.diff(stern.counter) == 1), "the other source was interrupted"
    heard = [e for e in events if e.source == "stern" and e.data.get("reason") != "partial"]
    assert not heard, "the first line of a connection may be cut; nothing else may happen to the other source"

    steps = np.diff(bow.counter) % MODULUS
    told = [e.data["missing"] for e in events if e.source == "bow" and e.kind is EventKind.GAP]
    assert told == [int(step) - 1 for step in steps if step != 1], "gaps are not exact"
    lost = [e for e in events if e.source == "bow" and e.kind is EventKind.SOURCE_LOST]
    back = [e for e in events if e.source == "bow" and e.kind is EventKind.SOURCE_BACK]
    assert len(lost) == len(back) == count
    assert all(str(cable.name) in str(e.data) + e.message for e in lost), lost
    for plugged_ns, event in zip(cuts.in_ns, back, strict=True):
        assert event.time_s - (plugged_ns - recorder.start_ns) * 1e-9 < 2.0


def test_eight_cuts(tmp_path: Path) -> None:
    cut_many(8, tmp_path, seed=20260504)


@pytest.mark.soak
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fifty_cuts(tmp_path: Path, seed: int) -> None:
    cut_many(50, tmp_path, seed)
