"""Kill a recorder at a random moment and see what is left: used by the suite, the soak and the benchmark."""

from __future__ import annotations

import json
import math
import random
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil

from benchkit.model.events import EventKind
from benchkit.runfile.journal import Kind, is_being_written, read_journal
from benchkit.runfile.layout import journal_path
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.session.client import RecorderClient
from benchkit.session.messages import LiveRows, Status
from benchkit.session.process import start_recorder
from benchkit.session.redecode import redecode

SOURCE = "rack"


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What one kill left. ``lost_s`` is host time from the last row of the recovered run to the kill."""

    rows: int
    flushed: int
    published_missing: int
    """Rows that a dashboard had received half a second before the kill and that the recovered run does not have."""
    wrong: int
    """Rows that differ from what the dashboard had received."""
    lost_s: float
    unfitted_s: float
    """Host time from the last clock fit of the recovered run to its last row; a fit is made every quarter second."""
    untold_gaps: int
    """Jumps of the device's counter for which the run has no event: a busy computer may miss lines, but says so."""


def kill_once(stand_address: str, folder: Path, rng: random.Random) -> Aftermath:
    """Record from the stand, kill the recorder after 0.3 s to 2.5 s, recover, compare with what was published."""
    recorder, endpoints = start_recorder("airboat", folder, ["--port", f"{SOURCE}={stand_address}", "--quiet"])
    received: list[LiveRows] = []
    began = math.inf
    """The start of the run on this process's clock, by the quickest of its status messages."""
    with RecorderClient(endpoints) as client:
        until = time.monotonic() + rng.uniform(0.3, 2.5)
        while time.monotonic() < until:
            message = client.receive(max(0.0, until - time.monotonic()))
            if isinstance(message, LiveRows):
                received.append(message)
            elif isinstance(message, Status):
                began = min(began, time.monotonic() - message.time_s)
        family = [recorder.process]
        if rng.random() < 0.5:  # the recorder alone, or the keeping process with it, as at a power cut
            family += psutil.Process(recorder.process.pid).children(recursive=True)
        for member in family:
            member.kill()
        killed_s = time.monotonic() - began
        recorder.wait(10.0)
        while isinstance(message := client.receive(0.05), LiveRows):
            received.append(message)
    run_path = Path(endpoints.run_path)
    while is_being_written(journal_path(run_path)):  # the keeping process hands over what it has
        time.sleep(0.01)
    flushed = _flushed(run_path)
    found = recover(run_path, redecode)
    with open_run(found.path) as run:
        assert run.is_closed
        stream = run.stream(SOURCE)
        gaps = sum(event.kind is EventKind.GAP for event in run.events())
        counter = np.diff(stream.counter) % 65536
        arrival = np.concatenate([r.arrival_s for r in received]) if received else np.empty(0)
        values = np.concatenate([r.values for r in received]) if received else np.empty((0, len(stream.channels)))
        last_published = float(arrival[-1]) if len(arrival) else 0.0
        # a subscriber misses what was published before it was connected: the first row it has says where to compare
        start = int(np.searchsorted(stream.arrival_s, arrival[0])) if len(arrival) else 0
        shared = min(len(stream) - start, len(arrival))
        same = np.array_equal(stream.values[start : start + shared], values[:shared], equal_nan=True)
        old = start + int(np.searchsorted(arrival, last_published - 0.5, side="right"))
        return Aftermath(
            rows=len(stream),
            flushed=flushed,
            published_missing=max(0, old - len(stream)),
            wrong=0 if same else shared,
            lost_s=killed_s - float(stream.arrival_s[-1]),
            unfitted_s=float(stream.arrival_s[-1] - run.clock_fits(SOURCE)[-1, 0]),
            untold_gaps=max(0, int(np.count_nonzero(counter != 1)) - gaps),
        )


def _flushed(run_path: Path) -> int:
    """Rows that the journal says were flushed, read without the code that recovers."""
    rows = 0
    with read_journal(journal_path(run_path)) as journal:
        for record in journal:
            if record.kind is Kind.FLUSHED:
                rows = int(json.loads(record.payload).get(SOURCE, rows))
    return rows
