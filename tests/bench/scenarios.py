"""Seeded faults of the simulated stand in a short form; the long one is ``python -m tests.protect.scenarios 1000``.

All figures together are taken of half as many as ``--only`` one of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from tests.bench.figure import Figure, at_most
from tests.protect.scenarios.cases import FAULTS, clean
from tests.protect.scenarios.judge import tally

NAMES = ("scenario_trips_missed", "scenario_first_out_wrong", "scenario_false_trips")
EACH, SHORT_EACH = 10, 5
CLEAN, SHORT_CLEAN = 50, 25


def measure() -> Iterator[Figure]:
    """Ten scenarios of each fault, and runs without one."""
    yield from _measure(EACH, CLEAN)


def measure_short() -> Iterator[Figure]:
    """Half as many, where all figures are taken."""
    yield from _measure(SHORT_EACH, SHORT_CLEAN)


def _measure(each: int, clean_runs: int) -> Iterator[Figure]:
    tallies = [tally(make, each) for make in FAULTS]
    without = tally(clean, clean_runs)
    # a scenario that is not what it says counts as missed: it has shown nothing
    missed = sum(t.missed + t.unlike for t in tallies)
    yield at_most("scenario_trips_missed", missed, f"of {each * len(FAULTS)}", 0)
    yield at_most("scenario_first_out_wrong", sum(t.wrong_first_out for t in tallies), f"of {each * len(FAULTS)}", 0)
    yield at_most("scenario_false_trips", sum(t.false for t in (*tallies, without)), f"in {clean_runs} clean runs", 0)
