"""What protection hands to its caller: commands to write, happenings to log, and reaction records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchkit.model.events import EventKind, JsonValue


@dataclass(frozen=True, slots=True)
class Command:
    """One command line to write to ``source`` at once; tell :meth:`Protection.written` when it is out.

    ``cause`` is a text for people. ``sample_ns`` is the host time of what led to it: arrival of the sample, or the
    instant at which a delay or the patience with a silent source ran out, or the request.
    """

    source: str
    text: str
    cause: str
    sample_ns: int
    action: str = ""
    """Name of the stop action."""
    attempt: int = 1
    step: int = 1
    """Which step of the action, from 1."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One event in host time, for the log."""

    time_ns: int
    kind: EventKind
    message: str
    source: str = ""
    channel: str = ""
    data: Mapping[str, JsonValue] = field(default_factory=dict)


Outcome = Command | Happened


@dataclass(frozen=True, slots=True)
class Reaction:
    """How long one trip took, host ns: condition complete, decided, command written, acknowledged.

    ``sample_ns`` is the arrival of the sample that completed the condition, or the instant at which a delay or the
    patience with a silent source ran out. ``written_ns`` is the first writing. None: not so far.
    """

    limit: str
    sample_ns: int
    decided_ns: int
    written_ns: int | None = None
    acknowledged_ns: int | None = None


@dataclass(frozen=True, slots=True)
class StopStatus:
    """Where a stop action stands that is not acknowledged to its last step."""

    action: str
    step: int
    of: int
    attempt: int
    """Commands sent for this step; 0: it waits for its delay or for its link."""
    source: str
    is_held: bool = False
    """The link of ``source`` is lost: nothing can be sent."""
    escalated_from: str = ""
    """Name of the action that was not answered before."""
