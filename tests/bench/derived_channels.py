"""What derived channels cost: the five of the page docs/howto/derived-channels.md, in blocks as they come live."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import numpy as np

from benchkit.decode.channel_map import ChannelMap
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from tests.bench.figure import Figure
from tests.profiles.derived import page_stand

NAMES = ("derived_us_per_channel_20_rows", "derived_us_per_channel_1000_rows")
TIMES = 400


def measure() -> Iterator[Figure]:
    """Time of calibration with them, less that without them, by channel."""
    plain = load_stand(shared_path("stands", "airboat.toml")).stand
    with tempfile.TemporaryDirectory() as folder:
        derived = page_stand(Path(folder)).stand
    count = len(derived.channels) - len(plain.channels)
    for rows in (20, 1000):
        spent = _us(derived, rows) - _us(plain, rows)
        yield Figure(f"derived_us_per_channel_{rows}_rows", spent / count, "us a block")


def _us(stand: Stand, rows: int) -> float:
    columns = text_format_of(stand.sources["rack"]).value_columns
    channels = ChannelMap(stand.channels_of("rack"), columns)
    values = np.random.default_rng(1).normal(10.0, 1.0, (rows, len(columns)))
    spent = []
    for _ in range(TIMES):
        start = time.perf_counter()
        channels.calibrate(values)
        spent.append(time.perf_counter() - start)
    return median(spent) * 1e6
