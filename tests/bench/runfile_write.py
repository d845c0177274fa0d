"""How fast a run is recorded, beside what h5py alone writes: ``python tests/bench/runfile_write.py``.

Recorded: 24 channels, blocks of 1000 rows, time, arrival, device time and counter, a flush each 50 blocks, into a
run file. Bare: the values of the same blocks into one resizable 2-D dataset, ``dataset[a:b] = block``. Both rates
count the bytes they wrote, the last flush included; pairs are taken alternately and the medians compared.
"""

from __future__ import annotations

import json
import statistics
import tempfile
import time
from pathlib import Path

import h5py
import numpy as np

from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.writer import RunWriter

CHANNELS, ROWS, BLOCKS, PAIRS, FLUSH_EACH = 24, 1000, 400, 5, 50
HEADER = RunHeader("bench", "2026-03-04T10:00:00+00:00", "0", "bench", "bench", "{}")


def measure() -> dict[str, float]:
    """Median rates in MB/s (10^6 bytes) of recording and of a bare write, and their ratio."""
    random = np.random.default_rng(1)
    i = np.arange(ROWS)
    values = random.normal(size=(ROWS, CHANNELS))
    block = Block(0.001 * i, 0.001 * i, 0.001 * i, i, values, np.empty((ROWS, 0)))
    recorded, bare = [], []
    with tempfile.TemporaryDirectory() as directory:
        for pair in range(PAIRS):
            recorded.append(_recorded(Path(directory) / f"recorded{pair}.h5", block))
            bare.append(_bare(Path(directory) / f"bare{pair}.h5", values))
    ratio = statistics.median(r / b for r, b in zip(recorded, bare, strict=True))
    return {
        "recorded_mb_s": statistics.median(recorded),
        "bare_h5py_mb_s": statistics.median(bare),
        "recorded_to_bare": ratio,
        "blocks": BLOCKS,
        "rows_per_block": ROWS,
        "channels": CHANNELS,
    }


def _recorded(path: Path, block: Block) -> float:
    spec = StreamSpec("rack", tuple(StoredChannel(f"c{i}", "", "ratio", "1") for i in range(CHANNELS)))
    with RunWriter(path, HEADER, [spec]) as writer:
        start = time.perf_counter()
        for number in range(1, BLOCKS + 1):
            writer.append("rack", block)
            if number % FLUSH_EACH == 0:
                writer.flush()
        writer.flush()
        seconds = time.perf_counter() - start
    path.unlink()
    return BLOCKS * ROWS * CHANNELS * 8e-6 / seconds  # as the bare write counts: times and counter are extra work


def _bare(path: Path, values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    with h5py.File(path, "x", libver="latest") as file:
        dataset = file.create_dataset(
            "values", shape=(0, CHANNELS), maxshape=(None, CHANNELS), chunks=(ROWS, CHANNELS), dtype="f8"
        )
        start = time.perf_counter()
        for number in range(BLOCKS):
            dataset.resize((number + 1) * ROWS, axis=0)
            dataset[number * ROWS : (number + 1) * ROWS] = values
        file.flush()
        seconds = time.perf_counter() - start
    path.unlink()
    return BLOCKS * ROWS * CHANNELS * 8e-6 / seconds


if __name__ == "__main__":
    print(json.dumps(measure(), indent=2))
