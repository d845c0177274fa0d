"""Heartbeat output as the profile says it: where the beats go, how often, and whether a trip stops them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class ControlLine(StrEnum):
    """Control line of a serial port that a program can switch (EIA-232 names)."""

    RTS = "rts"
    DTR = "dtr"


@dataclass(frozen=True, slots=True)
class LineOutput:
    """Each beat turns a control line of a serial port over; nothing else uses the port."""

    port: str
    line: ControlLine


@dataclass(frozen=True, slots=True)
class MessageOutput:
    """Each beat is a command line to ``source``; ``{count}`` in it is the number of the beat.

    An answer that reads ``answered_by`` is counted and not logged; empty: the device does not answer.
    """

    source: str
    command: str
    answered_by: str = ""


@dataclass(frozen=True, slots=True)
class CoilOutput:
    """Each beat turns a coil of a Modbus source over."""

    source: str
    address: int


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """A beat every ``period_s`` as long as the recorder looks at the limits.

    ``stop_on_trip``: False, the beat says that the process lives and looks; True, it says so and that nothing has
    tripped.
    """

    period_s: float
    stop_on_trip: bool
    output: LineOutput | MessageOutput | CoilOutput


COUNT_MODULUS = 65536
"""Beats are numbered 0 ... 65535 and over again."""
