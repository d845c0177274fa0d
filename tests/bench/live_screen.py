"""The live window as a whole, on a real recorder at 1 kHz and 24 channels, and its start beside a bare plot window.

``live_screen_core_share`` is the processor time of the dashboard's process, drawing, receiving and decoding, over the
time that passed; it counts only where all frames were drawn (``live_screen_frames_per_s``). The start is the first
painted frame; ratio of medians, both in turns, by processor time and by the clock.

All figures together are taken with twenty minutes of stream, counted from their middle; ``--only`` one of them, with
two hours, counted from the first tenth.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchkit.profiles import shared_path
from benchkit.session.process import start_recorder, start_simulated_stand
from tests.bench.figure import Figure, at_least, at_most

NAMES = (
    "live_screen_frames_per_s", "live_screen_core_share", "screen_start_cpu_ratio", "screen_start_ratio",
    "screen_soak_memory_growth",
)  # fmt: skip
ROOT = Path(__file__).parents[2]
WATCH_S, WARM_S, STARTS, SOAK_S, SHORT_SOAK_S = 20.0, 5.0, 5, 7200.0, 1200.0


def measure() -> Iterator[Figure]:
    """All figures; the memory through two hours of stream takes some minutes."""
    yield from _measure(SOAK_S)


def measure_short() -> Iterator[Figure]:
    """The same with twenty minutes of stream, where all figures are taken."""
    yield from _measure(SHORT_SOAK_S)


def _measure(soak_s: float) -> Iterator[Figure]:
    command = [sys.executable, "-m", "tests.bench.live_screen"]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()[-1])
    yield at_least(NAMES[0], found["frames_per_s"], "frames/s", 24.5)
    yield at_most(NAMES[1], 100.0 * found["share"], "% of a core", 50.0)
    ours, bare = _starts()
    yield at_most(NAMES[2], ours[0] / bare[0], "x a bare window", 2.5)
    yield at_most(NAMES[3], ours[1] / bare[1], "x a bare window", 2.5)
    soak = [sys.executable, str(ROOT / "tests/gui/soaking.py"), str(soak_s)]
    done = subprocess.run(soak, check=True, capture_output=True, text=True, env=_environment())
    memory = json.loads(done.stdout)
    yield at_most(NAMES[4], 100.0 * (memory["end_mb"] / memory["start_mb"] - 1.0), "%", 5.0)


def _environment() -> dict[str, str]:
    return {**os.environ, "QT_QPA_PLATFORM": "offscreen", "PYTHONPATH": str(ROOT)}


def _starts() -> tuple[tuple[float, float], tuple[float, float]]:
    """Processor and clock seconds to the first paint: ours, and a bare window."""
    script = str(ROOT / "tests/gui/first_paint.py")
    with tempfile.TemporaryDirectory() as folder:
        kinds = {"ours": [script, "ours", folder], "bare": [script, "bare"]}
        took: dict[str, list[tuple[float, float]]] = {"ours": [], "bare": []}
        for _ in range(STARTS + 1):
            for kind, arguments in kinds.items():
                began = time.monotonic()
                done = subprocess.run(
                    [sys.executable, *arguments], check=True, capture_output=True, text=True, env=_environment()
                )
                cpu, at = map(float, done.stdout.split())
                took[kind].append((cpu, at - began))
    # the first of each finds cold caches
    return tuple(  # type: ignore[return-value]
        tuple(statistics.median(x[i] for x in took[kind][1:]) for i in (0, 1)) for kind in ("ours", "bare")
    )


def _watch() -> dict[str, float]:
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from gui.app import make_application, open_live

    application = make_application()
    profile = str(shared_path("stands", "airboat.toml"))
    with tempfile.TemporaryDirectory() as folder:
        simulated = start_simulated_stand(profile, seed=5)
        recorder, _ = start_recorder(profile, Path(folder), ("--port", f"rack={simulated.address}", "--quiet"))
        window = open_live(Path(recorder.address))
        window.show()
        try:
            drawn = [0]
            window.timer.timeout.connect(lambda: drawn.__setitem__(0, drawn[0] + 1))

            def go_on(seconds: float) -> None:
                end = time.monotonic() + seconds
                while time.monotonic() < end:
                    application.processEvents()
                    time.sleep(0.002)

            go_on(WARM_S)
            drawn[0], cpu, began = 0, time.process_time(), time.monotonic()
            go_on(WATCH_S)
            passed = time.monotonic() - began
            return {"frames_per_s": drawn[0] / passed, "share": (time.process_time() - cpu) / passed}
        finally:
            window.close()
            recorder.end()
            simulated.end()


if __name__ == "__main__":
    print(json.dumps(_watch()))
