"""What a recorder and a capturing process say to each other, apart from the work, which the recorder never loads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchkit.model.bursts import BurstSource


@dataclass(frozen=True, slots=True)
class BeginCapture:
    """Listen, or watch the folder. ``start_ns`` is the host's monotonic time at the start of the run."""

    source: BurstSource
    folder: Path
    start_ns: int


@dataclass(frozen=True, slots=True)
class Fire:
    """Keep what lies around this host time [ns]."""

    number: int
    reason: str
    time_ns: int


@dataclass(frozen=True, slots=True)
class EndCapture:
    """Finish the bursts under way, then end."""


@dataclass(frozen=True, slots=True)
class Listening:
    """The source is open; ``address`` is where."""

    address: str


@dataclass(frozen=True, slots=True)
class Captured:
    """A burst that lies on the disk, or why there is none (``path`` is None). ``number`` 0: the file source counts."""

    number: int
    reason: str
    time_ns: int
    path: Path | None
    rows: int = 0
    missing: int = 0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Totals:
    """At the end: samples received and lost, packets late, refused, and new starts of the counter."""

    received: int = 0
    lost: int = 0
    late: int = 0
    refused: int = 0
    restarts: int = 0
