"""What is written of a plan, entry by entry. Account and progress are made from the entries alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.events import JsonValue
from benchkit.model.plans import Axis, Done, Target


class EntryKind(StrEnum):
    """Kinds of entry."""

    OPENED = "opened"
    """A recording has taken the plan up; ``data`` names run, plan and hash."""
    APPROVED = "approved"
    BEGUN = "begun"
    RESUMED = "resumed"
    STEP = "step"
    ARRIVED = "arrived"
    SETTLED = "settled"
    UNSETTLED = "unsettled"
    TAKEN = "taken"
    SKIPPED = "skipped"
    REPEATED = "repeated"
    """The steps done in this pass of the segment count for nothing."""
    STOPPED = "stopped"
    ACKNOWLEDGED = "acknowledged"
    CONFIRMED = "confirmed"
    NOT_PASSED = "not_passed"
    TIME = "time"
    """Time since the entry of time before: ``way_s`` under way, ``read_s`` reading, ``good_s`` of it in tolerance."""
    FINISHED = "finished"
    ABANDONED = "abandoned"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. ``time_s`` is stream time of the run it was made in."""

    kind: EntryKind
    time_s: float
    message: str = ""
    data: Mapping[str, JsonValue] = field(default_factory=dict)


def target_data(target: Target) -> dict[str, JsonValue]:
    """A target as JSON."""
    return {axis.value: known(value) for axis, value in target.items()}


def known(value: float) -> float | None:
    """The number, or None for one that is not known: JSON has no NaN."""
    return value if math.isfinite(value) else None


def target_from(data: object) -> dict[Axis, float]:
    """A target from JSON; what is no axis or no number is left out."""
    if not isinstance(data, Mapping):
        return {}
    known = {axis.value for axis in Axis}
    return {Axis(k): float(v) for k, v in data.items() if k in known and isinstance(v, int | float)}


def done_data(one: Done) -> dict[str, JsonValue]:
    """A step that is over, as JSON."""
    step = one.step
    return {
        "step": step.index,
        "kind": step.kind.value,
        "segment": step.segment,
        "turn": step.turn,
        "number": step.number,
        "of": step.of,
        "rating": step.rating,
        "target": target_data(step.target),
        "tolerance": target_data(step.tolerance),
        "from_s": known(one.from_s),
        "to_s": known(one.to_s),
        "means": target_data(one.means),
        "outside_s": known(one.outside_s),
        "waited_s": known(one.waited_s),
        "cause": one.cause,
    }
