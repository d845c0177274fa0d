"""Bench time of a map whose points are chosen one by one, against an even grid and the same grid in random order.

All three go on until the map is as certain as the even grid of 60 points at its end, by the same rule.

All figures together are taken of four drives, and one of each other form of truth; ``--only`` one of them, of eight and
two.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from benchkit.analysis.next_point import Places, map_uncertainty
from tests.analysis.map_benches import EVEN, NODES, Bench, adapt, walk
from tests.analysis.map_truths import OTHER_FORMS
from tests.bench.figure import Figure, at_most

NAMES = (
    "adaptive_map_time_pct",
    "adaptive_map_random_order_pct",
    "adaptive_map_error_ratio",
    "adaptive_map_other_forms_pct",
)
DRIVES, SHORT_DRIVES = 8, 4


@dataclass
class Shares:
    """By drive: bench time over that of the even grid, and the true error over the grid's and over what is stated."""

    adaptive: list[float] = field(default_factory=list)
    random: list[float] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    error_over_u: list[float] = field(default_factory=list)


def measure() -> Iterator[Figure]:
    """Medians of a few drives; fifty are in ``tests/analysis/test_next_point.py`` (soak)."""
    yield from _measure(DRIVES)


def measure_short() -> Iterator[Figure]:
    """The same of half as many, where all figures are taken."""
    yield from _measure(SHORT_DRIVES)


def _measure(drives: int) -> Iterator[Figure]:
    found = shares(range(drives))
    yield at_most("adaptive_map_time_pct", 100.0 * float(np.median(found.adaptive)), "% of the even grid", 60.0)
    yield Figure("adaptive_map_random_order_pct", 100.0 * float(np.median(found.random)), "% of the even grid")
    yield Figure("adaptive_map_error_ratio", float(np.median(found.error)), "of the even grid's true error")
    others = [
        share for form in OTHER_FORMS for share in shares(range(drives // 4), form, in_random_order=False).adaptive
    ]
    yield Figure("adaptive_map_other_forms_pct", 100.0 * float(np.median(others)), "% of the even grid")


def shares(seeds: Iterable[int], form: str = "", *, in_random_order: bool = True) -> Shares:
    """Each drive mapped in three ways."""
    found = Shares()
    for seed in seeds:
        order = Bench(seed, form).allowed(EVEN)
        even = walk(Bench(seed, form), order)
        wanted = map_uncertainty(even.fit(), "drive", NODES)
        chosen = adapt(Bench(seed, form), wanted)
        found.adaptive.append(chosen.minutes / even.minutes)
        found.error.append(chosen.error(NODES) / even.error(NODES))
        found.error_over_u.append(chosen.error(NODES) / wanted)
        if in_random_order:
            at = np.random.default_rng(seed).permutation(len(order))
            mixed = walk(Bench(seed, form), Places(order.speed_rpm[at], order.torque_nm[at]), wanted)
            found.random.append(mixed.minutes / even.minutes)
    return found
