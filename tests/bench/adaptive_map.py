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
from tests.bench.cores import on_all_cores
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

    def add(self, other: Shares) -> None:
        for name in ("adaptive", "random", "error", "error_over_u"):
            getattr(self, name).extend(getattr(other, name))


def measure() -> Iterator[Figure]:
    """Medians of a few drives; fifty are in ``tests/analysis/test_next_point.py`` (soak)."""
    yield from _measure(DRIVES)


def measure_short() -> Iterator[Figure]:
    """The same of half as many, where all figures are taken."""
    yield from _measure(SHORT_DRIVES)


def _measure(drives: int) -> Iterator[Figure]:
    found = Shares()
    for part in on_all_cores(_whole, range(drives)):
        found.add(part)
    yield at_most("adaptive_map_time_pct", 100.0 * float(np.median(found.adaptive)), "% of the even grid", 60.0)
    yield Figure("adaptive_map_random_order_pct", 100.0 * float(np.median(found.random)), "% of the even grid")
    yield Figure("adaptive_map_error_ratio", float(np.median(found.error)), "of the even grid's true error")
    pieces = [(seed, form) for form in OTHER_FORMS for seed in range(drives // 4)]
    others = [share for part in on_all_cores(_other, pieces) for share in part.adaptive]
    yield Figure("adaptive_map_other_forms_pct", 100.0 * float(np.median(others)), "% of the even grid")


def _whole(seed: int) -> Shares:
    return shares([seed])


def _other(piece: tuple[int, str]) -> Shares:
    seed, form = piece
    return shares([seed], form, in_random_order=False)


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
