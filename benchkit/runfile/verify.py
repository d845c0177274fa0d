"""Is a run still what was recorded? Never raises for a bad file: says what is wrong with it, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from benchkit.errors import RunFileError
from benchkit.runfile import layout
from benchkit.runfile.hashing import Progress
from benchkit.runfile.journal import is_being_written
from benchkit.runfile.reader import Run, open_run


class Verdict(StrEnum):
    """What a check of a run ended with. Only ``WHOLE`` is good."""

    WHOLE = "whole"
    DIFFERS = "differs"
    """The content is readable, but not what was hashed at closing."""
    DAMAGED = "damaged"
    """Missing, foreign, or not to be read."""
    NOT_CLOSED = "not closed"
    RECORDING = "being recorded"


@dataclass(frozen=True, slots=True)
class Checked:
    """One run after its check."""

    path: Path
    verdict: Verdict
    message: str
    """What is wrong and what to do; empty for a run that is whole and stands alone."""
    content_sha256: str
    """As stored; empty where there is none."""
    journal: Path | None
    """A journal that lies beside the run; a run that was closed in order has none."""

    @property
    def is_good(self) -> bool:
        """True for a run whose content is what was recorded."""
        return self.verdict is Verdict.WHOLE


def check_run(path: Path, progress: Progress | None = None) -> Checked:
    """Compute the content hash of a run again and compare. ``progress`` is called with bytes done and bytes in all."""
    path = Path(path)
    beside = layout.journal_path(path)
    journal = beside if beside.is_file() else None
    stored = ""
    verdict, message = Verdict.DAMAGED, ""
    try:
        with open_run(path) as run:
            stored = run.content_sha256
            if not run.is_closed:
                verdict, message = _not_closed(path)
            else:
                verdict, message = Verdict.DIFFERS, ""
                run.verify(progress)
                verdict = Verdict.WHOLE
    except RunFileError as error:
        # a damaged chunk shows as an error of reading, a changed number as another hash
        verdict = Verdict.DIFFERS if verdict is Verdict.DIFFERS and error.got is not None else Verdict.DAMAGED
        message = str(error)
    if verdict is Verdict.WHOLE and journal is not None:
        message = f"{journal.name} is left over beside it. 'benchkit recover' says whether it can be deleted."
    return Checked(path=path, verdict=verdict, message=message, content_sha256=stored, journal=journal)


def require_closed(run: Run) -> None:
    """Refuse a run that is not closed.

    Raises:
        RunFileError: it is still being recorded, or its recorder died.
    """
    if not run.is_closed:
        raise RunFileError(_not_closed(run.path)[1])


def _not_closed(path: Path) -> tuple[Verdict, str]:
    if is_being_written(layout.journal_path(path)):
        return Verdict.RECORDING, f"{path}: is still being recorded. Close the run first, then try again."
    return Verdict.NOT_CLOSED, f"{path}: the run was not closed. 'benchkit recover' makes a closed run of it."
