"""The live path over a real pseudo-terminal: what the recorder costs at 1 kHz, and what a bare reader costs."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from benchkit.session.client import RecorderClient
from benchkit.session.process import start_recorder, start_simulated_stand
from tests.bench.figure import Figure, at_most

NAMES = ("live_core_share", "live_share_ratio", "live_rows_lost")
SECONDS = 10.0

BARE = """
import sys, time, serial
port = serial.serial_for_url(sys.argv[1], timeout=0.02)
print("ready", flush=True)
lines, end = 0, time.perf_counter() + float(sys.argv[2])
while time.perf_counter() < end:
    data = port.read(1)
    data += port.read(port.in_waiting)
    lines += data.count(b"\\n")
"""


def measure() -> Iterator[Figure]:
    """CPU seconds per second, of the recorder (a dashboard attached) and of a loop that only counts lines."""
    with tempfile.TemporaryDirectory() as folder:
        stand = start_simulated_stand("airboat")
        try:
            recorder, endpoints = start_recorder("airboat", Path(folder), ["--port", f"rack={stand.address}"])
            with RecorderClient(endpoints) as client:
                before = _gaps(client)
                share = _share(recorder.process.pid, client)
                lost = _gaps(client) - before
                client.request("close")
                recorder.wait(30)
        finally:
            stand.end()
    bare = _bare_share()
    yield at_most("live_core_share", 100.0 * share, "% of a core", 25.0)
    yield Figure("live_share_ratio", share / bare, "x bare reader")
    yield at_most("live_rows_lost", lost, "gaps", 0.0)


def _share(pid: int, client: RecorderClient | None) -> float:
    """CPU seconds per second of a process and its children: the recorder's keeping process counts as the recorder."""
    process = psutil.Process(pid)
    time.sleep(2.0)
    family = [process, *process.children(recursive=True)]
    before, start = _cpu_s(family), time.perf_counter()
    while time.perf_counter() - start < SECONDS:
        if client is None:
            time.sleep(0.1)
        else:
            client.receive(0.05)
    return (_cpu_s(family) - before) / (time.perf_counter() - start)


def _cpu_s(processes: list[psutil.Process]) -> float:
    return sum(times.user + times.system for times in (process.cpu_times() for process in processes))


def _gaps(client: RecorderClient) -> int:
    from benchkit.session.messages import Status

    while True:
        message = client.receive(2.0)
        if isinstance(message, Status):
            return sum(source.gaps + source.bad_frames for source in message.sources.values())
        if message is None:
            raise RuntimeError("the recorder fell silent")


def _bare_share() -> float:
    import subprocess

    stand = start_simulated_stand("airboat")
    try:
        command = [sys.executable, "-c", BARE, stand.address, str(SECONDS + 4.0)]
        bare = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert bare.stdout is not None
        bare.stdout.readline()
        share = _share(bare.pid, None)
        bare.wait(30)
        bare.stdout.close()
        return share
    finally:
        stand.end()
