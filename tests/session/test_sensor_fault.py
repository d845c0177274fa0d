"""A current loop that breaks while it is recorded: seen live, in the event log, and counted at the end."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from benchkit.model.calibration import Calibration
from benchkit.model.events import EventKind
from benchkit.model.sensors import CurrentLoop
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.sources.clock import ManualClock
from tests.session.devices import stand_of, text_source
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource


def line(n: int, milliamps: float) -> bytes:
    body = f"{n},{n * 10},{milliamps}".encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"%s*%02X\n" % (body, check)


def test_a_broken_wire_is_told_counted_and_over_when_it_is_mended(tmp_path: Path) -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    stand = stand_of(loaded.stand, [text_source("rack", "socket://127.0.0.1:1")])
    loop = replace(stand.channels["rack_load"], calibration=Calibration(CurrentLoop(0.0, 1000.0)))
    stand = replace(stand, channels={"rack_load": loop})
    currents = [12.0] * 20 + [0.01] * 20 + [12.0] * 20
    clock, desk = ManualClock(10**9), Desk()
    source = MemorySource(stand, [line(n, current) for n, current in enumerate(currents)], clock)
    recorder = Recorder(stand, header_for(loaded), [source], tmp_path / "run.h5", clock, desk)
    while recorder.lanes["rack"].rows < 30:
        recorder.step()
    live = recorder.status(clock.now_ns()).sources["rack"].sensor_faults
    assert live == {"rack_load": "fault low: broken wire, no supply, or a fault told by the sensor, 0.01 mA"}
    recorder.run()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        events = run.events()
        values = run.stream("rack").column("rack_load")
    assert np.isnan(values).sum() == 20
    told = [e for e in events if e.kind in {EventKind.SENSOR_FAULT, EventKind.SENSOR_BACK}]
    assert [(e.kind, e.channel, e.data["current_ma"]) for e in told] == [
        (EventKind.SENSOR_FAULT, "rack_load", 0.01),
        (EventKind.SENSOR_BACK, "rack_load", 12.0),
    ]
    closed = next(e for e in events if e.kind is EventKind.RUN_CLOSED)
    assert closed.data["sources"]["rack"]["sensor_faults"] == {"rack_load": 1}
