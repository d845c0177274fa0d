"""The whole path at full speed from memory: bytes decoded, protected, recorded; and recording against bare h5py."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.bench import runfile_write
from tests.bench.figure import Figure, at_least
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

NAMES = ("memory_path_realtime", "memory_path_us_per_line", "record_mb_s", "record_ratio")
SECONDS = 60.0
RATE_HZ = 1000.0
LINES_AT_A_TIME = 32
"""A full read of a serial driver at this speed is 4 to 16 kB."""


def measure() -> Iterator[Figure]:
    """24 channels of text, 60 s of a 1 kHz stand, through the real recorder."""
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    stand = loaded.stand
    rows, _ = steady_record(stand, Load.PROPELLER, 2400.0, 0.0, seconds=SECONDS, rate_hz=RATE_HZ, seed=1)
    lines = record_bytes(stand, rows, seed=1).splitlines(keepends=True)
    pieces = [b"".join(lines[i : i + LINES_AT_A_TIME]) for i in range(0, len(lines), LINES_AT_A_TIME)]
    clock = HostClock()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "memory.h5"
        desk = Desk()
        recorder = Recorder(stand, header_for(loaded), [MemorySource(stand, pieces, clock)], path, clock, desk)
        start = time.perf_counter()
        while not recorder.step():
            pass
        seconds = time.perf_counter() - start
        recorder.finish()
        desk.close()
        with open_run(path) as run:
            stored = run.stream("rack")
            assert len(stored) == len(lines)
            assert np.all(np.isfinite(stored.values))
    yield at_least("memory_path_realtime", SECONDS / seconds, "x real time", 20.0)
    yield Figure("memory_path_us_per_line", seconds / len(lines) * 1e6, "us")
    written = runfile_write.measure()
    yield Figure("record_mb_s", written["recorded_mb_s"], "MB/s")
    yield Figure("record_ratio", written["recorded_to_bare"], "x bare h5py", "printed")
