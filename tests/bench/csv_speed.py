"""A CSV file of 24 columns made into a run, beside pandas' C reader and a bare h5py write of the same numbers.

Each is a process of its own, taken alternately; time is that of the work without the start of Python, memory the peak
of that program alone. The figures are defined for 300 MB; ``python -m tests.bench.csv_speed [MB] [PAIRS]`` takes
others. All figures together are taken of 100 MB, where what a program needs to start with weighs more.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.bench.figure import Figure, at_most
from tests.bench.memory import peak_bytes

NAMES = ("csv_time_ratio", "csv_memory_ratio", "csv_import_mb_s")
COLUMNS, SIZE_MB, SHORT_MB, PAIRS = 24, 300, 100, 3


def measure() -> Iterator[Figure]:
    """Time and peak memory as ratios, and the speed."""
    yield from _measure(SIZE_MB, PAIRS)


def measure_short() -> Iterator[Figure]:
    """The same of 100 MB, where all figures are taken."""
    yield from _measure(SHORT_MB, PAIRS)


def _measure(size_mb: int, pairs: int) -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        write_file(path, size_mb)
        ours, theirs = [], []
        for _ in range(pairs):
            ours.append(_run("ours", path))
            theirs.append(_run("pandas", path))
    ratio = statistics.median(o["seconds"] / t["seconds"] for o, t in zip(ours, theirs, strict=True))
    memory = statistics.median(o["peak"] / t["peak"] for o, t in zip(ours, theirs, strict=True))
    yield at_most("csv_time_ratio", ratio, "1", 1.5)
    yield at_most("csv_memory_ratio", memory, "1", 0.5)
    yield Figure("csv_import_mb_s", size_mb / statistics.median(o["seconds"] for o in ours), "MB/s")


def write_file(path: Path, size_mb: int) -> None:
    """Device time and 23 numbers with six decimals a line, of magnitudes from 0.1 to 1000."""
    random = np.random.default_rng(1)
    form = "%.1f," + ",".join(["%.6f"] * (COLUMNS - 1)) + "\n"
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(",".join(_names()) + "\n")
        start = 0
        while file.tell() < size_mb * 1_000_000:
            values = random.normal(size=(2000, COLUMNS - 1)) * np.logspace(-1, 3, COLUMNS - 1)
            file.write("".join([form % (start + i, *row) for i, row in enumerate(values.tolist())]))
            start += 2000


def _names() -> list[str]:
    return ["t_ms", *(f"c{i}" for i in range(COLUMNS - 1))]


def _run(which: str, path: Path) -> dict[str, float]:
    out = path.with_name("out.h5")
    command = [sys.executable, "-m", "tests.bench.csv_speed", "--one", which, str(path), str(out)]
    found: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    out.unlink()
    return found


def _one(which: str, path: Path, out: Path) -> None:
    work = _ours if which == "ours" else _pandas
    seconds = work(path, out)
    print(json.dumps({"seconds": seconds, "peak": peak_bytes()}))


def _ours(path: Path, out: Path) -> float:
    from dataclasses import replace

    from benchkit.ingest.csv_import import import_csv
    from benchkit.model.calibration import Calibration
    from benchkit.model.sources import TextFormat
    from benchkit.model.stand import Channel
    from benchkit.profiles import load_stand, shared_path
    from benchkit.units import Quantity

    loaded = load_stand(shared_path("stands", "airboat.toml"))
    text = TextFormat(columns=tuple(_names()), device_time_column="t_ms", reply_prefix="")
    channels = {
        name: Channel(name, name, Quantity.RATIO, "rack", name, -1e6, 1e6, Calibration()) for name in _names()[1:]
    }
    stand = replace(loaded, stand=replace(loaded.stand, channels=channels))
    start = time.perf_counter()
    import_csv(path, stand, "rack", out, text_format=text)
    return time.perf_counter() - start


def _pandas(path: Path, out: Path) -> float:
    import h5py
    import pandas as pd

    start = time.perf_counter()
    frame = pd.read_csv(path, engine="c")
    with h5py.File(out, "w") as file:
        file.create_dataset("values", data=frame.to_numpy())
    return time.perf_counter() - start


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        _one(sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
    else:
        numbers = [int(a) for a in sys.argv[1:3]]
        for figure in _measure(*(numbers + [SIZE_MB, PAIRS][len(numbers) :])):
            print(figure.line())
