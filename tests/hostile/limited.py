"""Run commands in a process of their own, with limits: ``python limited.py CPU_S AS_BYTES`` reads one JSON list of
arguments a line from standard input and writes one JSON object a line: exit code, messages, processor seconds (those of
an idle processor), peak memory so far. ``read PATH`` opens a run with the library and reads all of it; everything else
is a benchkit command.
"""

from __future__ import annotations

import contextlib
import io
import json
import resource
import sys
import time
from pathlib import Path


def peak_bytes() -> int:
    """Largest resident memory of this program. On Linux not from ``getrusage``: that counts the process it was forked
    from as well, which is pytest with all that it has loaded."""
    status = Path("/proc/self/status")
    if status.exists():
        peak = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
        return int(peak.split()[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


IDLE_S = 5.1e-3
"""Processor time of ``_burst`` on the 2-core machine of docs/performance.md with nothing else to do (measured)."""
MOST_SLOWNESS = 3.0


def _burst() -> float:
    started = time.process_time()
    sum(i * i for i in range(100_000))
    return time.process_time() - started


def slowness() -> float:
    """How many times longer the processor takes now: two programs on the threads of one core slow each other down, and
    processor time counts that. Never below 1, so that a quick machine gives no more than is asked."""
    return max(1.0, sum(_burst() for _ in range(20)) / 20 / IDLE_S)


def _read(path: Path) -> int:
    from benchkit.errors import BenchkitError
    from benchkit.runfile.reader import open_run

    try:
        with open_run(path) as run:
            run.verify()
            for source in run.sources:
                run.stream(source)
                run.raw_bytes(source)
            run.events()
    except BenchkitError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


def _one(arguments: list[str]) -> int:
    if arguments[0] == "read":
        return _read(Path(arguments[1]))
    from benchkit.cli.main import main

    return main(arguments)


def _serve(cpu_s: float, as_bytes: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (as_bytes, as_bytes))
    out = sys.stdout
    for line in sys.stdin:
        started = time.process_time()
        # Whoever takes much longer is ended by the system; the limit counts from the start of the process.
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (int(started + MOST_SLOWNESS * cpu_s) + 1, hard))
        said, told = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
            code = _one(json.loads(line))
        used_s = time.process_time() - started
        found = {
            "code": code,
            "out": said.getvalue()[:4000],
            "err": told.getvalue()[:3000] + told.getvalue()[3000:][-1000:],
            "err_length": len(told.getvalue()),
            "cpu_s": used_s if used_s <= cpu_s else used_s / min(slowness(), MOST_SLOWNESS),
            "peak_bytes": peak_bytes(),
        }
        print(json.dumps(found), file=out, flush=True)


if __name__ == "__main__":
    _serve(float(sys.argv[1]), int(sys.argv[2]))
