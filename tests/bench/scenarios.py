"""Seeded faults of the simulated stand in a short form; the long one is ``python -m tests.protect.scenarios 1000``."""

from __future__ import annotations

from collections.abc import Iterator

from tests.bench.figure import Figure, at_most
from tests.protect.scenarios.cases import FAULTS, clean
from tests.protect.scenarios.judge import tally

NAMES = ("scenario_trips_missed", "scenario_first_out_wrong", "scenario_false_trips")
EACH = 10
CLEAN = 50


def measure() -> Iterator[Figure]:
    """Ten scenarios of each fault, and runs without one."""
    tallies = [tally(make, EACH) for make in FAULTS]
    without = tally(clean, CLEAN)
    # a scenario that is not what it says counts as missed: it has shown nothing
    missed = sum(t.missed + t.unlike for t in tallies)
    yield at_most("scenario_trips_missed", missed, f"of {EACH * len(FAULTS)}", 0)
    yield at_most("scenario_first_out_wrong", sum(t.wrong_first_out for t in tallies), f"of {EACH * len(FAULTS)}", 0)
    yield at_most("scenario_false_trips", sum(t.false for t in (*tallies, without)), f"in {CLEAN} clean runs", 0)
