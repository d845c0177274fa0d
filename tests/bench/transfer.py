"""From the small motor to the big one, and the loss as heat: do the stated intervals hold, and are they of use?

All figures together are taken of 80 transfers; ``--only`` one of them, of 200.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchkit.cli import heat_study, transfer_study
from tests.bench.cores import on_all_cores
from tests.bench.figure import Figure, at_least, at_most, between

NAMES = (
    "transfer_inside_1_2",
    "transfer_inside_1_8",
    "transfer_inside_2_4",
    "transfer_half_width_2_4",
    "transfer_no_switching_refused",
    "transfer_full_model_refused",
    "heat_rms_electrical",
    "heat_rms_calorimetric",
    "heat_rms_combined",
    "heat_stated_combined",
    "heat_combined_over_better",
    "heat_combined_inside",
)
TRANSFERS, SHORT_TRANSFERS, RUNS = 200, 80, 200


def measure() -> Iterator[Figure]:
    """200 transfers at 1.2, 1.8 and 2.4 times the largest measured current, and 200 runs measured as heat, too."""
    yield from _measure(TRANSFERS)


def measure_short() -> Iterator[Figure]:
    """The same of 80 transfers, where all figures are taken."""
    yield from _measure(SHORT_TRANSFERS)


def _measure(transfers: int) -> Iterator[Figure]:
    found, heat = on_all_cores(_study, [("transfers", transfers), ("heat", RUNS)])
    for name, share in zip(NAMES[:3], found["inside_percent"], strict=True):
        yield at_least(name, share, "% inside", 93.0)
    yield Figure(NAMES[3], found["median_half_width_percent"][-1], "% of the loss")
    yield at_least(NAMES[4], found["without_switching_refused_percent"], "% refused", 100.0)
    yield at_most(NAMES[5], found["full_model_refused_percent"], "% refused", 1.0)
    error, stated = heat["rms_error_w"], heat["stated_u_w"]
    for name, way in zip(NAMES[6:9], ("electrical", "calorimetric", "combined"), strict=True):
        yield Figure(name, error[way], "W rms")
    yield at_most(NAMES[9], stated["combined"], "W stated", min(stated["electrical"], stated["calorimetric"]))
    yield at_most(NAMES[10], error["combined"] / min(error["electrical"], error["calorimetric"]), "ratio", 1.0)
    yield between(NAMES[11], heat["inside_percent"]["combined"], "% inside", 93.0, 97.5)


def _study(piece: tuple[str, int]) -> dict[str, Any]:
    kind, count = piece
    return transfer_study.study(count) if kind == "transfers" else heat_study.study(count)
