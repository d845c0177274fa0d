"""Analyses of one's own, as a campaign finds them by name."""

from __future__ import annotations

import os
from pathlib import Path

from benchkit.runfile.reader import open_run

MARK = "BENCHKIT_TEST_MARK"


def longest(path: Path) -> dict[str, object]:
    with open_run(path) as run:
        return {"rows": run.rows("rack"), "seconds": float(run.stream("rack").time_s[-1]), "note": run.header.note}


def dies_once(path: Path) -> dict[str, object]:
    """The first process that comes to this run dies of it, as of a signal."""
    mark = Path(os.environ[MARK])
    if path.name == "run-00005.h5" and not mark.exists():
        mark.write_text(str(os.getpid()))
        os._exit(9)
    return longest(path)


def dies_always(path: Path) -> dict[str, object]:
    if path.name == "run-00005.h5":
        os._exit(9)
    return longest(path)


def raises(path: Path) -> dict[str, object]:
    if path.name == "run-00005.h5":
        raise ZeroDivisionError("no rows to divide by")
    return {"nan": float("nan"), "object": None}


def no_rows(path: Path) -> object:
    return {"path": path}


NOT_A_FUNCTION = 3
