"""A run with a CAN bus as ``docs/howto/can.md`` shows it: rows, a trip, its command on the bus, its answer."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from benchkit.decode.build import decoder_for
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.samples import Rows
from benchkit.profiles import LoadedStand, load_stand, shared_path, stand_from_json
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.decode.can_cases import DATABASE, frame, status
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "howto" / "can.md").read_text(encoding="utf-8")


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedStand:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    shutil.copy(ROOT / "tests" / "files" / "marsh_inverter.dbc", tmp_path)
    example = example.replace('"socketcan"', '"virtual"').replace('"can0"', f'"{tmp_path}"')
    (tmp_path / "stand.toml").write_text(example, encoding="utf-8")
    return load_stand(tmp_path / "stand.toml")


class Inverter:
    """The device: it talks once a turn, and takes commands."""

    def __init__(self, channel: str) -> None:
        self.bus = can.Bus(channel, interface="virtual", ignore_config=True)
        self.junction_c = 80.0
        self.state = 2
        self.commands: list[dict[str, object]] = []
        self.turn = 0

    def work(self) -> None:
        self.turn += 1
        temps = frame("InverterTemps", 0, Sensor=0, JunctionTemp=self.junction_c)
        for one in (temps, status(0, rpm=self.turn % 10_000, state=self.state)):
            self.bus.send(can.Message(arbitration_id=one.identifier, is_extended_id=False, data=one.data))
        while (message := self.bus.recv(0.0)) is not None:
            command = dict(DATABASE.decode_message(message.arbitration_id, message.data))
            self.commands.append(command)
            self.state = 3 if command["Mode"] == "Stop" else 2


def test_a_hot_junction_on_the_bus_stops_the_inverter_over_the_bus(loaded: LoadedStand, tmp_path: Path) -> None:
    rack = load_stand(shared_path("stands", "airboat.toml")).stand  # the other source of the stand
    rows, _ = steady_record(rack, Load.PROPELLER, 2000.0, 0.0, seconds=3.0, rate_hz=500.0, seed=4)
    lines = record_bytes(rack, rows, seed=4).splitlines(keepends=True) * 100
    clock, desk, inverter = HostClock(), Desk(), Inverter(str(tmp_path))
    sources = [
        MemorySource(loaded.stand, lines, clock),
        build_source(loaded.stand.sources["inverter"], clock),
    ]
    recorder = Recorder(loaded.stand, header_for(loaded), sources, tmp_path / "run.h5", clock, desk)

    def step_until(done: Callable[[], bool]) -> None:
        for _ in range(5000):
            if done():
                return
            recorder.step()
            inverter.work()
        pytest.fail("it did not come to that")

    step_until(lambda: recorder.protection.state is State.READY)
    recorder.request_trigger(Trigger.ARM, "test")
    recorder.request_trigger(Trigger.START, "test")
    step_until(lambda: recorder.protection.state is State.RUNNING)
    inverter.junction_c = 160.0
    step_until(lambda: recorder.protection.state is State.TRIPPED)
    step_until(lambda: inverter.state == 3)
    for _ in range(20):
        recorder.step()
        inverter.work()
    recorder.finish()
    desk.close()
    inverter.bus.shutdown()

    assert {"Mode": "Stop", "SpeedSet": 0, "TorqueSet": 0.0} in inverter.commands
    with open_run(tmp_path / "run.h5") as run:
        events = run.events()
        stream = run.stream("inverter")
        raw = run.raw_bytes("inverter")
        spec = stand_from_json(run.header.profile_json).sources["inverter"]
    acknowledged = [e.message for e in events if e.kind is EventKind.STOP_ACKNOWLEDGED]
    assert any("inverter_stop" in message for message in acknowledged), acknowledged
    temperature = stream.column("chip_temp")
    assert set(temperature[~np.isnan(temperature)].tolist()) == {80.0, 160.0}
    # from the run alone: the same rows out of the bytes that it carries
    decoder = decoder_for(spec)
    decoder.feed(raw, 0)
    again = [event.values for event in iter(decoder.next_event, None) if isinstance(event, Rows)]
    assert np.array_equal(np.concatenate(again)[:, 2], temperature, equal_nan=True)
