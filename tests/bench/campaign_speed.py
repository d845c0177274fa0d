"""A campaign of small runs: what a run costs, and what a second process gains.

Runs of 787 rows and 24 channels with three set-points. Times are from the call to the tables, the start of the
processes included; each campaign begins with nothing done. The content of every run is verified.

All figures together are taken of 40 runs, where the start of processes weighs more; ``--only`` one of them, of 100.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchkit.campaign.campaign import Made, Settings, run_campaign
from benchkit.campaign.catalogue import Catalogue
from tests.bench.figure import Figure
from tests.campaign.made_runs import make_runs

COUNT, SHORT_COUNT = 100, 40
NAMES = ("campaign_cpu_per_run", "campaign_file_per_run", "campaign_ledger_per_run", "campaign_speed_up_of_2")


def measure() -> Iterator[Figure]:
    """One worker, then two, over the same runs."""
    yield from _measure(COUNT)


def measure_short() -> Iterator[Figure]:
    """The same over fewer runs, where all figures are taken."""
    yield from _measure(SHORT_COUNT)


def _measure(count: int) -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as directory:
        folder = Path(directory) / "runs"
        paths = make_runs(folder, count)
        size = sum(path.stat().st_size for path in paths) / count
        yield from compared(folder, Path(directory), size)


def compared(folder: Path, out: Path, size_bytes: float) -> Iterator[Figure]:
    """The figures of a folder of runs that are there."""
    with Catalogue(folder) as catalogue:
        catalogue.refresh()  # both find the folder looked through
    one, made = _timed(folder, out / "one", 1)
    two, again = _timed(folder, out / "two", 2)
    assert again.campaign == made.campaign
    runs = len(made.campaign.runs)
    yield Figure("campaign_cpu_per_run", 1e3 * made.cpu_s / runs, "ms, processor")
    yield Figure("campaign_file_per_run", size_bytes / 1e3, "kB")
    yield Figure("campaign_ledger_per_run", (out / "one" / "rows.jsonl").stat().st_size / 1e3 / runs, "kB")
    yield Figure("campaign_speed_up_of_2", one / two, "ratio")


def _timed(folder: Path, out: Path, workers: int) -> tuple[float, Made]:
    began = time.perf_counter()
    made = run_campaign(folder, out, Settings(workers=workers))
    return time.perf_counter() - began, made


if __name__ == "__main__":
    for figure in measure():
        print(figure.line())
