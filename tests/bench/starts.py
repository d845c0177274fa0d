"""How long a user waits: ``benchkit --help`` against a bare interpreter."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence

from tests.bench.figure import Figure, at_most

NAMES = ("help_start_ratio", "help_start_ms")


def measure() -> Iterator[Figure]:
    """Median of 25 starts each, taken in turns."""
    bare, help_ = [], []
    for _ in range(25):
        bare.append(_seconds([sys.executable, "-c", "pass"]))
        help_.append(_seconds([sys.executable, "-m", "benchkit", "--help"]))
    ratio = statistics.median(help_) / statistics.median(bare)
    yield at_most("help_start_ratio", ratio, "x bare start", 3.0)
    yield Figure("help_start_ms", statistics.median(help_) * 1e3, "ms")


def _seconds(command: Sequence[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start
