"""Where a plan stands, what is seen of the stand, and what one look leads to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchkit.analysis.steady_live import SteadyNow
from benchkit.model.events import JsonValue
from benchkit.model.interlock import State
from benchkit.model.plans import (
    AXIS_QUANTITY,
    AfterStop,
    Axis,
    Done,
    Mode,
    Outcome,
    Plan,
    Step,
    StepKind,
    StopCause,
    Target,
    Until,
)
from benchkit.plans.entries import Entry, EntryKind, done_data, target_data
from benchkit.plans.sequence import NextPoint
from benchkit.plans.table import UNDER_WAY, Cue, Phase, moved
from benchkit.units import BENCH_UNIT


@dataclass(frozen=True, slots=True)
class Seen:
    """What the shell has seen since the last look. ``time_s`` is stream time, ``host_s`` host time of the run."""

    time_s: float
    host_s: float
    state: State
    measured: Mapping[Axis, float] = field(default_factory=dict)
    """Mean of each axis since the last look; NaN: not measured."""
    channels: Mapping[str, float] = field(default_factory=dict)
    """Newest value of every channel."""
    rows_s: float = 0.0
    """Time that the rows since the last look cover."""
    good_s: float = 0.0
    """How much of it was within the tolerance of the step."""
    steady: SteadyNow | None = None
    is_fresh: bool = True
    """The values are no older than the stand allows."""
    tripped_by: str = ""
    """First cause of a trip, in words."""


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Send these, in this order."""

    target: Target


@dataclass(frozen=True, slots=True)
class StopStand:
    """Command the configured stop."""

    cause: StopCause
    detail: str


@dataclass(frozen=True, slots=True)
class SteadyAnew:
    """What follows is another stretch: the running steadiness starts anew."""


