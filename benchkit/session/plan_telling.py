"""What is said of a plan in one message."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchkit.model.plans import StepKind, Target
from benchkit.plans.account import Asked, Share
from benchkit.plans.check import missing_approvals, settling_window_s
from benchkit.plans.engine import acknowledgement_due_s
from benchkit.plans.progress import seen_waits
from benchkit.plans.sequence import time_left_s
from benchkit.plans.table import Phase
from benchkit.session.plan_status import PlanAccount, PlanStatus

if TYPE_CHECKING:
    from benchkit.session.plan_runner import PlanRunner

MOST_AHEAD = 2000
"""Steps that a forecast of the time looks at; what lies behind them is told with the share of these."""


def status_of_plan(runner: PlanRunner, now_ns: int) -> PlanStatus:
    """The state of a plan at ``now_ns`` [host ns]."""
    plan, progress = runner.plan, runner.progress
    step = progress.step
    over = {one.step.index for one in progress.done}
    here = -1 if step is None else step.index
    following = next((one for one in runner.steps if one.index not in over and one.index != here), None)
    due_s = acknowledgement_due_s(plan, progress, now_ns * 1e-9)
    dwell = None if step is None else step.dwell
    steady = runner.steady.now
    return PlanStatus(
        name=plan.name,
        title=plan.title,
        mode=plan.mode.value,
        phase=progress.phase.value,
        step="" if step is None else step.name,
        segment="" if step is None else step.segment,
        target=_by_name({} if step is None else step.target),
        sent=_by_name(progress.sent),
        measured=_by_name(runner.measured),
        tolerance=_by_name({} if step is None else step.tolerance),
        instruction="" if step is None else step.instruction,
        approver="" if step is None else step.approver,
        next_step="" if following is None else following.name,
        next_target=_by_name({} if following is None else following.target),
        steps_done=len(over),
        steps=len(runner.steps),
        good_s=progress.good_s,
        wanted_s=0.0 if dwell is None else dwell.time_s,
        moved=steady.moved,
        settled_in_s=steady.left_s,
        left_s=runner.left_s,
        acknowledge_in_s=due_s,
        stops_in_s=None if due_s is None or plan.presence is None else due_s + plan.presence.within_s,
        cause="" if progress.cause is None else progress.cause.value,
        detail=progress.detail,
        missing_approvals=tuple(
            dict.fromkeys(problem.expected for problem in missing_approvals(plan, progress.approvals))
        ),
        operator=progress.operator,
        account=_account(runner),
        fault=runner.journal.fault or "",
        notice=runner.is_edited() or runner.notice,
    )


def _by_name(target: Target) -> dict[str, float]:
    return {axis.value: value for axis, value in target.items()}


def time_left(runner: PlanRunner) -> tuple[float, float, float]:
    """Least, likely and longest time that is left [s of the stand]; NaN where it cannot be told."""
    plan, progress = runner.plan, runner.progress
    if progress.phase in (Phase.DONE, Phase.ABANDONED):
        return 0.0, 0.0, 0.0
    over = {one.step.index for one in progress.done}
    left = [step for step in runner.steps if step.index not in over]
    if len(left) > MOST_AHEAD or not any(step.kind is not StepKind.BY_HAND for step in left):
        return (math.nan,) * 3 if left else (0.0, 0.0, 0.0)
    start = progress.sent or runner.measured
    least, likely, longest = time_left_s(
        plan,
        left,
        {a: v for a, v in start.items() if math.isfinite(v)},
        lambda dwell: settling_window_s(plan, dwell, runner.stand),
        seen_waits(progress.done),
    )
    held_s = progress.good_s
    return max(0.0, least - held_s), max(0.0, likely - held_s), max(0.0, longest - held_s)


def _account(runner: PlanRunner) -> PlanAccount:
    account = runner.account
    ratings = {}
    for name in {**account.asked_ratings, **account.ratings}:
        share, asked = account.ratings.get(name, Share()), account.asked_ratings.get(name, Asked())
        ratings[name] = {
            "credited_s": share.credited_s,
            "good_s": share.good_s,
            "cycles": float(share.cycles),
            "asked_s": asked.dwell_s,
            "asked_cycles": float(asked.points),
        }
    return PlanAccount(
        account.way_s,
        account.good_s,
        account.starts,
        dict(account.stops),
        account.taken,
        account.skipped,
        account.repeated,
        ratings,
        account.standing,
        account.asked.points,
    )
