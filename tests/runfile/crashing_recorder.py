"""A recorder to be killed: ``crashing_recorder.py RUN between-flushes | steady | busy | closing | starting``.

``between-flushes`` kills itself after the journal has 2800 rows and the run file 2500. The others record until they
are killed and say after every flush how many rows are safe: ``steady`` flushes each 0.2 s, ``busy`` after every block
(so that a kill often hits a flush), ``closing`` closes the run and starts the next, ``starting`` starts one run after
the other and leaves them.
"""

from __future__ import annotations

import importlib.util
import os
import signal
import sys
import time
from itertools import count
from pathlib import Path

from benchkit.model.events import Event, EventKind
from benchkit.runfile.writer import RunWriter

_module = importlib.util.spec_from_file_location("runs", Path(__file__).with_name("conftest.py"))
assert _module is not None
assert _module.loader is not None
runs = importlib.util.module_from_spec(_module)
_module.loader.exec_module(runs)


def between_flushes(path: Path) -> None:
    writer = RunWriter(path, runs.HEADER, [runs.SPEC], start_ns=runs.START_NS)
    writer.event(Event(0.0, EventKind.RUN_STARTED, "Run started"))
    runs.record_rows(writer, 0, 2500)
    writer.flush()
    runs.record_rows(writer, 2500, 2800)
    writer.event(Event(2.7, EventKind.MARK, "after the last flush of the run file"))
    writer._journal.flush()  # the moment between the two halves of a flush
    os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))


def until_killed(path: Path, interval_s: float) -> None:
    writer = RunWriter(path, runs.HEADER, [runs.SPEC], start_ns=runs.START_NS)
    due = time.perf_counter()
    for first in count(0, 20):
        runs.record_rows(writer, first, first + 20)
        if time.perf_counter() >= due:
            writer.flush()
            print(path.name, writer.flushed_rows("rack"), flush=True)
            due = time.perf_counter() + interval_s


def closing(path: Path) -> None:
    for number in count():
        run = path.with_name(f"run{number}.h5")
        writer = RunWriter(run, runs.HEADER, [runs.SPEC], start_ns=runs.START_NS)
        runs.record_rows(writer, 0, 3000, step=500)
        writer.flush()
        print(run.name, writer.flushed_rows("rack"), flush=True)
        writer.close()


def starting(path: Path) -> None:
    for number in count():
        run = path.with_name(f"run{number}.h5")
        print(run.name, 0, flush=True)
        with RunWriter(run, runs.HEADER, [runs.SPEC], start_ns=runs.START_NS) as writer:
            runs.record_rows(writer, 0, 20)
            writer.flush()
            print(run.name, writer.flushed_rows("rack"), flush=True)


if __name__ == "__main__":
    target, how = Path(sys.argv[1]), sys.argv[2]
    if how == "between-flushes":
        between_flushes(target)
    elif how == "starting":
        starting(target)
    elif how == "closing":
        closing(target)
    else:
        until_killed(target, 0.2 if how == "steady" else 0.0)
