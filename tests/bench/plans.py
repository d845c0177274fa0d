"""What a plan costs the recorder's loop: a look at 1 kHz, beside what protection takes for the same rows.

Processor time of one process. Reference in the same run: ``Protection.feed`` of the example stand.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ParamSpec, TypeVar

from benchkit.plans.generate import Frame, map_plan
from benchkit.profiles import load_stand, shared_path
from tests.bench.figure import Figure, at_most
from tests.plans.bench import Bench

NAMES = ("plan_look_share_pct", "plan_look_over_protection", "plan_status_us")
LOOKS = 3000
LOOK_S = 0.01
P = ParamSpec("P")
R = TypeVar("R")


class Stopwatch:
    """Processor time of the calls of one function."""

    def __init__(self) -> None:
        self.seconds, self.calls = 0.0, 0

    def around(self, call: Callable[P, R]) -> Callable[P, R]:
        """The function, timed."""

        def timed(*args: P.args, **kwargs: P.kwargs) -> R:
            began = time.process_time()
            found = call(*args, **kwargs)
            self.seconds += time.process_time() - began
            self.calls += 1
            return found

        return timed


def measure() -> Iterator[Figure]:
    """A map of sixty points driven at 1 kHz in real proportions, 30 s of it."""
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    plan = map_plan(Frame(), [500.0 * k for k in range(1, 7)], [10.0 * k for k in range(1, 11)])
    looks, feeds, tells = Stopwatch(), Stopwatch(), Stopwatch()
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(stand, plan, Path(folder), step_s=0.001, factor=1.0, rows=round(1000 * LOOK_S))
        bench.begin()
        bench.runner.turn = looks.around(bench.runner.turn)  # type: ignore[method-assign]
        bench.protection.feed = feeds.around(bench.protection.feed)  # type: ignore[method-assign]
        status = tells.around(bench.runner.status)
        for k in range(LOOKS):
            bench.step()
            if k % 3 == 0:
                status(bench.now_ns)
        bench.close()
    yield at_most("plan_look_share_pct", 100.0 * looks.seconds / (looks.calls * LOOK_S), "%", 10.0)
    yield Figure("plan_look_over_protection", looks.seconds / feeds.seconds, "1")
    yield Figure("plan_status_us", 1e6 * tells.seconds / tells.calls, "us")
