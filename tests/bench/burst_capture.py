"""A burst instrument at 1 MS/s of 8 channels beside a recorder: what is captured, and what protection notices of it.

Two recordings by the real command of the device of the reaction benchmark (a pseudo-terminal at 1 kHz, 24 channels,
40 limits, a trip every 8 to 22 lines), the second with the simulated instrument sending over UDP and a burst every
0.6 s. The ratio compares the times from the arrival of a sample beyond a limit to the written stop command, as the
recorder keeps them.

All figures together are taken of nine seconds each; ``--only`` one of them, of fifteen.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchkit.model.events import EventKind
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.process import start_recorder
from benchkit.simulate.burst_sender import BurstFeed, instrument_of
from benchkit.simulate.pwm import PwmState
from benchkit.sources.burst_udp import free_udp_address
from tests.bench.figure import Figure, at_least, at_most
from tests.bench.reaction import started
from tests.bench.reaction_device import ECHO, write_profile

NAMES = (
    "burst_captured", "burst_samples_missing", "burst_stream_lost", "burst_reaction_p50_ms", "burst_reaction_p99_ms",
    "burst_reaction_p50_ratio", "burst_reaction_p99_ratio", "burst_rows_gaps",
)  # fmt: skip
SECONDS, SHORT_SECONDS = 15.0, 9.0
BURST_EVERY_S = 0.6
GOAL_RATIO = 1.5
STATE = PwmState(2000.0, 100.0, 0.0, 120.0, 390.0, 60.0, gates_off=False)


@dataclass(frozen=True, slots=True)
class Recorded:
    """What one recording gave; times in ms."""

    written_ms: np.ndarray
    asked: int
    bursts: int
    samples: int
    missing: int
    lost_share: float
    gaps: int


def measure() -> Iterator[Figure]:
    """Both recordings, one after the other."""
    yield from _measure(SECONDS)


def measure_short() -> Iterator[Figure]:
    """The same of nine seconds each, where all figures are taken."""
    yield from _measure(SHORT_SECONDS)


def _measure(seconds: float) -> Iterator[Figure]:
    plain, loaded = record(seconds, with_bursts=False), record(seconds, with_bursts=True)
    yield at_least("burst_captured", loaded.bursts, f"of {loaded.asked}", float(loaded.asked))
    yield Figure("burst_samples_missing", loaded.missing, f"of {loaded.samples + loaded.missing}")
    yield Figure("burst_stream_lost", 100.0 * loaded.lost_share, "% of all sent")
    for quantile in (50, 99):
        with_, without = (float(np.percentile(r.written_ms, quantile)) for r in (loaded, plain))
        yield Figure(f"burst_reaction_p{quantile}_ms", with_, "ms")
        yield at_most(f"burst_reaction_p{quantile}_ratio", with_ / without, "x without", GOAL_RATIO)
    yield Figure("burst_rows_gaps", loaded.gaps, f"gaps, {plain.gaps} without")


def record(seconds: float, *, with_bursts: bool) -> Recorded:
    """Record for so long while the device spikes."""
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as ending:
        folder = Path(name)
        profile = write_profile(folder)
        ports = []
        if with_bursts:
            example = shared_path("stands", "airboat_bursts.toml").read_text(encoding="utf-8")
            section = "[bursts.scope]" + example.split("[bursts.scope]", 1)[1]
            section = section.replace('["trip", "caution", "mark"]', "[]").replace(
                "most_bursts = 60", "most_bursts = 200"
            )
            profile.write_text(profile.read_text(encoding="utf-8") + "\n" + section, encoding="utf-8")
            address = free_udp_address()
            ports = ["--port", f"scope={address}"]
            feed = BurstFeed(replace(instrument_of(load_stand(profile).stand, address, 1), is_repeating=True))
            ending.callback(feed.close)
            feed.set(STATE)
        result = folder / "device.json"
        device = started(ending, "-m", "tests.bench.reaction_device", str(profile), str(seconds), "11", str(result))
        assert device.stdout is not None
        assert device.stdin is not None
        rack, echo = device.stdout.readline().split()
        started(ending, "-c", ECHO, echo)
        recorder, endpoints = start_recorder(str(profile), folder, ["--port", f"rack={rack}", "--quiet", *ports])
        ending.callback(lambda: recorder.process.poll() is None and recorder.kill())
        asked = 0
        with RecorderClient(endpoints) as client:
            time.sleep(4.0)
            device.stdin.write("go\n")
            device.stdin.flush()
            until = time.monotonic() + seconds
            while time.monotonic() < until:
                time.sleep(BURST_EVERY_S)
                if with_bursts:
                    client.request("burst", who="bench")
                    asked += 1
            device.wait(seconds + 120.0)
            client.request("close")
            recorder.wait(60.0)
        with open_run(Path(endpoints.run_path)) as run:
            events, bursts = run.events(), [burst.record for burst in run.bursts()]
        written = [
            1e3 * float(reaction["sample_to_written_s"])
            for event in events
            if event.kind is EventKind.STOP_ACKNOWLEDGED
            for reaction in event.data["reactions"]  # type: ignore[union-attr]
            if reaction["sample_to_written_s"] is not None  # type: ignore[index,call-overload]
        ]
        closed = next(event for event in events if event.kind is EventKind.RUN_CLOSED)
        counts = closed.data["bursts"]["scope"] if with_bursts else {"lost": 0, "received": 1}  # type: ignore[index,call-overload]
        return Recorded(
            written_ms=np.array(written),
            asked=asked,
            bursts=len(bursts),
            samples=sum(len(record.samples) for record in bursts),
            missing=sum(record.missing for record in bursts),
            lost_share=counts["lost"] / (counts["lost"] + counts["received"]),
            gaps=sum(event.kind is EventKind.GAP for event in events),
        )
