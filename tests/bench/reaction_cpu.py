"""Processor time of one reaction, from the look at the link to the stop command: what remains on an idle computer.

Lines of the reaction benchmark from memory, one a turn; every sixth trips one of 40 limits. Time of the thread, so that
other programs do not count.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from benchkit.model.stand import Stand
from benchkit.profiles import load_stand
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.sources.clock import Clock, HostClock
from benchkit.sources.contract import Polled
from tests.bench.figure import Figure
from tests.bench.reaction_device import LIMITS, Lines, write_profile
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

NAMES = ("reaction_cpu_p50_ms", "reaction_cpu_worst_ms")
TRIPS = 400


class _Timed(MemorySource):
    def __init__(self, stand: Stand, pieces: Iterable[bytes], clock: Clock) -> None:
        super().__init__(stand, pieces, clock)
        self.spent_ms: list[float] = []
        self._since_ns = 0

    def poll(self, timeout_s: float) -> Polled | None:
        self._since_ns = time.thread_time_ns()
        return super().poll(timeout_s)

    def send(self, command: str) -> None:
        if command.startswith("stop"):
            self.spent_ms.append((time.thread_time_ns() - self._since_ns) * 1e-6)
        super().send(command)


def measure() -> Iterator[Figure]:
    """Half and worst of 400 trips."""
    clock, desk = HostClock(), Desk()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        loaded = load_stand(write_profile(folder))
        lines = Lines(loaded.stand)
        pieces = [lines.next(i // 6 % LIMITS if i % 6 == 5 else None) for i in range(6 * TRIPS)]
        source = _Timed(loaded.stand, pieces, clock)
        recorder = Recorder(loaded.stand, header_for(loaded), [source], folder / "run.h5", clock, desk)
        recorder.run()
    desk.close()
    assert len(source.spent_ms) >= TRIPS  # on a slow computer some are sent again
    yield Figure("reaction_cpu_p50_ms", float(np.median(source.spent_ms)), "ms")
    yield Figure("reaction_cpu_worst_ms", max(source.spent_ms), "ms")
