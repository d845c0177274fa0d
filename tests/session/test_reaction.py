"""Many limits trip one after another over a real pseudo-terminal: none is missed, and the first cause is the right one.

The short form of ``tests/bench/reaction.py``, without its clock.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.messages import FirstOutStatus, Status
from benchkit.session.process import start_recorder
from tests.bench.reaction import started, taken_together
from tests.bench.reaction_device import write_profile

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pty")
ORDER = (3, 39, 0, 23, 24, 17, 31, 8)


def status_until(client: RecorderClient, met: Callable[[Status], bool]) -> Status:
    give_up = time.monotonic() + 60.0
    while time.monotonic() < give_up:
        message = client.receive(1.0)
        if isinstance(message, Status) and met(message):
            return message
    raise AssertionError("not in time")


def reset(client: RecorderClient) -> None:
    """RESET is refused while the stop is not acknowledged; ask again."""
    for _ in range(100):
        try:
            client.request("reset", who="test")
        except RefusedError:
            time.sleep(0.05)
        else:
            return
    raise AssertionError("never reset")


def test_every_spike_is_answered_and_first_out_is_right(tmp_path: Path) -> None:
    profile, result = write_profile(tmp_path), tmp_path / "device.json"
    with ExitStack() as ending:
        device = started(ending, "-m", "tests.bench.reaction_device", str(profile), "0", "1", str(result))
        assert device.stdin is not None
        assert device.stdout is not None
        rack, _ = device.stdout.readline().split()
        recorder, endpoints = start_recorder(str(profile), tmp_path, ["--port", f"rack={rack}", "--quiet"])
        ending.callback(lambda: recorder.process.poll() is None and recorder.kill())
        with RecorderClient(endpoints) as client:
            status_until(client, lambda s: s.state is State.READY)
            for k in ORDER:
                device.stdin.write(f"{k}\n")
                device.stdin.flush()
                told = status_until(client, lambda s: s.first_out is not None)
                assert isinstance(told.first_out, FirstOutStatus)
                assert (told.first_out.limits, told.first_out.order_resolved) == ((f"l{k}",), True)
                assert told.state is State.TRIPPED
                reset(client)
                status_until(client, lambda s: s.first_out is None)
            client.request("close")
            recorder.wait(60.0)
            device.stdin.close()  # later than the recorder: a link that is lost trips every limit
            device.wait(60.0)
    with open_run(Path(endpoints.run_path)) as run:
        events = list(run.events())
    found = taken_together(json.loads(result.read_text()), events, 0.0)
    assert (found.spikes, found.missed) == (len(ORDER), 0)
    assert len(found.written_s) == len(ORDER)
    assert [e.data["limit"] for e in events if e.kind is EventKind.TRIP] == [f"l{k}" for k in ORDER]
