"""Faults in the protection of a stand. What protects has no defaults and no repairs: every fault is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from benchkit.errors import Problem
from benchkit.model.limits import Limit, Severity
from benchkit.model.stand import Stand
from benchkit.protect.limit_checks import limit_problems, unknown
from benchkit.protect.start_configuration import check_start
from benchkit.protect.stop_configuration import check_stops


def check_limits(stand: Stand) -> list[Problem]:
    """Every fault in limits and stop actions; empty when there is none. ``where`` is the key path in the profile."""
    counts = Counter(limit.name for limit in stand.limit_set.limits)
    problems = [
        Problem(f"limits.{name}", "two limits have the same name", remedy="Rename one")
        for name, count in counts.items()
        if count > 1
    ]
    for limit in stand.limit_set.limits:
        problems += [p for p in limit_problems(limit, stand) if p not in problems]
        problems += _action(limit, stand)
    problems += check_stops(stand)
    problems += check_start(stand)
    if stand.orderly_stop not in stand.stop_actions:
        problems.append(unknown("stand.orderly_stop", "stop action", stand.orderly_stop, list(stand.stop_actions)))
    for source in stand.sources.values():
        if not source.stale_after_s > 0.0:
            problems.append(
                Problem(
                    f"sources.{source.name}.stale_after", "no time to go stale", source.stale_after_s, "more than 0 s"
                )
            )
    return problems


def _action(limit: Limit, stand: Stand) -> Iterator[Problem]:
    where = f"limits.{limit.name}.action"
    known = list(stand.stop_actions)
    if limit.severity is Severity.CAUTION:
        if limit.action:
            yield Problem(
                where, "a caution commands nothing", limit.action, "no action", "Make it a trip, or drop the action"
            )
    elif not limit.action:
        yield Problem(where, "a trip without a stop action", expected=f"one of {', '.join(known)}")
    elif limit.action not in stand.stop_actions:
        yield unknown(where, "stop action", limit.action, known)
