"""A run of eight hours on the screen: 24 channels at 1 kHz, 690 million values, drawn from the buckets in its file.

The run is recorded by the run writer, then opened by a process of its own under offscreen Qt: time to the first full
picture with the file out of the system's memory (cold) and in it (warm), time to show any minute of it, and the peak
memory of that process. The ``_cpu_`` figures are the processor time of the same, which other programs do not lengthen.
Beside it, in the same process afterwards: reading the stream whole, a block at a time. The file takes 6.7 GB.
``pyramid_cost_percent`` is the time that making the buckets takes, of the time that the same rows take on their whole
way from bytes through decoder and protection into the run; ``pyramid_writer_ratio`` is the run writer alone, which does
little more than copy, with the buckets against without.

All figures together are taken of half an hour; ``--only`` one of them, of eight. ``python -m
tests.bench.recorded_view [HOURS]`` takes another length.
"""

from __future__ import annotations

import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import numpy as np

from benchkit.runfile.pyramid import PyramidBuilder
from tests.bench import memory_path, runfile_write
from tests.bench.figure import Figure, at_least, at_most
from tests.bench.memory import peak_bytes
from tests.bench.steady_speed import write_run

NAMES = (
    "pyramid_cost_percent",
    "pyramid_writer_ratio",
    "recorded_cold_s",
    "recorded_warm_s",
    "recorded_warm_cpu_s",
    "recorded_zoom_ms",
    "recorded_zoom_cpu_ms",
    "recorded_memory_mb",
    "recorded_read_ratio",
)
HOURS, SHORT_HOURS, PAIRS, ROWS = 8.0, 0.5, 7, 2000
ZOOMS = tuple(0.05 + 0.1 * k for k in range(10))
"""Where the minutes are looked at, as shares of the run."""


def measure() -> Iterator[Figure]:
    """Recording, then the pictures, of the whole eight hours."""
    yield from _measure(HOURS)


def measure_short() -> Iterator[Figure]:
    """The same of half an hour, where all figures are taken."""
    yield from _measure(SHORT_HOURS)


def _measure(hours: float) -> Iterator[Figure]:
    per_row = {figure.name: figure.value for figure in memory_path.measure()}["memory_path_us_per_line"]
    yield at_most("pyramid_cost_percent", 100.0 * _builder_us_per_row() / per_row, "%", 10.0)
    yield Figure("pyramid_writer_ratio", _writer_ratio(), "x without")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hours.h5"
        write_run(path, 60.0 * hours)
        command = [sys.executable, "-m", "tests.bench.recorded_view", "--one", str(path)]
        found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    yield at_most("recorded_cold_s", found["cold_s"], "s", 3.0)
    yield at_most("recorded_warm_s", found["warm_s"], "s", 1.0)
    yield at_most("recorded_warm_cpu_s", found["warm_cpu_s"], "s", 1.0)
    yield at_most("recorded_zoom_ms", 1e3 * found["zoom_s"], "ms", 100.0)
    yield at_most("recorded_zoom_cpu_ms", 1e3 * found["zoom_cpu_s"], "ms", 100.0)
    yield at_most("recorded_memory_mb", found["memory"] * 1e-6, "MB", 500.0)
    yield at_least("recorded_read_ratio", found["read_s"] / found["warm_s"], "x reading all", 1.0)


def _builder_us_per_row() -> float:
    """Rows in blocks as a recorder gets them; the best of some minutes of them."""
    rows = np.random.default_rng(1).standard_normal((ROWS, memory_path.LINES_AT_A_TIME, 24))
    time_s = np.arange(ROWS * memory_path.LINES_AT_A_TIME).reshape(ROWS, -1) * 1e-3
    best = math.inf
    for _ in range(PAIRS):
        builder = PyramidBuilder(24)
        start = time.perf_counter()
        for block_s, block in zip(time_s, rows, strict=True):
            builder.add(block_s, block_s, block)
        best = min(best, time.perf_counter() - start)
    return best / time_s.size * 1e6


def _writer_ratio() -> float:
    ratios = []
    with mock.patch.object(runfile_write, "PAIRS", 1):
        for _ in range(PAIRS):
            with mock.patch.object(PyramidBuilder, "add", return_value={}):
                without = runfile_write.measure()["recorded_mb_s"]
            ratios.append(without / runfile_write.measure()["recorded_mb_s"])
    return statistics.median(ratios)


def _one(path: Path) -> None:
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from benchkit.runfile.reader import open_run
    from gui.app import make_application, open_recorded
    from gui.windows.recorded import RecordedWindow

    application = make_application()
    found = {}
    for name in ("cold_s", "warm_s"):
        if name == "cold_s":
            _forget(path)
        start, used = time.perf_counter(), time.process_time()
        window = open_recorded(path)
        assert isinstance(window, RecordedWindow)
        window.show()
        application.processEvents()
        window.grab()
        found[name], found["warm_cpu_s"] = time.perf_counter() - start, time.process_time() - used
        if name == "cold_s":
            window.close()
    zooms, zooms_cpu = [], []
    for share in ZOOMS:
        at = window.model.start_s + share * (window.model.end_s - window.model.start_s)
        start, used = time.perf_counter(), time.process_time()
        window.start_s, window.end_s = at, at + 60.0
        window.draw()
        window.grab()
        zooms.append(time.perf_counter() - start)
        zooms_cpu.append(time.process_time() - used)
    found["zoom_s"], found["zoom_cpu_s"], found["memory"] = max(zooms), max(zooms_cpu), peak_bytes()
    window.close()
    start = time.perf_counter()
    with open_run(path) as run:
        for block in run.stream_rows("rack").blocks():
            del block
    found["read_s"] = time.perf_counter() - start
    print(json.dumps(found))


def _forget(path: Path) -> None:
    """Ask the system to drop the file from its memory."""
    if hasattr(os, "posix_fadvise"):
        with path.open("rb") as file:
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        _one(Path(sys.argv[2]))
    else:
        for figure in _measure(float(sys.argv[1]) if len(sys.argv) > 1 else HOURS):
            print(figure.line(), flush=True)
