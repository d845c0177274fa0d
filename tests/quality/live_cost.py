"""What one look of the recorder at the newest rows costs: ``python -m tests.quality.live_cost``. Median of many."""

from __future__ import annotations

import time

import numpy as np

from benchkit.analysis.quality.live import MOST_ROWS, LiveChecks
from benchkit.simulate.drives import Load
from tests.quality.runs import Wish, clean_run


def main() -> None:
    """Print the milliseconds for a second at 1 kHz and for the most that a look takes."""
    run = clean_run(4, Wish(load=Load.MACHINE, rate_hz=100.0))
    for rows in (1000, MOST_ROWS):
        checks = LiveChecks(run.stand, "rack", run.stream.channels)
        taken = []
        for start in range(0, len(run.stream) - rows, rows // 10):
            begun = time.perf_counter()
            checks.look(run.stream.time_s[start : start + rows], run.stream.values[start : start + rows])
            taken.append(time.perf_counter() - begun)
        print(f"{rows} rows: median {1e3 * float(np.median(taken)):.2f} ms, greatest {1e3 * max(taken):.2f} ms")


if __name__ == "__main__":
    main()
