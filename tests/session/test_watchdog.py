"""The watchdog of the simulated stand against the recorder's heartbeat, each a process of its own."""

from __future__ import annotations

import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
import serial

from benchkit.model.events import EventKind
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.messages import BeatStatus, LiveRows, Status
from benchkit.session.process import Child, start_recorder, start_simulated_stand
from tests.session.beating import profile_with_heartbeat

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP is POSIX")
WATCHDOG_S = 1.5
"""Fifteen periods: a busy computer that runs the tests must not look like a stall. A bench takes about three."""
PERIOD_S = 0.1
DROPPED = "watchdog: no new beat within 1.5 s, gates off"


@pytest.fixture
def stand() -> Iterator[Child]:
    child = start_simulated_stand("airboat", seed=4, rate_hz=200.0, watchdog_s=WATCHDOG_S)
    yield child
    child.end()


def said(stand: Child, within_s: float) -> str:
    """What the stand says about its watchdog within that time; empty when it says nothing."""
    assert stand.process.stdout is not None
    ready, _, _ = select.select([stand.process.stdout], [], [], within_s)
    return stand.process.stdout.readline().strip() if ready else ""


@contextmanager
def recording(tmp_path: Path, stand: Child) -> Iterator[tuple[Child, RecorderClient]]:
    """A recorder that beats, and a client that has seen ten beats and a turning shaft."""
    profile = profile_with_heartbeat(tmp_path, period_s=PERIOD_S)
    recorder, endpoints = start_recorder(str(profile), tmp_path, ["--port", f"rack={stand.address}", "--quiet"])
    try:
        with RecorderClient(endpoints) as client:
            beats_until(client, 10)
            client.request("arm", who="test")
            client.request("start", who="test")
            client.request("set", name="speed", value=1500, who="test")
            speed_until(client, lambda rpm: rpm > 1400.0)
            yield recorder, client
    finally:
        if recorder.process.poll() is None:
            recorder.process.send_signal(signal.SIGCONT)
            recorder.kill()


def beats_until(client: RecorderClient, count: int) -> BeatStatus:
    give_up = time.monotonic() + 60.0
    while time.monotonic() < give_up:
        message = client.receive(1.0)
        if isinstance(message, Status) and message.beats is not None and message.beats.beats >= count:
            return message.beats
    raise AssertionError("no beats")


def speed_until(client: RecorderClient, met: Callable[[float], bool]) -> None:
    give_up = time.monotonic() + 60.0
    while time.monotonic() < give_up:
        message = client.receive(1.0)
        if isinstance(message, LiveRows) and met(message.values[-1, message.channels.index("shaft_speed")]):
            return
    raise AssertionError("the speed does not come")


def test_a_stopped_recorder_loses_the_enable_and_does_not_get_it_back(tmp_path: Path, stand: Child) -> None:
    with recording(tmp_path, stand) as (recorder, client):
        recorder.process.send_signal(signal.SIGSTOP)
        assert said(stand, 60.0) == DROPPED
        recorder.process.send_signal(signal.SIGCONT)
        speed_until(client, lambda rpm: rpm < 1000.0)  # gates off: the shaft coasts down although nobody stopped it
        before = beats_until(client, 1)
        assert before.late >= 1
        assert before.worst_s is not None
        assert before.worst_s >= WATCHDOG_S - PERIOD_S  # the stall is in the figures, whole
        beats_until(client, before.beats + 30)  # beats go on, the enable stays dropped
        client.request("close")
        recorder.wait(60.0)
    with open_run(next(tmp_path.glob("*.h5"))) as run:
        events = list(run.events())
    assert DROPPED in [e.message for e in events if e.kind is EventKind.REPLY]
    (summary,) = [e for e in events if e.kind is EventKind.HEARTBEAT and "beats" in e.data]
    assert summary.data["worst_s"] >= WATCHDOG_S - PERIOD_S  # type: ignore[operator]


def test_a_killed_recorder_loses_the_enable(tmp_path: Path, stand: Child) -> None:
    with recording(tmp_path, stand) as (recorder, _):
        recorder.kill()
    assert said(stand, 60.0) == DROPPED
    with serial.serial_for_url(stand.address, timeout=1.0) as port:
        port.write(b"set speed 1500\n")
        for _ in range(20_000):
            line = port.readline()
            if line.startswith(b">refused set speed"):
                break
    assert b"the watchdog holds the enable back" in line


@pytest.fixture(scope="module")
def at_work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Child, Child, RecorderClient]]:
    """A stand, its recorder and a client, for what must not stop the beats; closed in order at the end."""
    stand = start_simulated_stand("airboat", seed=4, rate_hz=200.0, watchdog_s=WATCHDOG_S)
    try:
        with recording(tmp_path_factory.mktemp("at_work"), stand) as (recorder, client):
            yield stand, recorder, client
            client.request("close")
            recorder.wait(60.0)
    finally:
        stand.end()


def keeps_the_enable(stand: Child, client: RecorderClient, beats: int) -> None:
    first = beats_until(client, 1).beats
    last = beats_until(client, first + beats)
    assert said(stand, 0.0) == ""
    assert last.pauses == 0


def test_a_recorder_at_work_keeps_the_enable(at_work: tuple[Child, Child, RecorderClient]) -> None:
    stand, _, client = at_work
    keeps_the_enable(stand, client, 60)  # 6 s, four times what the watchdog waits


def test_slow_dashboard_and_slow_disk_are_nothing_to_the_heartbeat(
    at_work: tuple[Child, Child, RecorderClient],
) -> None:
    stand, recorder, client = at_work
    # a dashboard that attaches and never reads
    with RecorderClient(client.endpoints):
        # the process that writes to the disk hangs, as on a disk that does not answer
        (keeping,) = psutil.Process(recorder.process.pid).children()
        keeping.suspend()
        try:
            quiet = threading.Event()
            quiet.wait(3.0 * WATCHDOG_S)
            assert said(stand, 0.0) == ""
        finally:
            keeping.resume()
    keeps_the_enable(stand, client, 5)


@pytest.mark.soak
def test_a_recorder_at_work_keeps_the_enable_for_long(at_work: tuple[Child, Child, RecorderClient]) -> None:
    stand, _, client = at_work
    keeps_the_enable(stand, client, 600)
