"""Comparisons of firmware: false verdicts, promised power, margins, hidden changes; the naive way on the same runs.

All figures together are taken of 150 comparisons of each kind; ``--only`` one of them, of 500.
"""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

from benchkit.cli.main import main
from tests.analysis.compare_study import hidden_changes, no_difference, noise, with_difference
from tests.bench.cores import on_all_cores
from tests.bench.figure import Figure, at_least, at_most

NAMES = (
    "compare_false_regions_pct",
    "compare_false_comparisons_pct",
    "compare_naive_false_regions_pct",
    "compare_naive_false_comparisons_pct",
    "compare_equivalent_pct",
    "compare_planted_found_pct",
    "compare_planted_promised_pct",
    "compare_promise_off_points",
    "compare_equivalent_at_margin_pct",
    "compare_hidden_flagged_worst_pct",
    "compare_clean_flagged_pct",
    "compare_command_s",
    "compare_command_cpu_s",
)
PAIRS, SHORT_PAIRS = 500, 150


def measure() -> Iterator[Figure]:
    """500 simulated comparisons of each kind, then the command on the sample runs."""
    yield from _measure(PAIRS)


def measure_short() -> Iterator[Figure]:
    """The same of 150 of each kind, where all figures are taken."""
    yield from _measure(SHORT_PAIRS)


def _measure(pairs: int) -> Iterator[Figure]:
    null, planted, hidden = on_all_cores(
        _study,
        [("same", range(pairs)), ("planted", range(10_000, 10_000 + pairs)), ("hidden", range(20_000, 20_000 + pairs))],
    )
    yield at_most("compare_false_regions_pct", null["regions"], "% of regions", 5.0)
    yield at_most("compare_false_comparisons_pct", null["comparisons"], "% of pairs", 5.0)
    yield Figure("compare_naive_false_regions_pct", null["naive_regions"], "% of regions")
    yield Figure("compare_naive_false_comparisons_pct", null["naive_comparisons"], "% of pairs")
    yield Figure("compare_equivalent_pct", null["equivalent"], "% of regions")
    yield Figure("compare_planted_found_pct", planted["found"], "% of regions")
    yield Figure("compare_planted_promised_pct", planted["promised"], "% of regions")
    yield at_most("compare_promise_off_points", abs(planted["found"] - planted["promised"]), "%-points", 5.0)
    yield at_most("compare_equivalent_at_margin_pct", planted["equivalent_at_margin"], "% of regions", 5.0)
    yield Figure("compare_clean_flagged_pct", hidden.pop("clean"), "% of pairs")
    yield at_least("compare_hidden_flagged_worst_pct", min(hidden.values()), "% of pairs", 98.0)
    yield from _command()


def _study(piece: tuple[str, range]) -> dict[str, float]:
    kind, seeds = piece
    if kind == "same":
        return no_difference(seeds)
    return with_difference(seeds, noise()) if kind == "planted" else hidden_changes(seeds)


def _command() -> Iterator[Figure]:
    runs = Path(__file__).resolve().parents[2] / "sample_runs" / "firmware_ab"
    sides = [[str(p) for p in sorted(runs.glob(f"{side}?.h5"))] for side in "ab"]
    with tempfile.TemporaryDirectory() as folder, redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        began, cpu = time.perf_counter(), time.process_time()
        code = main(["compare", *sides[0], "--against", *sides[1], "--out", str(Path(folder) / "page.html")])
        took, used = time.perf_counter() - began, time.process_time() - cpu
    assert code == 0
    yield at_most("compare_command_s", took, "s", 20.0)
    yield Figure("compare_command_cpu_s", used, "s of processor")
