"""What the catalogue knows of one run file, and what can be asked of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class State(StrEnum):
    """In what state a run file is, as far as its structure says. Content is checked by ``benchkit verify``."""

    CLOSED = "closed"
    NOT_CLOSED = "not closed"
    RECORDING = "being recorded"
    DAMAGED = "damaged"
    """Foreign, or not to be read; ``reason`` says why."""


class Entry(NamedTuple):
    """One run file. Texts are empty and numbers None where the file does not say them.

    A tuple, because a list of ten thousand is made of as many of them.
    """

    path: str
    """Relative to the folder of the catalogue, with '/'."""
    size_bytes: int
    mtime_ns: int
    state: State
    reason: str = ""
    """Why it cannot be read; for a run that is not closed what to do."""
    content_sha256: str = ""
    """As stored at closing."""
    run_id: str = ""
    started_utc: str = ""
    day: str = ""
    """Day of the start, in the offset in which it was recorded (ISO 8601)."""
    stand: str = ""
    operator: str = ""
    note: str = ""
    inverter: str = ""
    motor: str = ""
    firmware: str = ""
    propeller: str = ""
    software_version: str = ""
    simulated: bool | None = None
    duration_s: float | None = None
    """Sample time from the first row to the last of the longest stream [s]."""
    rows: int | None = None
    """Of all streams together."""
    tags: tuple[str, ...] = ()

    @property
    def article(self) -> str:
        """What was tested: inverter and motor."""
        return f"{self.inverter} + {self.motor}" if self.inverter and self.motor else self.inverter or self.motor

    @property
    def tag_key(self) -> str:
        """What tags are kept by: the content hash, before closing the run id; empty for a file that has neither."""
        if self.content_sha256:
            return self.content_sha256
        return f"run {self.run_id}" if self.run_id else ""


@dataclass(frozen=True, slots=True)
class Filter:
    """Conditions that all must hold. Texts may hold ``*``, ``?`` and ``[…]``, and do not see case; empty: any.

    ``article`` is the id of inverter or motor; ``first_day`` and ``last_day`` are ISO days, both included.
    """

    article: str = ""
    firmware: str = ""
    propeller: str = ""
    operator: str = ""
    stand: str = ""
    run: str = ""
    """Run id, path, file name, or the beginning of the content hash (8 digits or more)."""
    first_day: str = ""
    last_day: str = ""
    simulated: bool | None = None
    states: tuple[State, ...] = ()
    tags: tuple[str, ...] = ()
    """All of them."""

    @property
    def is_empty(self) -> bool:
        """True where nothing is asked for."""
        return self == Filter()
