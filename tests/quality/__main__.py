"""``python -m tests.quality [SEEDS] [CLEAN RUNS] [--write]``: the table of the data-quality detectors.

Each fault is put into SEEDS runs (50), and CLEAN RUNS (200) without a fault are looked at, in two processes.
``--write`` puts the table between the markers of docs/reference/data-quality.md. It ends with 1 where a fault is found
in fewer than 48 of 50, or clean runs give more than 2 false errors in 200.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "data-quality.md"
MARK = "<!-- counted: python -m tests.quality 50 200 --write -->\n"


def _chunk(task: tuple[int, int]) -> tuple[Counter[str], Counter[str]]:
    from tests.quality.suite import FIRST_CLEAN_SEED, clean

    part = clean(task[1], first=FIRST_CLEAN_SEED + task[0])
    return part.errors, part.cautions


def _score(task: tuple[int, int]) -> object:
    from tests.quality.faults import FAULTS
    from tests.quality.suite import score

    found = score(FAULTS[task[0]], task[1])
    return found.found, found.severities, found.missed


def main() -> int:
    from tests.quality.faults import FAULTS
    from tests.quality.suite import Clean, Score, table

    parser = argparse.ArgumentParser(prog="python -m tests.quality", description=__doc__)
    parser.add_argument("seeds", nargs="?", type=int, default=50)
    parser.add_argument("clean_runs", nargs="?", type=int, default=200)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with ProcessPoolExecutor(2) as pool:
        waiting = [pool.submit(_score, (k, args.seeds)) for k in range(len(FAULTS))]
        starts = range(0, args.clean_runs, 20)
        clean_parts = [pool.submit(_chunk, (start, min(20, args.clean_runs - start))) for start in starts]
        scores = []
        for fault, future in zip(FAULTS, waiting, strict=True):
            found, severities, missed = future.result()
            scores.append(Score(fault, found, args.seeds, severities, missed))
            print(f"{fault.code:28} {found:3} of {args.seeds}  missed {missed}", file=sys.stderr, flush=True)
        errors: Counter[str] = Counter()
        cautions: Counter[str] = Counter()
        for part in clean_parts:
            errors.update(part.result()[0])
            cautions.update(part.result()[1])
    text = table(scores, Clean(args.clean_runs, errors, cautions))
    print(text, end="")
    if args.write:
        before, _, after = PAGE.read_text(encoding="utf-8").split(MARK)
        PAGE.write_text(f"{before}{MARK}{text}{MARK}{after}", encoding="utf-8", newline="\n")
    worst = min(score.found / score.seeds for score in scores)
    return 0 if worst >= 48 / 50 and sum(errors.values()) <= 2 * args.clean_runs / 200 else 1


if __name__ == "__main__":
    sys.exit(main())
