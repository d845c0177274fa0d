"""Faults in stop actions: steps that cannot be sent or answered, orders that could never be carried out, circles."""

from __future__ import annotations

import math
from collections.abc import Iterator

from benchkit.errors import Problem, did_you_mean
from benchkit.model.stand import Stand
from benchkit.model.stops import StopAction, StopStep


def check_stops(stand: Stand) -> list[Problem]:
    """Every fault in the stop actions; empty when there is none. ``where`` is the key path in the profile."""
    problems: list[Problem] = []
    for action in stand.stop_actions.values():
        if not action.steps:
            problems.append(Problem(f"stop_actions.{action.name}", "commands nothing", expected="one step or more"))
        for number, step in enumerate(action.steps):
            problems += _step(_key(action, number), step, stand)
            problems += _attempts(_key(action, number), step, action)
        problems += _order(action)
        problems += _escalation(action, stand)
    return problems


def _key(action: StopAction, number: int) -> str:
    return f"stop_actions.{action.name}" + (f".then.{number - 1}" if number else "")


def _step(where: str, step: StopStep, stand: Stand) -> Iterator[Problem]:
    if step.source not in stand.sources:
        known = list(stand.sources)
        remedy = did_you_mean(step.source, known)
        yield Problem(f"{where}.source", "unknown source", step.source, f"one of {', '.join(known)}", remedy)
    if not step.command.strip():
        yield Problem(f"{where}.command", "nothing to command", step.command, "a command line")
    if not step.acknowledged_by.strip():
        yield Problem(f"{where}.acknowledged_by", "no answer to wait for", step.acknowledged_by, "an answer line")
    if not (math.isfinite(step.timeout_s) and step.timeout_s > 0.0):
        yield Problem(f"{where}.timeout", "no time to answer", step.timeout_s, "more than 0 s")
    if not (math.isfinite(step.delay_s) and step.delay_s >= 0.0):
        yield Problem(f"{where}.delay", "not a delay", step.delay_s, "a finite time, 0 s or more")
    if step.stop_category not in (0, 1, 2):
        yield Problem(
            f"{where}.stop_category", "not a stop category", step.stop_category, "0, 1 or 2 as in IEC 60204-1"
        )


def _attempts(where: str, step: StopStep, action: StopAction) -> Iterator[Problem]:
    """What escalates says after how many attempts; what does not is repeated for ever, and says nothing."""
    if action.escalate_to and step.attempts < 1:
        yield Problem(
            f"{where}.attempts",
            f"when to escalate to {action.escalate_to!r} is not said",
            remedy="Say after how many attempts without an answer.",
        )
    elif not action.escalate_to and step.attempts:
        yield Problem(
            f"{where}.attempts",
            "attempts of an action that does not escalate",
            step.attempts,
            remedy="Such an action is repeated until it is answered: drop the key, or write escalate_to.",
        )


def _order(action: StopAction) -> Iterator[Problem]:
    """A milder step after a more urgent one to the same source would never be sent."""
    lowest: dict[str, int] = {}
    for number, step in enumerate(action.steps):
        least = lowest.get(step.source, step.stop_category)
        if step.stop_category > least:
            yield Problem(
                f"{_key(action, number)}.stop_category",
                f"would never be sent: a step before it commands category {least} to {step.source!r}",
                step.stop_category,
                f"at most {least}",
                "A stop is not undone by a milder one: order the steps from mild to urgent.",
            )
        lowest[step.source] = min(least, step.stop_category)


def _escalation(action: StopAction, stand: Stand) -> Iterator[Problem]:
    where = f"stop_actions.{action.name}.escalate_to"
    target = stand.stop_actions.get(action.escalate_to)
    if not action.escalate_to:
        return
    if target is None:
        known = [name for name in stand.stop_actions if name != action.name]
        remedy = did_you_mean(action.escalate_to, known)
        yield Problem(where, "unknown stop action", action.escalate_to, f"one of {', '.join(known)}", remedy)
        return
    if target is action:
        yield Problem(where, "escalates to itself", remedy="Name another action, or drop the key: it is repeated then.")
        return
    path = [action.name]
    while target is not None and target.name not in path:
        path.append(target.name)
        target = stand.stop_actions.get(target.escalate_to)
    if target is action:
        circle = " to ".join([*path, action.name])
        yield Problem(where, "escalates in a circle", circle, remedy="The last action of a chain escalates to nothing.")
    yield from _not_milder(action, stand.stop_actions[action.escalate_to], where)


def _not_milder(action: StopAction, target: StopAction, where: str) -> Iterator[Problem]:
    for source in dict.fromkeys(step.source for step in action.steps):
        ours = min(step.stop_category for step in action.steps if step.source == source)
        theirs = [step.stop_category for step in target.steps if step.source == source]
        if theirs and min(theirs) > ours:
            yield Problem(
                where,
                f"{target.name!r} is milder on {source!r}, and would not be sent",
                f"stop category {min(theirs)}",
                f"category {ours} or lower",
            )
