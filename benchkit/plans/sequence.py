"""The steps of a plan in their order: passes, up and down, references, gates."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Protocol

from benchkit.model.plans import (
    Axis,
    Done,
    Dwell,
    Gate,
    Order,
    Plan,
    Reference,
    Segment,
    SegmentKind,
    Step,
    StepKind,
    Target,
    Until,
)

MOST_STEPS = 100_000


class NextPoint(Protocol):
    """Which step comes next, from what has been done so far. Pure: the same ``done`` gives the same step.

    A step that counts is in ``done`` once; one that must be repeated has been taken out of it. None: the plan is over.
    """

    def __call__(self, plan: Plan, done: Sequence[Done]) -> Step | None: ...


class InOrder:
    """The steps of a plan one after the other; the expansion is kept for the plan it was made for."""

    def __init__(self, plan: Plan) -> None:
        self.steps = steps_of(plan)

    def __call__(self, plan: Plan, done: Sequence[Done]) -> Step | None:  # noqa: ARG002 - the form of NextPoint
        over = {one.step.index for one in done}
        return next((step for step in self.steps if step.index not in over), None)


def steps_of(plan: Plan) -> tuple[Step, ...]:
    """Every step of a plan."""
    steps: list[Step] = []
    for segment in plan.segments:
        if segment.gate is not None:
            steps.append(_by_hand(len(steps), segment, segment.gate, 1, f"Entry condition: {segment.gate.entry}"))
        for turn in range(1, segment.repeats + 1):
            steps += _pass(plan, segment, turn, len(steps))
        if segment.gate is not None:
            steps.append(_by_hand(len(steps), segment, segment.gate, 2, f"Pass test: {segment.gate.passes}"))
    return tuple(steps)


def count_of_steps(plan: Plan) -> int:
    """Number of steps, without making them."""
    return sum(segment.repeats * (3 * len(segment.points) + 2) + 2 for segment in plan.segments)


def _by_hand(index: int, segment: Segment, gate: Gate, number: int, text: str) -> Step:
    return Step(index, StepKind.BY_HAND, segment.name, 1, number, 2, instruction=text, approver=gate.approver)


def _pass(plan: Plan, segment: Segment, turn: int, first: int) -> Iterator[Step]:
    if segment.kind is SegmentKind.BY_HAND:
        yield Step(
            first,
            StepKind.BY_HAND,
            segment.name,
            turn,
            1,
            1,
            instruction=segment.instruction,
            approver=segment.approver,
            after_stop=segment.after_stop,
        )
        return
    if segment.kind is SegmentKind.COOL:
        points: list[tuple[StepKind, Target, Dwell | None]] = [
            (StepKind.COOL, segment.points[0] if segment.points else at_rest(plan), segment.dwell)
        ]
    else:
        points = list(_with_references(plan.reference if segment.has_references else None, segment))
    bands = {**plan.tolerance, **segment.tolerance}
    for number, (kind, target, dwell) in enumerate(points, start=1):
        yield Step(
            index=first + number - 1,
            kind=kind,
            segment=segment.name,
            turn=turn,
            number=number,
            of=len(points),
            target=target,
            dwell=dwell,
            tolerance={axis: bands[axis] for axis in target if axis in bands},
            ramp_s=segment.ramp_s,
            after_stop=segment.after_stop,
            rating=segment.rating,
            expected=segment.expected,
        )


def _with_references(reference: Reference | None, segment: Segment) -> Iterator[tuple[StepKind, Target, Dwell | None]]:
    points = ordered(segment.points, segment.order)
    if reference is None:
        yield from ((StepKind.POINT, target, segment.dwell) for target in points)
        return
    for place, target in enumerate(points):
        if place % reference.every == 0:
            yield StepKind.REFERENCE, reference.point, reference.dwell
        yield StepKind.POINT, target, segment.dwell
    yield StepKind.REFERENCE, reference.point, reference.dwell


def ordered(points: Sequence[Target], order: Order) -> list[Target]:
    """Points of one pass. ``up`` and ``down`` go by the axes in the order they are written; ``up_and_down`` holds
    both ways in one pass, the top once."""
    if order is Order.AS_WRITTEN:
        return list(points)
    up = sorted(points, key=lambda target: tuple(target.values()))
    if order is Order.UP:
        return up
    down = up[::-1]
    return down if order is Order.DOWN else [*up, *down[1:]]


def at_rest(plan: Plan) -> Target:
    """Every axis that the plan sets, at zero; speed first."""
    used = {axis for segment in plan.segments for target in segment.points for axis in target}
    if plan.reference is not None:
        used |= set(plan.reference.point)
    return {axis: 0.0 for axis in Axis if axis in used}


def dwell_s(dwell: Dwell, settling_s: float) -> tuple[float, float]:
    """Least and longest time of a dwell [s]; ``settling_s`` is the window of the steadiness criterion."""
    if dwell.until is Until.TIME:
        return dwell.time_s, max(dwell.longest_s, dwell.time_s)
    if dwell.until is Until.COOL:
        return 0.0, dwell.longest_s
    return settling_s + dwell.time_s, dwell.longest_s


def ramp_s(plan: Plan, start: Target, target: Target, least_s: float) -> float:
    """Time to the set-point under the slew of the plan [s]."""
    times = [
        abs(value - start.get(axis, 0.0)) / plan.slew[axis] for axis, value in target.items() if plan.slew.get(axis)
    ]
    return max([least_s, *times])


def time_left_s(
    plan: Plan,
    steps: Sequence[Step],
    start: Target,
    window_s: Callable[[Dwell], float],
    seen_s: Mapping[Until, float] | None = None,
) -> tuple[float, float, float]:
    """Least, likely and longest time of ``steps`` from ``start`` on [s of the stand].

    Dwells until something is steady take at least the window of their criterion (``window_s``) and the reading, at most
    their longest wait; likely is the mean of those so far (``seen_s``), where there were any of that kind. Without
    steps by hand.
    """
    least = likely = longest = 0.0
    seen, at = seen_s or {}, dict(start)
    for step in steps:
        if step.kind is StepKind.BY_HAND or step.dwell is None:
            continue
        way = ramp_s(plan, at, step.target, step.ramp_s)
        low, high = dwell_s(step.dwell, window_s(step.dwell))
        least += way + low
        likely += way + min(max(seen.get(step.dwell.until, low), low), high)
        longest += way + high
        at |= step.target
    return least, likely, longest
