"""What ten kills of the recorder at random moments leave."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from pathlib import Path

from benchkit.session.process import start_simulated_stand
from tests.bench.figure import Figure, at_most
from tests.session.kill import kill_once

NAMES = ("kill_flushed_rows_missing", "kill_longest_loss_s")
KILLS = 10


def measure() -> Iterator[Figure]:
    """Flushed rows that are missing after recovery, and the longest stretch of host time without its rows."""
    rng = random.Random(1)
    stand = start_simulated_stand("airboat", seed=5)
    try:
        with tempfile.TemporaryDirectory() as folder:
            left = [kill_once(stand.address, Path(folder) / str(i), rng) for i in range(KILLS)]
    finally:
        stand.end()
    yield at_most("kill_flushed_rows_missing", sum(max(0, a.flushed - a.rows) for a in left), "rows", 0)
    yield at_most("kill_longest_loss_s", max(a.lost_s for a in left), "s", 0.5)
