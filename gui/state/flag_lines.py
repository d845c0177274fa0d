"""One open flag as a line of a list, and the rows that it is about."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchkit.report.model import Tone


@dataclass(frozen=True, slots=True)
class Jump:
    """Rows of a run that a flag is about."""

    path: Path
    stream: str
    row_start: int
    row_stop: int


@dataclass(frozen=True, slots=True)
class FlagLine:
    """One line of the data-quality list."""

    tone: Tone
    cells: tuple[str, ...]
    jump: Jump | None


FLAG_HEADS = ("Severity", "Run", "Rows", "About", "What is open", "Usual cause", "What to do")
