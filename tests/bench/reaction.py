"""Reaction time: a sample beyond a limit arrives, the stop command goes out.

Recorder, dashboard and device are processes of their own on a real pseudo-terminal: 1 kHz, 24 channels, 40 limits,
recording, a dashboard that draws at 30 Hz.

Meanwhile the dashboard is killed, started again, frozen (SIGSTOP) and killed once more. A bare echo loop on a second
pseudo-terminal gets a line between any two of the recorder's, so that both see the same load.

All figures together are taken of half a minute; ``--only`` one of them, of a minute.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchkit.model.events import Event, EventKind
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.process import start_recorder
from tests.bench.figure import Figure, at_most
from tests.bench.reaction_device import ECHO, write_profile

NAMES = (
    "reaction_p50_ms", "reaction_p99_ms", "reaction_p999_ms", "reaction_worst_ms", "reaction_missed_trips",
    "reaction_seen_p50_ms", "reaction_seen_p999_ms", "reaction_seen_worst_ms", "reaction_echo_p999_ms",
    "reaction_echo_ratio", "reaction_trips", "reaction_beat_p99_ms", "reaction_beat_worst_ms", "reaction_load",
)  # fmt: skip
SECONDS, SHORT_SECONDS = 60.0, 30.0
DASHBOARD = """
import sys
from pathlib import Path
import gui.windows.live as live
live.FRAME_MS = 33
from gui.app import main
main(["--attach", sys.argv[1]])
"""
"""The dashboard as it is, but at 30 frames a second."""


@dataclass(frozen=True, slots=True)
class Reactions:
    """What one run gave, times in s."""

    spikes: int
    missed: int
    """Spikes without a stop command, without a trip in the event log, or without a written command in it."""
    written_s: np.ndarray
    """From the arrival of the sample to the written command, as the recorder keeps it."""
    seen_s: np.ndarray
    """From the written line to the command, on the side of the device."""
    echo_s: np.ndarray
    """From a written line to its echo."""
    beat: dict[str, float]
    load: float


def measure() -> Iterator[Figure]:
    """The figures of one run of a minute."""
    yield from _measure(SECONDS)


def measure_short() -> Iterator[Figure]:
    """The same of half a minute, where all figures are taken."""
    yield from _measure(SHORT_SECONDS)


def _measure(seconds: float) -> Iterator[Figure]:
    found = run(seconds)
    p50, p99, p999, worst = _ms(found.written_s)
    yield Figure("reaction_p50_ms", p50, "ms")
    yield Figure("reaction_p99_ms", p99, "ms")
    yield at_most("reaction_p999_ms", p999, "ms", 5.0)
    yield Figure("reaction_worst_ms", worst, "ms")
    yield at_most("reaction_missed_trips", found.missed, "trips", 0.0)
    yield Figure("reaction_trips", found.spikes, "trips")
    p50, _, seen_p999, worst = _ms(found.seen_s)
    _, _, echo_p999, _ = _ms(found.echo_s)
    yield Figure("reaction_seen_p50_ms", p50, "ms")
    yield Figure("reaction_seen_p999_ms", seen_p999, "ms")
    yield Figure("reaction_seen_worst_ms", worst, "ms")
    yield Figure("reaction_echo_p999_ms", echo_p999, "ms")
    yield at_most("reaction_echo_ratio", seen_p999 / echo_p999, "x bare echo", 4.0)
    yield Figure("reaction_beat_p99_ms", 1e3 * found.beat["p99_s"], "ms, 50 ms due")
    yield Figure("reaction_beat_worst_ms", 1e3 * found.beat["worst_s"], "ms, 50 ms due")
    yield Figure("reaction_load", found.load, "load average")


def run(seconds: float) -> Reactions:
    """Record for ``seconds`` while the device spikes, and take both sides together."""
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as ending:
        folder = Path(name)
        profile = write_profile(folder)
        result = folder / "device.json"
        device = started(ending, "-m", "tests.bench.reaction_device", str(profile), str(seconds), "11", str(result))
        assert device.stdout is not None
        assert device.stdin is not None
        rack, echo = device.stdout.readline().split()
        started(ending, "-c", ECHO, echo)
        recorder, endpoints = start_recorder(str(profile), folder, ["--port", f"rack={rack}", "--quiet"])
        ending.callback(lambda: recorder.process.poll() is None and recorder.kill())
        live = recorder.address
        with RecorderClient(endpoints) as client:
            screen = dashboard(ending, live)
            time.sleep(4.0)  # until it draws
            device.stdin.write("go\n")
            device.stdin.flush()
            time.sleep(0.25 * seconds)
            screen.kill()
            time.sleep(0.05 * seconds)
            screen = dashboard(ending, live)
            time.sleep(0.2 * seconds)
            screen.send_signal(signal.SIGSTOP)
            time.sleep(0.15 * seconds)
            screen.send_signal(signal.SIGCONT)
            time.sleep(0.1 * seconds)
            screen.kill()
            dashboard(ending, live)
            load = os.getloadavg()[0]
            device.wait(seconds + 120.0)
            client.request("close")
            recorder.wait(60.0)
        with open_run(Path(endpoints.run_path)) as kept:
            return taken_together(json.loads(result.read_text()), list(kept.events()), load)


def taken_together(device: dict, events: list[Event], load: float) -> Reactions:
    """Both sides of one run."""
    spikes = device["spikes"]
    sent = Counter(f"l{k}" for k, _, _ in spikes)
    tripped = Counter(str(e.data["limit"]) for e in events if e.kind is EventKind.TRIP)
    uncommanded = sum(seen is None for _, _, seen in spikes)
    unlogged = sum((sent - tripped).values())
    written = [
        float(record["sample_to_written_s"])
        for event in events
        if event.kind is EventKind.STOP_ACKNOWLEDGED
        for record in event.data["reactions"]  # type: ignore[union-attr]
        if record["sample_to_written_s"] is not None  # type: ignore[index,call-overload]
    ]
    summary = next(e for e in events if e.kind is EventKind.HEARTBEAT and "beats" in e.data)
    return Reactions(
        spikes=len(spikes),
        missed=max(uncommanded, unlogged, len(spikes) - len(written)),
        written_s=np.array(written),
        seen_s=np.array([seen - sent for _, sent, seen in spikes if seen is not None]) * 1e-9,
        echo_s=np.array(device["echo_ns"]) * 1e-9,
        beat={key: float(summary.data[key]) for key in ("p99_s", "worst_s")},  # type: ignore[arg-type]
        load=load,
    )


def started(ending: contextlib.ExitStack, *arguments: str) -> subprocess.Popen[str]:
    """A Python process of ours, ended with ``ending``."""
    environment = os.environ | {"QT_QPA_PLATFORM": "offscreen"}
    pipe = subprocess.PIPE
    process = subprocess.Popen([sys.executable, *arguments], stdin=pipe, stdout=pipe, text=True, env=environment)
    ending.callback(_end, process)
    return process


def dashboard(ending: contextlib.ExitStack, live: str) -> subprocess.Popen[str]:
    """The dashboard on the recorder announced at ``live``."""
    return started(ending, "-c", DASHBOARD, live)


def _end(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait(10.0)
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(BrokenPipeError):
                pipe.close()


def _ms(seconds: np.ndarray) -> tuple[float, ...]:
    """50 %, 99 %, 99.9 % and worst in ms."""
    return (*(1e3 * float(np.quantile(seconds, q)) for q in (0.5, 0.99, 0.999)), 1e3 * float(seconds.max()))
