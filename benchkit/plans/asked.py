"""What a person asks of a plan. Each gives a new progress, or refuses with the reason."""

from __future__ import annotations

import math
from dataclasses import replace

from benchkit.errors import RefusedError
from benchkit.model.events import JsonValue
from benchkit.model.interlock import State
from benchkit.model.plans import AfterStop, Done, Mode, Outcome, Plan, StepKind, StopCause
from benchkit.plans.entries import EntryKind, done_data
from benchkit.plans.progress import Progress, Seen, Turn, enter, entry_of, go_on, is_done, stop
from benchkit.plans.sequence import NextPoint
from benchkit.plans.table import UNDER_WAY, Cue, Phase, moved


def begin(plan: Plan, progress: Progress, seen: Seen, who: str, following: NextPoint) -> Turn:
    """Begin a plan, or go on with one that is held. Raises ``RefusedError`` with the reason.

    In drive mode the interlock must be in RUNNING. Going on is a new start: it needs a person, and a name.
    """
    resumes = progress.phase is Phase.HELD
    if not resumes and progress.phase is not Phase.LOADED:
        moved(progress.phase, Cue.BEGIN)
    if not who:
        raise RefusedError("nobody begins", where="plan", remedy="Say who watches the stand.")
    step = progress.step if progress.step is not None and not is_done(progress, progress.step) else None
    step = step or following(plan, progress.done)
    if step is None:
        after = replace(progress, phase=moved(progress.phase, Cue.LAST) if resumes else Phase.DONE, step=None)
        return Turn(after, (), (entry_of(EntryKind.FINISHED, seen, plan.name),))
    by_hand = step.kind is StepKind.BY_HAND
    if not by_hand and plan.mode is Mode.DRIVE and seen.state is not State.RUNNING:
        raise RefusedError(
            "a plan moves the stand in RUNNING only", where="plan", got=seen.state.value, remedy="Arm and start first."
        )
    if not by_hand and not seen.is_fresh:
        raise RefusedError("the values are not fresh", where="plan", remedy="Look at the links.")
    cue = {
        (False, False): Cue.BEGIN,
        (False, True): Cue.BEGIN_BY_HAND,
        (True, False): Cue.RESUME,
        (True, True): Cue.RESUME_BY_HAND,
    }[resumes, by_hand]
    first = entry_of(
        EntryKind.RESUMED if resumes else EntryKind.BEGUN,
        seen,
        f"{plan.name} by {who}",
        {"who": who, "mode": plan.mode.value},
    )
    kept = progress.good_s if resumes and step == progress.step and step.after_stop is AfterStop.GO_ON else 0.0
    begun = replace(
        progress,
        phase=moved(progress.phase, cue),
        acknowledged_host_s=seen.host_s,
        present_host_s=None,
        operator=who,
        cause=None,
        detail="",
        sent={},
        sent_s=-math.inf,
    )
    turn = enter(plan, begun, seen, step, good_s=kept)
    return Turn(turn.progress, turn.orders, (first, *turn.entries))


def acknowledge(progress: Progress, seen: Seen, who: str) -> Turn:
    """The operator is there."""
    if not who:
        raise RefusedError("nobody acknowledges", where="plan", remedy="Say who is there.")
    entry = entry_of(EntryKind.ACKNOWLEDGED, seen, f"{who} is there", {"who": who})
    return Turn(replace(progress, acknowledged_host_s=seen.host_s, operator=who), (), (entry,))


def present(progress: Progress, seen: Seen) -> Progress:
    """A client that watches is still there."""
    return replace(progress, present_host_s=seen.host_s)


def confirm(
    plan: Plan, progress: Progress, seen: Seen, who: str, role: str, passed: bool, following: NextPoint
) -> Turn:
    """A step by hand has been done; of a gate, ``passed`` says whether it holds. Motion begins with :func:`begin`."""
    step = progress.step
    if progress.phase is not Phase.AWAITING or step is None:
        moved(progress.phase, Cue.CONFIRM)
        raise RefusedError("nothing is to be confirmed", where="plan")
    if not who:
        raise RefusedError("nobody confirms", where=step.name, remedy="Say who has done it.")
    if step.approver and role != step.approver:
        raise RefusedError("not the one who decides", where=step.name, got=role or "no role", expected=step.approver)
    data: dict[str, JsonValue] = {"who": who, "role": role, "passed": passed, "step": step.index}
    if not passed:
        entry = entry_of(EntryKind.NOT_PASSED, seen, f"{step.name}: not passed, {who}", data)
        return Turn(progress, (), (entry,))
    one = Done(step, Outcome.CONFIRMED, seen.time_s, seen.time_s)
    done = (*progress.done, one)
    entries = [entry_of(EntryKind.CONFIRMED, seen, f"{step.name}: confirmed by {who}", data)]
    if following(plan, done) is None:
        entries.append(entry_of(EntryKind.FINISHED, seen, plan.name))
        return Turn(replace(progress, phase=moved(progress.phase, Cue.LAST), step=None, done=done), (), tuple(entries))
    after = replace(
        progress, phase=moved(progress.phase, Cue.CONFIRM), step=None, done=done, cause=StopCause.HAND_STEP, detail=""
    )
    return Turn(after, (), tuple(entries))


def approve(progress: Progress, seen: Seen, role: str, who: str) -> Turn:
    """An approval that the plan asks for."""
    if not who or not role:
        raise RefusedError("an approval has a role and a name", where="plan")
    entry = entry_of(EntryKind.APPROVED, seen, f"{role}: approved by {who}", {"role": role, "who": who})
    return Turn(replace(progress, approvals={**progress.approvals, role: who}), (), (entry,))


def skip(plan: Plan, progress: Progress, seen: Seen, who: str, reason: str, following: NextPoint) -> Turn:
    """Leave the present point out. Raises ``RefusedError`` where there is none, or for a step by hand."""
    step = progress.step
    if step is None or step.kind is StepKind.BY_HAND or progress.phase not in (*UNDER_WAY, Phase.HELD):
        raise RefusedError("no point to leave out", where="plan", got=progress.phase.value)
    if not who or not reason:
        raise RefusedError("no reason or no name", where="plan", remedy="Say why, and who says so.")
    one = Done(step, Outcome.SKIPPED, progress.since_s, seen.time_s, cause=f"{reason} ({who})")
    if progress.phase is Phase.HELD:
        done = (*progress.done, one)
        after = replace(progress, done=done, step=None, good_s=0.0)
        return Turn(after, (), (entry_of(EntryKind.SKIPPED, seen, f"{step.name}: {reason}", done_data(one)),))
    return go_on(plan, progress, seen, one, following)


def abandon(plan: Plan, progress: Progress, seen: Seen, who: str, reason: str) -> Turn:
    """Give a plan up; one that is under way is stopped first."""
    if not who or not reason:
        raise RefusedError("no reason or no name", where="plan", remedy="Say why, and who says so.")
    stopped = stop(plan, progress, seen, StopCause.BY_HAND, reason)
    after = replace(stopped.progress, phase=moved(stopped.progress.phase, Cue.ABANDON))
    entry = entry_of(EntryKind.ABANDONED, seen, f"{plan.name}: {reason}", {"who": who, "reason": reason})
    return Turn(after, stopped.orders, (*stopped.entries, entry))
