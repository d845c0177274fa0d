"""The demo on a computer that stands still for a moment."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import psutil
import pytest

from benchkit.cli import demo
from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.runfile.reader import open_run


def test_a_recording_is_begun_again_after_a_trip_on_the_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs: list[Path] = []

    def record() -> Path:
        with demo.recording("airboat_map", tmp_path, 3) as (client, _, run_path):
            runs.append(run_path)
            demo.start(client)
            demo.set_point(client, "speed", 1000.0, 6.0)
            if len(runs) == 1:
                (stand,) = (p.pid for p in psutil.Process().children() if "simulate" in p.cmdline())
                os.kill(stand, signal.SIGSTOP)  # more than the half second after which silence trips
                time.sleep(0.8)
                os.kill(stand, signal.SIGCONT)
            demo.set_point(client, "torque", 50.0, 6.0)
            demo.stop(client)
        return run_path

    assert demo.undisturbed(record) == runs[1]
    assert "set-points go out in RUNNING only" in capsys.readouterr().out
    with open_run(runs[1]) as run:
        assert not [event for event in run.events() if event.kind is EventKind.TRIP]


def test_what_trips_each_time_is_told() -> None:
    tried = []

    def record() -> Path:
        tried.append(1)
        raise RefusedError("a trip before its time", where="demo", got="over_speed", expected="winding_hot")

    with pytest.raises(RefusedError, match="a trip before its time"):
        demo.undisturbed(record)
    assert len(tried) == demo.ATTEMPTS
