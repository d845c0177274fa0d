"""One hour at 1 kHz, 24 channels: the search for steady stretches, and the whole analysis of its run file.

The search over all 24 columns stands beside one pass of numpy's mean and standard deviation over the same array. The
analysis of the file (points, balances, thrust, maps, heating, detectors, what a report draws) is a process of its own;
beside it, in the same process and the file in memory, the time to read the stream whole, and that of a pass that reads
it in blocks and keeps none: that is not charged for 800 MB of fresh memory. Each is the best of three. Its memory is
what the process needs more at its peak than before the file was opened, over one stream block: ``BLOCK_ROWS`` rows as
they are read (values, two times, device time, counter). All is imported and tried on a short run before.

All figures together are taken of half an hour; ``--only`` one of them, of the hour. ``python -m
tests.bench.steady_speed [MINUTES]`` takes another length.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchkit.runfile.reader import Run
from tests.bench.figure import Figure, at_most
from tests.bench.memory import peak_bytes, resident_bytes

NAMES = (
    "steady_search_ratio",
    "analysis_read_ratio",
    "analysis_pass_ratio",
    "analysis_memory_blocks",
    "analysis_hour_s",
)
MINUTES, SHORT_MINUTES, RATE_HZ, CHANNELS, ROWS_AT_A_TIME = 60.0, 30.0, 1000.0, 24, 10_000
SET_POINT_S = 100.0
DWELL_S = 10.0
PAIRS = 3


def measure() -> Iterator[Figure]:
    """The search, then the analysis of a file."""
    yield from _measure(MINUTES)


def measure_short() -> Iterator[Figure]:
    """The same of half an hour, where all figures are taken."""
    yield from _measure(SHORT_MINUTES)


def _measure(minutes: float) -> Iterator[Figure]:
    yield at_most("steady_search_ratio", _search_ratio(minutes), "x mean+std", 4.0)
    with tempfile.TemporaryDirectory() as folder:
        short, path = Path(folder) / "short.h5", Path(folder) / "hour.h5"
        write_run(short, 2.0)
        write_run(path, minutes)
        command = [sys.executable, "-m", "tests.bench.steady_speed", "--one", str(short), str(path)]
        found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    yield at_most("analysis_read_ratio", found["analysis_s"] / found["read_s"], "x reading", 5.0)
    yield Figure("analysis_pass_ratio", found["analysis_s"] / found["pass_s"], "x pass in blocks")
    yield at_most("analysis_memory_blocks", found["memory"] / found["block"], "stream blocks", 2.0)
    yield Figure("analysis_hour_s", found["analysis_s"] * MINUTES / minutes, "s an hour")


def _search_ratio(minutes: float) -> float:
    from benchkit.analysis.steady import find_steady

    rows = round(minutes * 60.0 * RATE_HZ)
    t = np.arange(rows) / RATE_HZ
    x = np.random.default_rng(1).standard_normal((rows, CHANNELS))
    x += 100.0 * np.floor(t / SET_POINT_S)[:, None]
    find_steady(t[:100_000], x[:100_000], [10.0] * CHANNELS, DWELL_S)
    ours = theirs = math.inf
    for _ in range(2):
        theirs = min(theirs, _seconds(lambda: (x.mean(axis=0), x.std(axis=0))))
        ours = min(ours, _seconds(lambda: find_steady(t, x, [10.0] * CHANNELS, DWELL_S)))
    assert len(find_steady(t, x, [10.0] * CHANNELS, DWELL_S)) == math.ceil(minutes * 60.0 / SET_POINT_S)
    return ours / theirs


def _seconds(work: Callable[[], object]) -> float:
    """Processor time: what other programs take meanwhile is not in it, and the file is in memory."""
    start = time.process_time()
    work()
    return time.process_time() - start


def write_run(path: Path, minutes: float) -> None:
    """A run of the example stand with 24 channels: set-points of 100 s, all of it noisy, the winding heating."""
    from benchkit.profiles import load_stand, shared_path
    from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
    from benchkit.runfile.writer import RunWriter
    from tests.session.headers import header_for

    loaded = load_stand(shared_path("stands", "airboat.toml"))
    channels = [StoredChannel(c.name, c.label, c.quantity, c.unit) for c in loaded.stand.channels_of("rack")]
    channels += [StoredChannel(f"spare_{k}", "spare", "ratio", "1") for k in range(CHANNELS - len(channels))]
    names = [channel.name for channel in channels]
    random = np.random.default_rng(2)
    noise = random.standard_normal((8 * ROWS_AT_A_TIME, len(channels)))
    with RunWriter(path, header_for(loaded), [StreamSpec("rack", tuple(channels))]) as writer:
        for start in range(0, round(minutes * 60.0 * RATE_HZ), ROWS_AT_A_TIME):
            row = np.arange(start, start + ROWS_AT_A_TIME)
            at = int(random.integers(0, 7 * ROWS_AT_A_TIME))
            values = _levels(row / RATE_HZ, names)
            values += 1e-3 * (1.0 + np.abs(values)) * noise[at : at + ROWS_AT_A_TIME]
            writer.append(
                "rack", Block(row / RATE_HZ, row / RATE_HZ, row / RATE_HZ, row % 65536, values, np.empty((row.size, 0)))
            )
        writer.close()


def _levels(t: npt.NDArray[np.float64], names: list[str]) -> npt.NDArray[np.float64]:
    """A drive at rising speed with a propeller's torque, 90 % of the power at the shaft."""
    speed = 1500.0 + 50.0 * (np.floor(t / SET_POINT_S) % 30)
    torque = 80.0 * (speed / 3000.0) ** 2
    power = speed * 2.0 * math.pi / 60.0 * torque
    levels = {
        "shaft_speed": speed,
        "shaft_torque": torque,
        "dc_voltage": np.full(t.size, 400.0),
        "dc_current": power / 0.9 / 400.0,
        "ac_power": power / 0.95,
        "thrust": 900.0 * (speed / 3000.0) ** 2,
        "winding_temp": 20.0 + 60.0 * (1.0 - np.exp(-t / 600.0)),
        "air_pressure": np.full(t.size, 101325.0),
    }
    return np.stack([levels.get(name, np.full(t.size, 20.0)) for name in names], axis=1)


