"""The order in which runs were made: blocks, ABBA and other designs, and drift from points that were repeated.

Source: blocks and ABBA, textbook of the design of experiments; (1) least squares about the means of groups, derived
here; thresholds are rules of this project.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.blocked import Order
from benchkit.analysis.compare.data import RunData
from benchkit.analysis.compare.surfaces import grouped

FloatArray = npt.NDArray[np.float64]

GAP_S = 5.0 * 3600.0
"""A pause longer than this begins a new block: the stand was left, everything has cooled."""
REFERENCE_APART = 0.5
"""Visits of a reference point lie this share of its run's duration apart, at least."""
LEAST_REFERENCES = 2


@dataclass(frozen=True, slots=True)
class Block:
    """Runs without a long pause between them: number, letters in the order taken, and whether drift cancels."""

    number: int
    letters: str
    started_s: float
    is_balanced: bool

    @property
    def design(self) -> str:
        """Name of the pattern."""
        if len(set(self.letters)) == 1:
            return "one side alone"
        if (
            len(self.letters) >= 4
            and all(self.letters[i : i + 4] in ("ABBA", "BAAB") for i in range(0, len(self.letters) - 3, 4))
            and len(self.letters) % 4 == 0
        ):
            return "ABBA" if len(self.letters) == 4 else "ABBA, repeated"
        if self.letters in ("AB", "BA"):
            return "one pair"
        changes = sum(a != b for a, b in zip(self.letters, self.letters[1:], strict=False))
        if changes == 1:
            return "one after the other"
        return "balanced" if self.is_balanced else "mixed"


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """Straight drift of the loss of a block, as share of the input power per hour, from reference points.

    ``pairs`` counts the repeated visits that it rests on; ``slope`` is 0 and ``u`` NaN where there were too few.
    """

    block: int
    slope: float
    u: float
    pairs: int

    @property
    def is_known(self) -> bool:
        """True where reference points gave a slope."""
        return math.isfinite(self.u)


def order_of(runs: Sequence[RunData], is_b: Sequence[bool]) -> tuple[Order, tuple[Block, ...]]:
    """Blocks of runs by their times; ``is_b`` says for each run whether it belongs to side B.

    A run without a time stands in a block of its own.
    """
    middle = np.array([run.middle_s for run in runs])
    start = np.array([run.time_s[0] if run.time_s.size else np.nan for run in runs])
    sequence = np.argsort(middle, kind="stable")
    number = np.zeros(len(runs), dtype=np.intp)
    current, last = -1, -math.inf
    for k in sequence.tolist():
        if not math.isfinite(start[k]) or start[k] - last > GAP_S:
            current += 1
        number[k] = current
        last = float(runs[k].time_s[-1]) if runs[k].time_s.size else -math.inf
    sides = np.asarray(is_b, dtype=np.bool_)
    origin = float(np.nanmin(start))
    time_h = np.nan_to_num((middle - origin) / 3600.0)
    order = Order(sides, number, time_h)
    blocks = []
    for b in range(current + 1):
        inside = [k for k in sequence.tolist() if number[k] == b]
        letters = "".join("B" if sides[k] else "A" for k in inside)
        blocks.append(Block(b, letters, float(start[inside[0]]), order.is_balanced(b)))
    return order, tuple(blocks)


def drifts(runs: Sequence[RunData], order: Order, shares: Sequence[FloatArray]) -> tuple[Drift, ...]:
    """Drift of each block from set-points that a run visited twice, far apart in time.

    Least squares of the values of each (run, set-point) about their mean on time about its mean, so that neither
    firmware nor set-point enters: ``s = sum dz dt / sum dt²`` (1), share of the input power per hour [1/h].

    Args:
        shares: what the shared shape leaves of the loss, as share of the input power [1], one array (n,) a run.
    """
    found = []
    spans = [
        max(float(np.ptp(np.concatenate([getattr(r, name) for r in runs]))), 1e-9)
        for name in ("speed_rpm", "torque_nm")
    ]
    for b in np.unique(order.block).tolist():
        dt: list[float] = []
        dz: list[float] = []
        groups = 0
        for k in np.flatnonzero(order.block == b).tolist():
            run = runs[k]
            place = grouped(run.speed_rpm / spans[0], run.torque_nm / spans[1])
            hours = (run.time_s - run.time_s[0]) / 3600.0
            for cell in np.flatnonzero(np.bincount(place) > 1).tolist():
                here = place == cell
                if np.ptp(hours[here]) < REFERENCE_APART * max(float(np.ptp(hours)), 1e-12):
                    continue
                groups += 1
                dt += (hours[here] - hours[here].mean()).tolist()
                dz += (shares[k][here] - shares[k][here].mean()).tolist()
        pairs = len(dt) - groups
        if pairs < LEAST_REFERENCES:
            found.append(Drift(b, 0.0, math.nan, pairs))
            continue
        t, z = np.array(dt), np.array(dz)
        size = float(t @ t)
        slope = float(t @ z) / size
        rest = float(np.sum((z - slope * t) ** 2)) / (pairs - 1)
        found.append(Drift(b, slope, math.sqrt(rest / size), pairs))
    return tuple(found)
