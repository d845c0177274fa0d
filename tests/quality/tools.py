"""What the faults of the suite are made with: columns changed, rows of the holds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchkit.model.stand import Role
from tests.quality.runs import BenchRun

Rng = np.random.Generator
PARTS = ("winding_temp", "stator_temp", "magnet_temp", "case_temp")


def scaled(run: BenchRun, role: Role, factor: float, offset: float = 0.0) -> BenchRun:
    values = run.stream.values.copy()
    values[:, run.column(role)] = values[:, run.column(role)] * factor + offset
    return run.with_values(values)


def loaded_rows(run: BenchRun) -> np.ndarray:
    """Rows in which the shaft turns fast."""
    return np.flatnonzero(run.stream.column("shaft_speed") > 1000.0)


def holds_of(run: BenchRun) -> list[tuple[int, int]]:
    """Rows of the two holds, the settling left out."""
    speed = run.stream.column("electrical_frequency")
    rate = 1.0 / float(np.median(np.diff(run.stream.time_s)))
    width = int(2.0 * rate)
    still = np.abs(speed[width:] - speed[:-width]) < 0.3
    inside = np.concatenate([still, np.zeros(width, dtype=bool)]) & (speed > 100.0)
    change = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    spans = [(int(a), int(b) + width - 1) for a, b in zip(change[::2], change[1::2], strict=True) if b - a > 5 * rate]
    # short breaks by noise join
    joined: list[tuple[int, int]] = []
    for a, b in spans:
        if joined and a - joined[-1][1] < 4 * rate:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def with_column(run: BenchRun, name: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> BenchRun:
    """Replace one column by ``change(time, column)``."""
    values = run.stream.values.copy()
    k = run.stream.channels.index(name)
    values[:, k] = change(run.stream.time_s, values[:, k])
    return run.with_values(values)
