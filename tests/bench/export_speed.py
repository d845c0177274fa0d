"""Export of a run of 24 channels: rows a second by format, the memory it takes, and how fast a run is verified.

The reference of verify is ``hashlib.sha256`` over as many bytes in memory. Memory is the peak of a process of its own,
less that of one which exports the same run's first second.

All figures together are taken of 150 000 rows; ``--only`` one of them, of 400 000.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchkit.export.export import FORMATS
from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.verify import check_run
from benchkit.runfile.writer import RunWriter
from tests.bench.figure import Figure

CHANNELS, ROWS, SHORT_ROWS = 24, 400_000, 150_000
HEADER = RunHeader("bench", "2026-03-04T10:00:00+00:00", "0", "bench", "bench", "{}")
NAMES = (*(f"export_{to}_{what}" for to in FORMATS for what in ("rate", "memory", "size")), "verify_to_sha256")
CHILD = """
import sys, time
from pathlib import Path
from benchkit.export.export import export_run
from tests.bench.memory import peak_bytes
start = time.perf_counter()
stop_s = float(sys.argv[4]) if len(sys.argv) > 4 else None
done = export_run(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], stop_s=stop_s)
print(time.perf_counter() - start, peak_bytes() / 2**20, done.size_bytes / 1e6)
"""


def measure() -> Iterator[Figure]:
    """Rates and peaks, each format in a process of its own."""
    yield from _measure(ROWS)


def measure_short() -> Iterator[Figure]:
    """The same of fewer rows, where all figures are taken."""
    yield from _measure(SHORT_ROWS)


def _measure(rows: int) -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "bench.h5"
        _record(path, rows)
        for to in FORMATS:
            _, base_mb, _ = _export(path, Path(directory) / "second", to, "1.0")
            seconds, peak_mb, size_mb = _export(path, Path(directory) / "whole", to)
            yield Figure(f"export_{to}_rate", rows / seconds, "rows/s")
            yield Figure(f"export_{to}_memory", peak_mb - base_mb, "MB")
            yield Figure(f"export_{to}_size", size_mb, "MB")
        size = rows * (CHANNELS + 4) * 8
        start = time.perf_counter()
        hashlib.sha256(bytes(size)).hexdigest()
        bare = time.perf_counter() - start
        start = time.perf_counter()
        found = check_run(path)
        seconds = time.perf_counter() - start
        yield Figure("verify_to_sha256", seconds / bare if found.is_good else float("nan"), "ratio")


def _export(path: Path, out: Path, to: str, *more: str) -> tuple[float, float, float]:
    command = [sys.executable, "-c", CHILD, str(path), str(out), to, *more]
    text = subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout
    seconds, peak_mb, size_mb = map(float, text.split())
    return seconds, peak_mb, size_mb


def _record(path: Path, rows: int) -> None:
    """Values as instruments send them: three decimals."""
    spec = StreamSpec("rack", tuple(StoredChannel(f"c{i}", "", "ratio", "1") for i in range(CHANNELS)))
    random = np.random.default_rng(1)
    with RunWriter(path, HEADER, [spec]) as writer:
        for first in range(0, rows, 1000):
            i = np.arange(first, first + 1000)
            values = np.round(random.normal(size=(1000, CHANNELS)) * 100.0, 3)
            writer.append("rack", Block(0.001 * i, 0.001 * i, 0.001 * i, i % 65536, values, np.empty((1000, 0))))
        writer.close()


if __name__ == "__main__":
    for figure in measure():
        print(figure.line())
