"""The life of an alarm: its states, and what moves it from one to the next. Every limit that acts is an alarm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.interlock import State


class Life(StrEnum):
    """Where an alarm stands, in the words of IEC 62682 and ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class AlarmTrigger(StrEnum):
    """What may move it."""

    ACTS = "ACTS"
    LETS_GO = "LETS_GO"
    LETS_GO_LATCHED = "LETS_GO_LATCHED"
    """The limit lets go, and is latching."""
    ACKNOWLEDGE = "ACKNOWLEDGE"
    RELEASE = "RELEASE"
    """The latch is released: by RESET, or for a caution by a person."""
    SHELVE = "SHELVE"
    UNSHELVE = "UNSHELVE"
    SUPPRESS = "SUPPRESS"
    UNSUPPRESS = "UNSUPPRESS"
    TAKE_OUT = "TAKE_OUT"
    PUT_BACK = "PUT_BACK"


@dataclass(frozen=True, slots=True)
class AlarmRules:
    """What the profile allows with cautions. Trips are never shelved, suppressed or taken out of service."""

    longest_shelving_s: float = 0.0
    """0: nothing can be shelved."""
    suppressed_in: Mapping[str, tuple[State, ...]] = field(default_factory=dict)
    """Caution -> states of the interlock in which it is suppressed by design."""
    tightened_live: tuple[str, ...] = ()
    """Limits whose set point may be made stricter while a run is recorded (``protect.tightening``)."""
