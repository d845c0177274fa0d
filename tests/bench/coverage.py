"""Do the stated 95 % intervals hold the truth of the simulated stand in 93 to 97 of a hundred points?

All figures together are taken of 600 points; ``--only`` one of them, of 1500.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchkit.cli.coverage_study import study
from tests.bench.figure import Figure, between

NAMES = (
    "coverage_inverter_efficiency",
    "coverage_motor_efficiency",
    "coverage_drive_efficiency",
    "coverage_drive_loss",
    "coverage_ct",
    "coverage_cp",
    "coverage_figure_of_merit",
)
POINTS, SHORT_POINTS = 1500, 600


def measure() -> Iterator[Figure]:
    """Shares over 1500 seeded points."""
    yield from _measure(POINTS)


def measure_short() -> Iterator[Figure]:
    """The same over the first 600 of them, where all figures are taken."""
    yield from _measure(SHORT_POINTS)


def _measure(points: int) -> Iterator[Figure]:
    for quantity, count in study(points)["counts"].items():
        name = f"coverage_{quantity.lower().replace(' ', '_')}"
        yield between(name, 100.0 * count["inside"] / count["total"], "% inside", 93.0, 97.0)
