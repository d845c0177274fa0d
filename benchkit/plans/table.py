"""Where a plan stands, and what moves it: one table.

Rules:

1. What is not in the table is refused, and the refusal says where the plan stands and what is possible there.
2. From MOVING, SETTLING and TAKING every trouble leads to HELD: a trip, a lost acknowledgement, a lost operator, values
   that are not fresh, an interlock that has left RUNNING.
3. HELD is left by a person alone, with RESUME; no cue of the tool itself leaves it.
4. A step by hand rests in AWAITING; when a person has confirmed it the plan is HELD: motion begins again with RESUME.
5. DONE and ABANDONED are ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from benchkit.errors import RefusedError


class Phase(StrEnum):
    """Where a plan stands."""

    LOADED = "loaded"
    MOVING = "moving"
    """Set-points are on their way; in lead mode the operator brings them there."""
    SETTLING = "settling"
    TAKING = "taking"
    AWAITING = "awaiting"
    HELD = "held"
    DONE = "done"
    ABANDONED = "abandoned"


class Cue(StrEnum):
    """What moves it."""

    BEGIN = "begin"
    BEGIN_BY_HAND = "begin by hand"
    ARRIVED = "arrived"
    SETTLED = "settled"
    UNSETTLED = "unsettled"
    NEXT = "next"
    NEXT_BY_HAND = "next by hand"
    LAST = "last"
    STOP = "stop"
    CONFIRM = "confirm"
    RESUME = "resume"
    RESUME_BY_HAND = "resume by hand"
    ABANDON = "abandon"


UNDER_WAY = (Phase.MOVING, Phase.SETTLING, Phase.TAKING)
"""Phases in which the stand may be in motion for the plan."""
BY_A_PERSON = (Cue.BEGIN, Cue.BEGIN_BY_HAND, Cue.CONFIRM, Cue.RESUME, Cue.RESUME_BY_HAND, Cue.ABANDON)
"""Cues that only a person gives."""

TABLE: Mapping[tuple[Phase, Cue], Phase] = MappingProxyType(
    {
        (Phase.LOADED, Cue.BEGIN): Phase.MOVING,
        (Phase.LOADED, Cue.BEGIN_BY_HAND): Phase.AWAITING,
        (Phase.MOVING, Cue.ARRIVED): Phase.SETTLING,
        (Phase.SETTLING, Cue.SETTLED): Phase.TAKING,
        (Phase.TAKING, Cue.UNSETTLED): Phase.SETTLING,
        **{(phase, Cue.NEXT): Phase.MOVING for phase in UNDER_WAY},
        **{(phase, Cue.NEXT_BY_HAND): Phase.AWAITING for phase in UNDER_WAY},
        **{(phase, Cue.LAST): Phase.DONE for phase in (*UNDER_WAY, Phase.AWAITING, Phase.HELD)},
        **{(phase, Cue.STOP): Phase.HELD for phase in UNDER_WAY},
        (Phase.AWAITING, Cue.CONFIRM): Phase.HELD,
        (Phase.HELD, Cue.RESUME): Phase.MOVING,
        (Phase.HELD, Cue.RESUME_BY_HAND): Phase.AWAITING,
        **{(phase, Cue.ABANDON): Phase.ABANDONED for phase in (Phase.LOADED, *UNDER_WAY, Phase.AWAITING, Phase.HELD)},
    }
)


def moved(phase: Phase, cue: Cue) -> Phase:
    """Phase after ``cue``; raises ``RefusedError`` for what the table does not hold."""
    following = TABLE.get((phase, cue))
    if following is None:
        raise RefusedError(
            f"{cue.value!r} is refused while the plan is {phase.value}",
            remedy=f"Possible now: {', '.join(c.value for c in Cue if (phase, c) in TABLE) or 'nothing, it is over'}",
        )
    return following


def mermaid() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {Phase.LOADED.value}"]
    lines += [f"    {start.value} --> {end.value}: {cue.value}" for (start, cue), end in TABLE.items()]
    return "\n".join(lines) + "\n"
