"""The whole chain between real processes: simulated stand on a pty or socket, recorder, trip, stop, run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.cli.demo import recording, set_point, start, stop, wait, wait_for
from benchkit.errors import RefusedError
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.runfile.reader import open_run


def of_kind(events: list[Event], kind: EventKind) -> list[Event]:
    return [event for event in events if event.kind is kind]


def test_set_points_reach_the_stand_and_only_while_running(tmp_path: Path) -> None:
    with recording("airboat_map", tmp_path, 11) as (client, _, path):
        wait_for(client, lambda s: s.state is State.READY, 10.0)
        with pytest.raises(RefusedError, match="set-points go out in RUNNING only"):
            client.request("set", name="speed", value=1500.0)
        with pytest.raises(RefusedError, match="START"):
            client.request("start", who="test")
        start(client)
        with pytest.raises(RefusedError, match="beyond the nameplate of HERON-60"):
            client.request("set", name="speed", value=9000.0)
        with pytest.raises(RefusedError, match="not a number"):
            client.request("set", name="speed", value="fast")
        set_point(client, "speed", 1500.0, 20.0)
        set_point(client, "torque", 40.0, 30.0)
        stop(client)
        wait(client, 10.0)
        with pytest.raises(RefusedError, match=r"no such request.*Did you mean 'close'"):
            client.request("clos")
    with open_run(path) as run:
        assert run.is_closed
        stream, events = run.stream("rack"), run.events()
        sent = [e.message for e in of_kind(events, EventKind.SET_POINT)]
        assert sent == ["set speed 1500", "set torque 40"]
        reached = stream.column("shaft_speed")
        assert np.nanmax(reached) == pytest.approx(1500.0, abs=20.0)
        assert of_kind(events, EventKind.STOP_ACKNOWLEDGED)
        assert len(of_kind(events, EventKind.REFUSED)) >= 4
        # the counter shows that the recorder lost no line
        jumps = np.diff(stream.counter) % 65536
        assert np.count_nonzero(jumps != 1) == len(of_kind(events, EventKind.GAP))


def test_an_open_sensor_trips_and_the_stop_reaches_the_stand(tmp_path: Path) -> None:
    schedule = [(480.0, "fault sensor_open on t_winding")]  # 8 s of the host: a busy computer starts slowly
    with recording("airboat", tmp_path, 12, schedule) as (client, _, path):
        start(client)
        set_point(client, "speed", 2000.0, 40.0)
        status = wait_for(client, lambda s: s.state is State.TRIPPED, 20.0)
        assert status.first_out is not None
        assert status.first_out.limits == ("winding_hot",)
        with pytest.raises(RefusedError, match="winding_hot"):
            client.request("reset", who="test")
        wait(client, 40.0)
    with open_run(path) as run:
        events, stream = run.events(), run.stream("rack")
    trip = of_kind(events, EventKind.TRIP)[0]
    commanded = of_kind(events, EventKind.STOP_COMMANDED)[0]
    acknowledged = of_kind(events, EventKind.STOP_ACKNOWLEDGED)[0]
    assert trip.time_s <= commanded.time_s <= acknowledged.time_s
    assert "winding_temp" in trip.message
    assert np.isnan(stream.column("winding_temp")[-1])
    assert stream.column("shaft_speed")[-1] < 500.0  # the stand ramped down on the command


def test_a_lost_cable_trips_and_comes_back(tmp_path: Path) -> None:
    """The stand goes away in the middle of a run: missing channels trip, the recorder goes on and closes."""
    from benchkit.session.client import RecorderClient
    from benchkit.session.process import start_recorder, start_simulated_stand

    stand = start_simulated_stand("airboat", tcp="127.0.0.1:0")
    recorder, endpoints = start_recorder("airboat", tmp_path, ["--port", f"rack={stand.address}", "--quiet"])
    try:
        with RecorderClient(endpoints) as client:
            start(client)
            stand.kill()
            wait_for(client, lambda s: s.state is State.TRIPPED and s.sources["rack"].lost, 10.0)
            port = stand.address.removeprefix("socket://")
            stand = start_simulated_stand("airboat", tcp=port)
            wait_for(client, lambda s: not s.sources["rack"].lost and not s.sources["rack"].stale, 15.0)
            client.request("reset", who="test")
            wait_for(client, lambda s: s.state is State.READY, 10.0)
            client.request("close")
        assert recorder.wait(30.0) == 0
    finally:
        stand.end()
        recorder.process.kill()
    with open_run(Path(endpoints.run_path)) as run:
        kinds = [event.kind for event in run.events()]
    assert kinds.index(EventKind.SOURCE_LOST) < kinds.index(EventKind.SOURCE_BACK)
