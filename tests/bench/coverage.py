"""Do the stated 95 % intervals hold the truth of the simulated stand in 93 to 97 of a hundred points?"""

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
POINTS = 1500


def measure() -> Iterator[Figure]:
    """Shares over 1500 seeded points."""
    for quantity, count in study(POINTS)["counts"].items():
        name = f"coverage_{quantity.lower().replace(' ', '_')}"
        yield between(name, 100.0 * count["inside"] / count["total"], "% inside", 93.0, 97.0)