Order = SetPoints | StopStand | SteadyAnew


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a plan stands, whole. Times: ``…_s`` stream time, ``…_host_s`` host time."""

    phase: Phase = Phase.LOADED
    step: Step | None = None
    since_s: float = math.nan
    """When the step began."""
    arrived_s: float = math.nan
    taking_s: float = math.nan
    """When the reading began."""
    good_s: float = 0.0
    """Time within tolerance of the reading so far."""
    outside_s: float = 0.0
    sums: Target = field(default_factory=dict)
    """Integral of each axis over the reading."""
    sent: Target = field(default_factory=dict)
    """Set-points as they were sent last; empty before the first."""
    sent_s: float = -math.inf
    ramp_from: Target = field(default_factory=dict)
    looked_s: float = math.nan
    cause: StopCause | None = None
    detail: str = ""
    done: tuple[Done, ...] = ()
    approvals: Mapping[str, str] = field(default_factory=dict)
    """Who gave each approval."""
    acknowledged_host_s: float = math.nan
    present_host_s: float | None = None
    operator: str = ""

    @property
    def is_under_way(self) -> bool:
        """True where the stand may be in motion for the plan."""
        return self.phase in UNDER_WAY


@dataclass(frozen=True, slots=True)
class Turn:
    """What one look has led to."""

    progress: Progress
    orders: tuple[Order, ...] = ()
    entries: tuple[Entry, ...] = ()
    read_s: float = 0.0
    """Time of this look that belongs to a reading, and how much of it was within tolerance."""
    good_s: float = 0.0


def stop(plan: Plan, progress: Progress, seen: Seen, cause: StopCause, detail: str = "") -> Turn:
    """Stop a plan that is under way, for ``cause``; nothing where it is not."""
    if not progress.is_under_way or progress.step is None:
        return Turn(progress)
    step = progress.step
    data: dict[str, JsonValue] = {
        "cause": cause.value,
        "detail": detail,
        "step": step.index,
        "phase": progress.phase.value,
    }
    entries = [entry_of(EntryKind.STOPPED, seen, f"{step.name}: {cause.value}{f', {detail}' if detail else ''}", data)]
    done, good_s = progress.done, progress.good_s
    if step.after_stop is AfterStop.REPEAT and cause is not StopCause.HAND_STEP:
        key = (step.segment, step.turn)
        done = tuple(one for one in done if (one.step.segment, one.step.turn) != key)
        good_s = 0.0
        repeated: dict[str, JsonValue] = {
            "segment": step.segment,
            "turn": step.turn,
            "steps": len(progress.done) - len(done),
        }
        entries.append(entry_of(EntryKind.REPEATED, seen, f"{step.segment}: again from its start", repeated))
    held = replace(
        progress,
        phase=moved(progress.phase, Cue.STOP),
        cause=cause,
        detail=detail,
        done=done,
        step=step if len(done) == len(progress.done) else None,
        good_s=good_s,
        sent={},
        taking_s=math.nan,
        arrived_s=math.nan,
    )
    orders: tuple[Order, ...] = (StopStand(cause, detail),) if plan.mode is Mode.DRIVE else ()
    return Turn(held, orders, tuple(entries))


def go_on(plan: Plan, progress: Progress, seen: Seen, one: Done, following: NextPoint) -> Turn:
    """What follows a step that is over."""
    kind = EntryKind.TAKEN if one.outcome is Outcome.TAKEN else EntryKind.SKIPPED
    name = one.step.name
    first = entry_of(kind, seen, name if not one.cause else f"{name}: {one.cause}", done_data(one))
    done = (*progress.done, one)
    step = following(plan, done)
    if step is None:
        after = replace(progress, phase=moved(progress.phase, Cue.LAST), step=None, done=done, sent={}, good_s=0.0)
        ends: tuple[Order, ...] = (StopStand(StopCause.FINISHED, ""),) if plan.mode is Mode.DRIVE else ()
        return Turn(after, ends, (first, entry_of(EntryKind.FINISHED, seen, plan.name)))
    by_hand = step.kind is StepKind.BY_HAND
    entered = enter(
        plan,
        replace(progress, phase=moved(progress.phase, Cue.NEXT_BY_HAND if by_hand else Cue.NEXT), done=done),
        seen,
        step,
    )
    return Turn(entered.progress, entered.orders, (first, *entered.entries))


def enter(plan: Plan, progress: Progress, seen: Seen, step: Step, good_s: float = 0.0) -> Turn:
    """The first moment of a step. One that is done by hand stops the stand: nobody works on what turns."""
    data: dict[str, JsonValue] = {
        "step": step.index,
        "segment": step.segment,
        "turn": step.turn,
        "target": target_data(step.target),
    }
    if step.rating:
        data["rating"] = step.rating
    text = f"{step.name}: {step.instruction}" if step.instruction else f"{step.name}: {in_words(step.target)}"
    entered = replace(
        progress,
        step=step,
        since_s=seen.time_s,
        arrived_s=math.nan,
        taking_s=math.nan,
        good_s=good_s,
        outside_s=0.0,
        sums={},
        ramp_from=dict(progress.sent),
        looked_s=seen.time_s,
    )
    rests = step.kind is StepKind.BY_HAND and plan.mode is Mode.DRIVE and seen.state is State.RUNNING
    orders: list[Order] = [StopStand(StopCause.HAND_STEP, step.instruction)] if rests else []
    if step.dwell is not None and step.dwell.until is Until.THERMAL:
        orders.append(SteadyAnew())  # temperatures were not judged before, even where the set-points stay
    return Turn(entered, tuple(orders), (entry_of(EntryKind.STEP, seen, text, data),))


def entry_of(kind: EntryKind, seen: Seen, message: str, data: Mapping[str, JsonValue] | None = None) -> Entry:
    return Entry(kind, seen.time_s, message, data or {})


def is_done(progress: Progress, step: Step) -> bool:
    return any(one.step.index == step.index for one in progress.done)


def in_words(target: Target) -> str:
    """``speed 2000 rpm, torque 40 N·m``."""
    return ", ".join(f"{axis.value} {value:g} {BENCH_UNIT[AXIS_QUANTITY[axis]]}" for axis, value in target.items())


def seen_waits(done: Sequence[Done]) -> dict[Until, float]:
    """How long dwells of each kind took so far [s], in the mean: for what is left."""
    waits: dict[Until, list[float]] = {}
    for one in done:
        if one.outcome is Outcome.TAKEN and one.step.dwell is not None and one.step.dwell.until is not Until.TIME:
            waits.setdefault(one.step.dwell.until, []).append(one.waited_s)
    return {until: sum(seconds) / len(seconds) for until, seconds in waits.items()}