def _one(short: Path, path: Path) -> None:
    from benchkit.model.stream import BLOCK_ROWS
    from benchkit.report.gather import gather
    from benchkit.runfile.reader import open_run

    gather([short])
    with open_run(path) as run:
        block = sum(a.nbytes for a in _arrays(run.stream("rack", 0, BLOCK_ROWS)))
    before = resident_bytes()
    analyses = [_seconds(lambda: gather([path]))]
    memory = peak_bytes() - before
    reads, passes = [], []
    with open_run(path) as run:
        for _ in range(PAIRS):
            reads.append(_seconds(lambda: run.stream("rack")))
            passes.append(_seconds(lambda: _pass(run, BLOCK_ROWS)))
            analyses.append(_seconds(lambda: gather([path])))
    pairs = {"analysis_s": min(analyses[1:]), "read_s": min(reads), "pass_s": min(passes)}
    print(json.dumps({**pairs, "memory": memory, "block": block}))


def _pass(run: Run, rows: int) -> None:
    """All rows of the stream, a block at a time, each let go of."""
    for start in range(0, run.rows("rack"), rows):
        run.stream("rack", start, start + rows)


def _arrays(stream: object) -> list[npt.NDArray[np.float64]]:
    return [getattr(stream, name) for name in ("time_s", "arrival_s", "device_time_s", "counter", "values")]


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        _one(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        for figure in _measure(float(sys.argv[1]) if len(sys.argv) > 1 else MINUTES):
            print(figure.line())
