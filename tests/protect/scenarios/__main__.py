"""``python -m tests.protect.scenarios [N]``: N scenarios with a fault, a tenth of each kind, and N without one."""

from __future__ import annotations

import argparse
import sys

from tests.protect.scenarios.cases import FAULTS, clean
from tests.protect.scenarios.judge import Tally, tally


def table(tallies: list[Tally]) -> str:
    """One line a kind, and the sum of the faults."""
    head = f"{'fault':18}{'scenarios':>10}{'tripped':>9}{'missed':>8}{'first-out':>11}{'late':>7}{'decided':>9}"
    lines = [head + f"{'false':>7}{'cautions':>10}", f"{'':37}{'':8}{'wrong':>11}{'rows':>7}{'ms':>9}"]
    for t in tallies:
        lines.append(
            f"{t.kind:18}{len(t.verdicts):10}{t.tripped:9}{t.missed:8}{t.wrong_first_out:11}{t.late_rows:7}"
            f"{t.late_ms:9.1f}{t.false:7}{t.cautions:10}"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.protect.scenarios", description=__doc__)
    parser.add_argument("scenarios", nargs="?", type=int, default=100, help="of faults, and as many without (100)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (2)")
    args = parser.parse_args()
    each = max(1, args.scenarios // len(FAULTS))
    tallies = [tally(make, each, args.jobs) for make in FAULTS]
    tallies.append(tally(clean, each * len(FAULTS), args.jobs))
    print(table(tallies))
    faults = [text for t in tallies for text in t.faults]
    print(*faults, sep="\n")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
