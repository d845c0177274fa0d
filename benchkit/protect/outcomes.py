"""What protection hands to its caller: commands to write, happenings to log, and reaction records."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields

from benchkit.model.events import EventKind, JsonValue


class Words:
    """A text that is made when it is first read: a stop command does not wait for the words about it."""

    __slots__ = ("_text",)

    def __init__(self, make: Callable[[], str]) -> None:
        self._text: str | Callable[[], str] = make

    def __str__(self) -> str:
        if not isinstance(self._text, str):
            self._text = self._text()
        return self._text

    def __eq__(self, other: object) -> bool:
        return str(self) == str(other) if isinstance(other, (str, Words)) else NotImplemented

    def __hash__(self) -> int:
        return hash(str(self))


@dataclass(frozen=True, slots=True)
class Command:
    """One command line to write to ``source`` at once; tell :meth:`Protection.written` when it is out.

    ``cause`` is a text for people. ``sample_ns`` is the host time of what led to it: arrival of the sample, or the
    instant at which a delay or the patience with a silent source ran out, or the request.
    """

    source: str
    text: str
    cause: str | Words
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


class HappenedNow(Happened):
    """A happening of this instant whose words and numbers are made when they are first read.

    ``make`` gives message and data; what may change until then it must hold itself.
    """

    __slots__ = ("_made",)
    _made: tuple[str, Mapping[str, JsonValue]] | Callable[[], tuple[str, Mapping[str, JsonValue]]]

    def __init__(
        self,
        time_ns: int,
        kind: EventKind,
        make: Callable[[], tuple[str, Mapping[str, JsonValue]]],
        source: str = "",
        channel: str = "",
    ) -> None:
        for name, value in (("time_ns", time_ns), ("kind", kind), ("source", source), ("channel", channel)):
            object.__setattr__(self, name, value)
        object.__setattr__(self, "_made", make)

    @property
    def message(self) -> str:
        """The text."""
        return self._told()[0]

    @property
    def data(self) -> Mapping[str, JsonValue]:
        """The numbers."""
        return self._told()[1]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Happened):
            return NotImplemented
        return all(getattr(self, one.name) == getattr(other, one.name) for one in fields(Happened))

    __hash__ = None  # type: ignore[assignment]  # as of any event: its numbers are a dict

    def _told(self) -> tuple[str, Mapping[str, JsonValue]]:
        made = self._made
        if not isinstance(made, tuple):
            made = made()
            object.__setattr__(self, "_made", made)
        return made


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
