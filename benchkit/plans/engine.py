"""A plan carried out: what is seen goes in, set-points and entries come out. No clock and no port.

Rules beside those of the table (:mod:`benchkit.plans.table`):

1. Set-points go out in drive mode and in RUNNING alone, within the bounds of the stand, and no faster than the slew.
2. The steadiness starts anew with the last set-point sent; a reading begins when it is there and every channel with a
   tolerance is within it, and begins anew where one of them is lost.
3. A dwell by time counts time within tolerance alone.
4. The longest wait counts from the arrival of the set-points, in lead mode from the beginning of the step.
5. The operator acknowledges every ``every_s`` of host time; what is ``within_s`` late stops the plan, as a client does
   that watched and fell silent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from benchkit.analysis.steady_live import SteadyNow
from benchkit.model.interlock import State
from benchkit.model.plans import Axis, Done, Dwell, Mode, Otherwise, Outcome, Plan, Step, StopCause, Target, Until
from benchkit.model.results import Settled
from benchkit.plans.bounds import Bound, beyond
from benchkit.plans.entries import EntryKind, known
from benchkit.plans.progress import Order, Progress, Seen, SetPoints, SteadyAnew, Turn, entry_of, go_on, in_words, stop
from benchkit.plans.sequence import NextPoint
from benchkit.plans.table import Cue, Phase, moved

SEND_EVERY_S = 0.2
"""Time of the stand between two set-points of a ramp."""
LONGEST_STEP_S = 1.0
"""A gap in time moves a ramp on by no more than this [s of the stand]."""
CLOSE = 1e-9


def advance(plan: Plan, progress: Progress, seen: Seen, bounds: Mapping[Axis, Bound], following: NextPoint) -> Turn:
    """One look: troubles first, then set-points, then what the values say."""
    step = progress.step
    if not progress.is_under_way or step is None:
        return Turn(progress)
    reads = progress.phase is Phase.TAKING
    if reads:
        progress = _counted(progress, seen)
    turn = _looked(plan, progress, seen, step, bounds, following)
    return replace(turn, read_s=seen.rows_s, good_s=seen.good_s) if reads else turn


def _looked(
    plan: Plan, progress: Progress, seen: Seen, step: Step, bounds: Mapping[Axis, Bound], following: NextPoint
) -> Turn:
    trouble = troubles(plan, progress, seen)
    if trouble is not None:
        return stop(plan, progress, seen, *trouble)
    orders: list[Order] = []
    if plan.mode is Mode.DRIVE:
        driven = _drive(plan, progress, seen, step, bounds)
        if driven is None:
            words = beyond({**progress.sent, **step.target}, bounds) or [in_words(step.target)]
            return stop(plan, progress, seen, StopCause.BOUND, "; ".join(words))
        progress, orders = driven
    turn = _judge(plan, replace(progress, looked_s=seen.time_s), seen, step, following)
    return replace(turn, orders=(*orders, *turn.orders))


def counted(progress: Progress, seen: Seen) -> Turn:
    """What has come since the last look, counted and nothing else: before a plan is stopped from outside."""
    if progress.phase is not Phase.TAKING:
        return Turn(progress)
    return Turn(_counted(progress, seen), (), (), seen.rows_s, seen.good_s)


def troubles(plan: Plan, progress: Progress, seen: Seen) -> tuple[StopCause, str] | None:
    """What stops a plan now, in words; None while all is well."""
    if seen.state is State.TRIPPED:
        return StopCause.TRIP, seen.tripped_by
    if plan.mode is Mode.DRIVE and seen.state is not State.RUNNING:
        return StopCause.BY_HAND, f"the interlock is in {seen.state.value}"
    if not seen.is_fresh:
        return StopCause.SILENT, ""
    return _absence(plan, progress, seen) or _surprise(progress, seen)


def _absence(plan: Plan, progress: Progress, seen: Seen) -> tuple[StopCause, str] | None:
    presence = plan.presence
    if presence is None:
        return None
    waited_s = seen.host_s - progress.acknowledged_host_s
    if not waited_s <= presence.every_s + presence.within_s:
        return StopCause.ACKNOWLEDGEMENT, f"none for {waited_s:.0f} s"
    last = progress.present_host_s
    if presence.silent_s is not None and last is not None and seen.host_s - last > presence.silent_s:
        return StopCause.OPERATOR, f"the client that watched is silent for {seen.host_s - last:.0f} s"
    return None


def _surprise(progress: Progress, seen: Seen) -> tuple[StopCause, str] | None:
    for expected in () if progress.step is None else progress.step.expected:
        value = seen.channels.get(expected.channel, math.nan)
        if not expected.low <= value <= expected.high:  # what is not measured is not as expected
            words = "is not measured" if math.isnan(value) else f"at {value:.4g}"
            return StopCause.EXPECTED, f"{expected.channel} {words}"
    return None


def acknowledgement_due_s(plan: Plan, progress: Progress, host_s: float) -> float | None:
    """Host time until the next acknowledgement is asked for, negative when it is late; None where none is asked for."""
    if plan.presence is None or not progress.is_under_way:
        return None
    return progress.acknowledged_host_s + plan.presence.every_s - host_s


def _counted(progress: Progress, seen: Seen) -> Progress:
    """Time of the rows since the last look, in the reading that is going on."""
    sums = {axis: progress.sums.get(axis, 0.0) + value * seen.rows_s for axis, value in seen.measured.items()}
    return replace(
        progress,
        good_s=progress.good_s + seen.good_s,
        outside_s=progress.outside_s + max(0.0, seen.rows_s - seen.good_s),
        sums=sums,
    )


def _drive(
    plan: Plan, progress: Progress, seen: Seen, step: Step, bounds: Mapping[Axis, Bound]
) -> tuple[Progress, list[Order]] | None:
    """Move the set-points on their way; None where there is no way within the bounds."""
    if beyond(progress.sent, bounds):  # a limit has been moved since
        return None
    if _is_sent(progress, step):
        return progress, []
    since_s = seen.time_s - (progress.sent_s if progress.sent else progress.looked_s)
    if progress.sent and since_s < SEND_EVERY_S:
        return progress, []
    passed_s = min(max(since_s, 0.0), LONGEST_STEP_S)
    here: dict[Axis, float] = dict(progress.sent)
    there: dict[Axis, float] = {}
    for axis, value in step.target.items():
        start = here.setdefault(axis, _where_it_is(seen.measured.get(axis, 0.0), bounds[axis]))
        way = plan.slew[axis] * passed_s
        if step.ramp_s > 0.0:
            way = min(way, abs(value - progress.ramp_from.get(axis, start)) / step.ramp_s * passed_s)
        there[axis] = value if abs(value - start) <= way + CLOSE else start + math.copysign(way, value - start)
    falling = {axis: value for axis, value in there.items() if abs(value) <= abs(here[axis])}
    for tried in (there, falling):  # both may cross a bound of power on their way: the falling one goes first
        sent = here | tried
        if not beyond(sent, bounds) and (tried is there or any(sent[axis] != here[axis] for axis in sent)):
            break
    else:
        return None
    news = {axis: sent[axis] for axis in step.target if progress.sent.get(axis) != sent[axis]}
    moved_on = replace(progress, sent=sent, sent_s=seen.time_s, ramp_from=progress.ramp_from or here)
    orders: list[Order] = [SetPoints(news)] if news else []
    if _is_sent(moved_on, step):
        orders.append(SteadyAnew())
    return moved_on, orders


def _is_sent(progress: Progress, step: Step) -> bool:
    return bool(progress.sent) and all(progress.sent.get(axis) == value for axis, value in step.target.items())


def _where_it_is(value: float, bound: Bound) -> float:
    """From where a ramp begins: what is measured, as far as it may be set."""
    if math.isnan(value):
        value = 0.0
    return min(max(value, bound.low), bound.high)


def _judge(plan: Plan, progress: Progress, seen: Seen, step: Step, following: NextPoint) -> Turn:
    """Arrived, settled, taken, or waited too long."""
    dwell = step.dwell
    assert dwell is not None
    is_there = plan.mode is Mode.LEAD or _is_sent(progress, step)
    was_there = math.isfinite(progress.arrived_s)
    if is_there and not was_there:
        progress = replace(progress, arrived_s=seen.time_s)
    if is_there and seen.time_s - progress.arrived_s > dwell.longest_s and not _has_it(dwell, progress):
        return _late(plan, progress, seen, step, dwell, following)
    if progress.phase is Phase.MOVING:
        if not is_there:
            return Turn(progress)
        if dwell.until is Until.TIME:
            return _hold(progress, seen, step, counts=was_there)
        is_near = within(step, seen.measured) or dwell.until is Until.COOL
        return _arrive(plan, progress, seen, step) if is_near else Turn(progress)
    if progress.phase is Phase.SETTLING:
        return _settle(plan, progress, seen, step, dwell, following)
    return _read(plan, progress, seen, step, dwell, following)


def _hold(progress: Progress, seen: Seen, step: Step, *, counts: bool) -> Turn:
    """A dwell by time begins with the first row within tolerance after the last set-point."""
    if counts and step.tolerance and not seen.good_s > 0.0:
        return Turn(progress)
    if not counts and not within(step, seen.measured):
        return Turn(progress)
    there = replace(progress, phase=moved(progress.phase, Cue.ARRIVED))
    reading = replace(there, phase=moved(there.phase, Cue.SETTLED), taking_s=seen.time_s, sums={}, outside_s=0.0)
    good_s = seen.good_s if counts else 0.0
    if counts:
        mine = replace(seen, rows_s=good_s)
        reading = _counted(replace(reading, taking_s=seen.time_s - good_s), mine)
    entry = entry_of(EntryKind.ARRIVED, seen, step.name, {"step": step.index})
    return Turn(reading, (), (entry,), good_s, good_s)


def _arrive(plan: Plan, progress: Progress, seen: Seen, step: Step) -> Turn:
    anew: tuple[Order, ...] = (SteadyAnew(),) if plan.mode is Mode.LEAD else ()
    entry = entry_of(EntryKind.ARRIVED, seen, step.name, {"step": step.index})
    return Turn(replace(progress, phase=moved(progress.phase, Cue.ARRIVED)), anew, (entry,))


def _settle(plan: Plan, progress: Progress, seen: Seen, step: Step, dwell: Dwell, following: NextPoint) -> Turn:
    if dwell.until is Until.COOL:
        is_cool = seen.channels.get(dwell.channel, math.nan) < dwell.below_c
        return go_on(plan, progress, seen, _taken(progress, seen, step), following) if is_cool else Turn(progress)
    if not within(step, seen.measured) or not _is_settled(dwell, seen.steady):
        return Turn(progress)
    settled = replace(
        progress,
        phase=moved(progress.phase, Cue.SETTLED),
        taking_s=seen.time_s,
        sums={},
        outside_s=0.0,
        good_s=0.0,
    )
    waited_s = round(seen.time_s - progress.arrived_s, 3)
    entry = entry_of(EntryKind.SETTLED, seen, step.name, {"step": step.index, "waited_s": known(waited_s)})
    return Turn(settled, (), (entry,))


def _read(plan: Plan, progress: Progress, seen: Seen, step: Step, dwell: Dwell, following: NextPoint) -> Turn:
    is_still = seen.good_s >= seen.rows_s - CLOSE and within(step, seen.measured) and _is_settled(dwell, seen.steady)
    if dwell.until is not Until.TIME and not is_still:
        unsettled = replace(
            progress, phase=moved(progress.phase, Cue.UNSETTLED), taking_s=math.nan, good_s=0.0, sums={}, outside_s=0.0
        )
        return Turn(unsettled, (), (entry_of(EntryKind.UNSETTLED, seen, step.name, {"step": step.index}),))
    if _has_it(dwell, progress):
        return go_on(plan, progress, seen, _taken(progress, seen, step), following)
    return Turn(progress)


def _has_it(dwell: Dwell, progress: Progress) -> bool:
    return progress.phase is Phase.TAKING and progress.good_s >= dwell.time_s - 1e-6


def within(step: Step, measured: Target) -> bool:
    """True where every axis with a tolerance is measured and within it; the edge belongs to it."""
    return all(abs(measured.get(axis, math.nan) - step.target[axis]) <= band for axis, band in step.tolerance.items())


def _is_settled(dwell: Dwell, steady: SteadyNow | None) -> bool:
    if steady is None or not steady.is_settled:
        return False
    if dwell.until is Until.STEADY:
        return True
    return steady.thermal is not None and steady.thermal.state is Settled.STEADY


def _late(plan: Plan, progress: Progress, seen: Seen, step: Step, dwell: Dwell, following: NextPoint) -> Turn:
    words = f"not within {dwell.longest_s:g} s"
    if dwell.otherwise is Otherwise.STOP:
        return stop(plan, progress, seen, StopCause.NOT_IN_TIME, words)
    skipped = Done(step, Outcome.SKIPPED, progress.since_s, seen.time_s, cause=words)
    return go_on(plan, progress, seen, skipped, following)


def _taken(progress: Progress, seen: Seen, step: Step) -> Done:
    read_s = progress.good_s + progress.outside_s
    begun_s = progress.taking_s if math.isfinite(progress.taking_s) else seen.time_s
    span_s = max(seen.time_s - begun_s, 0.0)
    means = {axis: total / span_s for axis, total in progress.sums.items()} if span_s > 0.0 and read_s > 0.0 else {}
    waited_s = seen.time_s - progress.arrived_s
    return Done(step, Outcome.TAKEN, begun_s, seen.time_s, means, progress.outside_s, waited_s=waited_s)
