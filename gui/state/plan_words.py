"""What the panel of a plan says: where it stands, what comes, how long it takes, and what may be asked of it now."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.model.interlock import State
from benchkit.model.plans import AXIS_QUANTITY, Axis, Mode
from benchkit.session.plan_status import PlanStatus
from benchkit.units import BENCH_UNIT
from gui.state.theme import Tone
from gui.state.wording import number, span

NO_PLAN = "This recording has no plan. benchkit record STAND --plan FILE brings one."
SOON_S = 10.0
"""An acknowledgement is called for this long before it is due."""
_PHASE_WORDS: Mapping[str, str] = {
    "loaded": "Not begun",
    "moving": "On the way to the set-point",
    "settling": "Settling",
    "taking": "Taking the point",
    "awaiting": "Waits for a person",
    "held": "STOPPED",
    "done": "Done",
    "abandoned": "Given up",
}
_UNDER_WAY = frozenset({"moving", "settling", "taking"})


@dataclass(frozen=True, slots=True)
class AxisRow:
    """One axis: what is wanted now, what is measured, what comes next; ``is_held`` None where nothing measures it."""

    axis: str
    unit: str
    target: str
    measured: str
    following: str
    is_held: bool | None


def phase_words(status: PlanStatus) -> tuple[str, Tone]:
    """The state of the plan in a line."""
    words = _PHASE_WORDS.get(status.phase, status.phase)
    if status.phase == "held":
        why = ", ".join(part for part in (status.cause, status.detail) if part)
        return f"{words}: {why}. It goes on only when a person says so.", Tone.CAUTION
    if status.phase in _UNDER_WAY and status.mode == Mode.LEAD:
        return {"moving": "Set the set-point by hand"}.get(status.phase, words), Tone.PLAIN
    return words, Tone.PLAIN


def step_words(status: PlanStatus) -> str:
    """Which step of how many, and what it is."""
    if status.phase in ("done", "abandoned"):
        return f"{status.steps_done} of {status.steps} steps"
    name = status.step or "between two steps"
    segment = f" of {status.segment}" if status.segment and status.segment not in status.step else ""
    said = f" {status.instruction}" if status.instruction else ""
    return f"Step {min(status.steps_done + 1, status.steps)} of {status.steps}: {name}{segment}.{said}"


def axis_rows(status: PlanStatus) -> tuple[AxisRow, ...]:
    """Every axis of the present and of the next step."""
    rows = []
    for axis in Axis:
        key = axis.value
        if key not in status.target and key not in status.next_target:
            continue
        quantity = AXIS_QUANTITY[axis]
        target, measured = status.target.get(key, math.nan), status.measured.get(key, math.nan)
        allowed = status.tolerance.get(key, math.nan)
        held = None if not math.isfinite(measured) or not math.isfinite(target) else abs(measured - target) <= allowed
        around = f" ± {number(allowed, quantity)}" if math.isfinite(allowed) and math.isfinite(target) else ""
        rows.append(
            AxisRow(
                key,
                BENCH_UNIT[quantity],
                f"{number(target, quantity)}{around}",
                number(measured, quantity),
                number(status.next_target.get(key, math.nan), quantity),
                held if status.phase in _UNDER_WAY else None,
            )
        )
    return tuple(rows)


def settle_words(status: PlanStatus) -> str:
    """How still it holds, and how much of the reading is there."""
    if status.phase == "taking" and status.wanted_s > 0.0:
        return f"Read for {span(status.good_s)} of {span(status.wanted_s)}."
    if status.phase == "settling" and math.isfinite(status.settled_in_s):
        moved = f" Movement {status.moved:.1f} of what is allowed." if math.isfinite(status.moved) else ""
        return f"Settled in {span(status.settled_in_s)} at the earliest.{moved}"
    return ""


def left_words(status: PlanStatus) -> str:
    """Time that is left, with its interval."""
    least, likely, longest = status.left_s
    if status.phase in ("done", "abandoned"):
        return ""
    if not math.isfinite(likely):
        return "Time left: not known, steps by hand take as long as they take."
    return f"Time left: about {span(likely)} ({span(least)} … {span(longest)})."


def presence_words(status: PlanStatus) -> tuple[str, Tone]:
    """Whether the operator is asked for, and until when."""
    due, stops = status.acknowledge_in_s, status.stops_in_s
    if due is None or stops is None or status.phase not in _UNDER_WAY:
        return "", Tone.PLAIN
    if due > SOON_S:
        return f"Next acknowledgement in {span(due)}.", Tone.SOFT
    return f"ACKNOWLEDGE NOW: without it the plan stops in {span(max(stops, 0.0))}.", Tone.CAUTION


def is_called_for(status: PlanStatus | None) -> bool:
    """True while the operator is asked to acknowledge."""
    return status is not None and presence_words(status)[1] is Tone.CAUTION


def account_words(status: PlanStatus) -> str:
    """The account in a few lines."""
    account = status.account
    stops = ", ".join(f"{count} × {cause}" for cause, count in account.stops.items()) or "none"
    void = account.taken - account.standing if account.asked else account.repeated
    again = f", {void} of them void after a stop" if void else ""
    of = f"{account.standing} of {account.asked} done, " if account.asked else ""
    lines = [
        f"In tolerance {span(account.good_s)} of {span(account.way_s)} under way.",
        f"Points: {of}{account.skipped} left out; {account.taken} taken in all{again}.",
        f"Starts: {account.starts}. Stops: {stops}.",
    ]
    lines += [f"{name}: {_share_words(share)}." for name, share in account.ratings.items()]
    return "\n".join(lines)


def _share_words(share: Mapping[str, float]) -> str:
    asked_s, asked = share.get("asked_s", 0.0), share.get("asked_cycles", 0.0)
    of_time, of_cycles = (f" of {span(asked_s)}" if asked else "", f" of {asked:.0f}" if asked else "")
    return f"{span(share.get('credited_s', 0.0))}{of_time} credited, {share.get('cycles', 0.0):.0f}{of_cycles} cycles"


def fault_words(status: PlanStatus) -> str:
    """That the account is not kept, or that the file of the plan is another one; empty where all is well."""
    return f"The journal of the plan is not written: {status.fault}" if status.fault else status.notice


def offered(status: PlanStatus, state: State | None, *, has_reason: bool, may_ask: bool) -> frozenset[str]:
    """Requests that make sense now."""
    if not may_ask:
        return frozenset()
    found: set[str] = set()
    is_over = status.phase in ("done", "abandoned")
    waits = status.phase in ("loaded", "held") and not status.missing_approvals
    if waits and (status.mode == Mode.LEAD or state is State.RUNNING or status.approver):
        found.add("plan_begin")
    if status.missing_approvals and not is_over:
        found.add("plan_approve")
    if status.phase == "awaiting":
        found.add("plan_confirm")
    if status.phase in _UNDER_WAY:
        found |= {"plan_halt", "plan_leave"}
        if status.acknowledge_in_s is not None:
            found.add("plan_acknowledge")
    if has_reason and not is_over:
        found |= {"plan_abandon"} | ({"plan_skip"} if status.step else set())
    return frozenset(found)
