"""One run through one analysis, in whatever process: what goes in and what comes out is plain data."""

from __future__ import annotations

import hashlib
import importlib
import inspect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any

from benchkit.campaign.points import NAMED, Row, Value
from benchkit.errors import BenchkitError, UsageError

_NUMBERS_FROM = ("analysis", "decode", "model", "profiles", "runfile")
"""Parts of benchkit that a number of a row may depend on, and beside them:"""
_AND_FILES = ("units.py", "campaign/points.py", "campaign/task.py")
_LIBRARIES = ("numpy", "scipy", "h5py")


@dataclass(frozen=True, slots=True)
class Task:
    """One run to do."""

    path: str
    """As the workers see it."""
    content_sha256: str
    analysis: str
    """``module:function``."""
    version: str
    """What :func:`analysis_version` must be where the task is done."""
    verify: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a task: rows, or a reason why not."""

    rows: tuple[Row, ...] = ()
    reason: str = ""
    is_foreign: bool = False
    """The process that had it runs other code: nothing it says counts."""
    cpu_s: float = 0.0

    @property
    def is_good(self) -> bool:
        """True where there are results."""
        return not self.reason


def full_name(analysis: str) -> str:
    """``module:function`` of an analysis, from that or its short name.

    Raises:
        UsageError: it is neither, or there is no such function.
    """
    name = NAMED.get(analysis, analysis)
    _function(name)
    return name


def _function(name: str) -> Callable[[Path], object]:
    module, _, function = name.partition(":")
    if not module or not function:
        known = ", ".join(sorted(NAMED))
        raise UsageError("no such analysis", got=name, expected=f"{known}, or MODULE:FUNCTION")
    try:
        found = getattr(importlib.import_module(module), function)
    except (ImportError, AttributeError) as error:
        raise UsageError(
            f"the analysis cannot be loaded: {error}",
            got=name,
            remedy="Every process needs its module: put it on the PYTHONPATH of all of them.",
        ) from error
    if not callable(found):
        raise UsageError("the analysis is no function", got=name)
    called: Callable[[Path], object] = found
    return called


@lru_cache(maxsize=8)
def analysis_version(name: str) -> str:
    """Hash over the sources that the analysis stands on and the versions of its libraries [hex].

    Rows with the same content and the same version are the same; a changed formula gives another version by itself.
    """
    import benchkit

    root = Path(benchkit.__file__).parent
    files = [
        *(root / name for name in _AND_FILES),
        *(file for part in _NUMBERS_FROM for file in (root / part).rglob("*.py")),
    ]
    digest = hashlib.sha256(name.encode())
    for library in _LIBRARIES:
        digest.update(f"\n{library} {metadata.version(library)}".encode())
    for file in sorted(files):
        digest.update(f"\n{file.relative_to(root).as_posix()}\n".encode() + file.read_bytes())
    source = inspect.getsourcefile(_function(name))
    if source is not None and not Path(source).is_relative_to(root):
        digest.update(b"\n" + Path(source).read_bytes())
    return digest.hexdigest()


def do(task: Task) -> Outcome:
    """Do a task. What is wrong with a run is an outcome, never an error: the others go on."""
    import time

    began = time.process_time()
    try:
        is_same = analysis_version(task.analysis) == task.version
        function = _function(task.analysis)
    except UsageError as error:
        return Outcome(reason=f"a worker has not what it needs: {error}", is_foreign=True)
    if not is_same:
        return Outcome(reason="a worker runs another version of benchkit or of its libraries", is_foreign=True)
    try:
        if task.verify:
            _verify(task)
        rows = plain_rows(function(Path(task.path)))
    except (BenchkitError, OSError) as error:
        return Outcome(reason=_told(task, str(error)))
    except Exception as error:  # noqa: BLE001 - one run must not end a campaign; the reason is in its report
        return Outcome(reason=_told(task, f"unexpected fault: {type(error).__name__}: {error}"))
    return Outcome(rows=rows, cpu_s=time.process_time() - began)


def _verify(task: Task) -> None:
    from benchkit.errors import RunFileError
    from benchkit.runfile.reader import open_run

    with open_run(Path(task.path)) as run:
        if run.content_sha256 != task.content_sha256:
            raise RunFileError("the file was changed since the folder was looked through", where=task.path)
        run.verify()


def _told(task: Task, reason: str) -> str:
    """A reason without the folder, which is another one on every computer."""
    return reason.removeprefix(f"{task.path}: ").replace(task.path, Path(task.path).name)[:400]


def plain_rows(found: object) -> tuple[Row, ...]:
    """Rows as they are kept: numbers that are not finite are None, NumPy's become Python's.

    Raises:
        UsageError: something else than a dict or a list of dicts of plain values.
    """
    rows = [found] if isinstance(found, Mapping) else found
    if not isinstance(rows, (list, tuple)) or not all(isinstance(row, Mapping) for row in rows):
        raise UsageError("the analysis gave no rows", got=type(found).__name__, expected="a dict, or a list of dicts")
    return tuple({str(key): _plain(str(key), value) for key, value in row.items()} for row in rows)


def _plain(key: str, value: Any) -> Value:
    if hasattr(value, "item") and getattr(value, "shape", None) == ():
        value = value.item()
    if value is None or isinstance(value, (str, bool, int)):
        return value if not isinstance(value, str) else str(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    raise UsageError("the analysis gave a value that is not plain", where=key, got=type(value).__name__)
