"""What 200 limits on 200 channels cost, in blocks as they come live, against a plain numpy comparison of the block."""

from __future__ import annotations

import time
from collections.abc import Iterator
from statistics import median

import numpy as np

from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.protect.limits import LimitEngine
from tests.bench.figure import Figure, at_most

NAMES = ("limits_200_core_share", "limits_200_ratio", "limits_200_core_share_20_rows", "limits_200_ratio_20_rows")
CHANNELS, RATE_HZ, SECONDS = 200, 1000, 4
GOAL_PERCENT = 2.0


def measure() -> Iterator[Figure]:
    """Processor time of the engine at 1 kHz as a share of one core, block by block of quiet noise."""
    for rows, suffix in ((1, ""), (20, "_20_rows")):
        values = np.random.default_rng(1).normal(0.0, 1.0, (RATE_HZ * SECONDS, CHANNELS))
        engine = LimitEngine(_limits(), {"rack": _names()}, {"rack": 0.5}, 0)
        times = np.arange(1, len(values) + 1, dtype=np.int64) * (1_000_000_000 // RATE_HZ)
        high = np.full(CHANNELS, 10.0)
        fed: list[int] = []
        compared: list[int] = []
        for at in range(0, len(values), rows):
            block, arrival = values[at : at + rows], times[at : at + rows]
            start = time.perf_counter_ns()
            engine.feed("rack", arrival, block)
            between = time.perf_counter_ns()
            (block > high).any()
            compared.append(time.perf_counter_ns() - between)
            fed.append(between - start)
        spent, plain = median(fed), median(compared)
        share = 100.0 * spent * RATE_HZ / rows / 1e9
        yield at_most(f"limits_200_core_share{suffix}", share, "% of a core", GOAL_PERCENT)
        yield Figure(f"limits_200_ratio{suffix}", spent / plain, "x numpy")


def _names() -> tuple[str, ...]:
    return tuple(f"c{i}" for i in range(CHANNELS))


def _limits() -> tuple[Limit, ...]:
    return tuple(
        Limit(
            f"x{i}",
            name,
            LimitKind.ABOVE if i % 2 else LimitKind.BELOW,
            Severity.TRIP if i % 4 else Severity.CAUTION,
            10.0 if i % 2 else -10.0,
        )
        for i, name in enumerate(_names())
    )
