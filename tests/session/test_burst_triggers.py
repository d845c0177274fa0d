"""A caution and then a trip of the recorder's own protection start bursts, each with its reason."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.export.export import export_run
from benchkit.model.bursts import BurstSource
from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.run import BURST_FORMAT_VERSION
from benchkit.model.stand import Stand
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.bursts import make_bursts
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.simulate.burst_sender import BurstFeed, instrument_of
from benchkit.simulate.drives import Load
from benchkit.simulate.pwm import PwmState
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.burst_udp import free_udp_address
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Polled
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

COOL_C, WARM_C, HOT_C = 60.0, 130.0, 145.0
"""Below the caution of the winding, between caution and trip, and beyond both."""
STATE = PwmState(2000.0, 100.0, 0.0, 120.0, 390.0, 60.0, gates_off=False)


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat_bursts.toml"))


@pytest.fixture
def source(loaded: LoadedStand) -> Iterator[BurstSource]:
    """40 kS/s of 8 channels, which any computer takes; started by trips and cautions as the profile says."""
    slow = replace(loaded.stand.bursts["scope"], sample_rate_hz=40_000.0)
    assert {EventKind.TRIP, EventKind.CAUTION} <= set(slow.triggers)
    address = free_udp_address()
    feed = BurstFeed(instrument_of(replace(loaded.stand, bursts={"scope": slow}), address, 3))
    feed.set(STATE)
    yield replace(slow, port=address, triggers=(EventKind.CAUTION, EventKind.TRIP))
    feed.close()


class Live(MemorySource):
    """Lines as they come at 100 Hz, with the winding as warm as ``winding_c`` says at the moment."""

    def __init__(self, stand: Stand, clock: HostClock, seconds: float = 25.0) -> None:
        super().__init__(stand, (), clock)
        rows, _ = steady_record(stand, Load.PROPELLER, 2000.0, 0.0, seconds=seconds, rate_hz=100.0, seed=4)
        self._lines: dict[float, list[bytes]] = {}
        for winding_c in (COOL_C, WARM_C, HOT_C):
            rows.values[:, self.columns.index("t_winding")] = winding_c
            self._lines[winding_c] = record_bytes(stand, rows, seed=4).splitlines(keepends=True)
        self.winding_c = COOL_C
        self._begun_ns, self._given = 0, 0

    def poll(self, timeout_s: float) -> Polled | None:
        """What has come by now; nothing is no end."""
        self._begun_ns = self._begun_ns or self._clock.now_ns()
        due = (self._clock.now_ns() - self._begun_ns) // 10_000_000
        piece = b"".join(self._lines[self.winding_c][self._given : due])
        if not piece:
            time.sleep(min(timeout_s, 0.005))
            return None
        self._pieces, self._given = iter([piece]), due
        return super().poll(timeout_s)


def turn(recorder: Recorder, is_done: Callable[[], bool]) -> None:
    """Turn the loop until something is so."""
    until = time.monotonic() + 20.0
    while not is_done():
        recorder.step()
        assert time.monotonic() < until, "it did not come"


def test_a_caution_and_a_trip_start_bursts_that_can_be_exported(
    loaded: LoadedStand, source: BurstSource, tmp_path: Path
) -> None:
    clock, desk = HostClock(), Desk()
    own = tuple(limit for limit in loaded.stand.limit_set.limits if limit.channel == "winding_temp")
    limits = replace(loaded.stand.limit_set, limits=own)
    stand = replace(loaded.stand, bursts={"scope": source}, limit_set=limits)
    rack = Live(stand, clock)
    header = header_for(loaded, format_version=BURST_FORMAT_VERSION)
    bursts = make_bursts({"scope": source}, {})
    path = tmp_path / "spin.h5"
    assert bursts is not None
    recorder = Recorder(stand, header, [rack], path, clock, desk, bursts=bursts)
    recorder.begin()
    line = bursts.lines["scope"]
    turn(recorder, lambda: bool(line.address))
    ready = time.monotonic() + 0.8
    turn(recorder, lambda: time.monotonic() > ready)  # the ring fills
    rack.winding_c = WARM_C
    turn(recorder, lambda: line.fired == 1 and not line.under_way)
    rack.winding_c = HOT_C
    turn(recorder, lambda: line.fired == 2 and not line.under_way)
    assert recorder.protection.state is State.TRIPPED
    recorder.finish()
    desk.close()
    with open_run(path) as run:
        events, kept = list(run.events()), list(run.bursts())
    told = {
        kind: next(e for e in events if e.kind is kind and e.channel == "winding_temp")
        for kind in (EventKind.CAUTION, EventKind.TRIP)
    }
    reasons = [burst.record.reason for burst in kept]
    for kind, event in told.items():
        assert f"{kind.value}: {event.message}" in reasons
        burst = kept[reasons.index(f"{kind.value}: {event.message}")]
        # laid onto the event within what the burst itself states
        assert burst.trigger_time_s == pytest.approx(event.time_s, abs=1e-6)
        assert burst.time_s[0] < 0.0 < burst.time_s[-1]
    done = export_run(path, tmp_path / "out", "csv")
    for burst in kept:
        file = done.folder / f"spin.burst-scope-{burst.number}.csv"
        table = np.loadtxt(file, delimiter=",", skiprows=1)
        head = file.read_text(encoding="utf-8").partition("\n")[0].split(",")
        assert head == ["time_from_trigger_s", *(c.name for c in source.channels)]
        assert table.shape == (len(burst), 1 + len(source.channels))
        for i in range(len(source.channels)):
            assert table[:, 1 + i] == pytest.approx(burst.values(i), rel=1e-9)
