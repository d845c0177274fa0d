"""The bursts of a recording that was interrupted: those of its run file, then those that still lay beside it."""

from __future__ import annotations

from pathlib import Path

from benchkit.errors import BenchkitError, RunFileError
from benchkit.runfile import spool
from benchkit.runfile.reader import Run
from benchkit.runfile.store import RunStore


def bring_bursts(store: RunStore, path: Path, run: Run | None, problems: list[str]) -> int:
    """Add every burst that can be read to ``store``, each once; return how many. What cannot be read becomes a problem.

    Raises:
        RunFileError: the new run file takes nothing more.
    """
    brought: set[tuple[str, int]] = set()
    if run is not None:
        try:
            for burst in run.bursts():
                store.burst(burst.record)
                brought.add((burst.source, burst.number))
        except RunFileError as error:
            if store.failure is not None:
                raise
            problems.append(f"bursts: some cannot be read from the run file: {error.what}")
    for file in spool.waiting(path):
        try:
            record = spool.read(file)
            if (record.source, record.number) not in brought:
                store.burst(record)
                brought.add((record.source, record.number))
        except BenchkitError as error:
            if store.failure is not None:
                raise
            problems.append(f"burst left out: {error}")
    return len(brought)
