"""``python -m tests.protect.scenarios [N]``: N scenarios with a fault, a tenth of each kind, and N without one."""

from __future__ import annotations

import argparse
import sys

from tests.protect.scenarios.cases import FAULTS, clean
from tests.protect.scenarios.judge import Tally, tally

HEAD = (
    f"{'fault':18}{'scenarios':>10}{'tripped':>9}{'missed':>8}{'first-out':>11}{'late':>7}{'decided':>10}{'false':>7}"
    f"{'cautions':>10}\n{'':45}{'wrong':>11}{'rows':>7}{'after ms':>10}{'trips':>7}"
)


def line(t: Tally) -> str:
    """One kind of fault."""
    return (
        f"{t.kind:18}{len(t.verdicts):10}{t.tripped:9}{t.missed:8}{t.wrong_first_out:11}{t.late_rows:7}"
        f"{t.late_ms:10.1f}{t.false:7}{t.cautions:10}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.protect.scenarios", description=__doc__)
    parser.add_argument("scenarios", nargs="?", type=int, default=100, help="of faults, and as many without (100)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (2)")
    args = parser.parse_args()
    each = max(1, args.scenarios // len(FAULTS))
    print(HEAD, flush=True)
    wrong: list[str] = []
    for make, count in [*((make, each) for make in FAULTS), (clean, each * len(FAULTS))]:
        found = tally(make, count, args.jobs)
        print(line(found), flush=True)
        wrong += found.faults
    print(*wrong, sep="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
