"""A set point that a person moves while a run is recorded.

Rules:

1. Only limits that the profile names in ``[alarms] tightened_live`` are moved.
2. A set point moves between the one of the profile and stricter ones: never looser than the profile. Who wants it
   looser says so in a layer, with a reason, before the run.
3. Only one fixed set point is moved: of ``above``, ``below``, ``rate``, ``deviation`` and ``spread``. Where it follows
   the phase or a derating line there is more than one.
4. A stand that asks for proven limits moves none: a set point that was moved is not the one that was proven.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

from benchkit.errors import RefusedError, did_you_mean
from benchkit.model.limits import LOW_SIDE, Limit, LimitKind, set_point_unit
from benchkit.model.stand import Stand

MOVED_KINDS = frozenset({LimitKind.ABOVE, LimitKind.BELOW, LimitKind.RATE, LimitKind.DEVIATION, LimitKind.SPREAD})


def why_fixed(limit: Limit) -> str:
    """Why this set point is never moved; empty where it may be, as far as its kind goes."""
    if limit.kind not in MOVED_KINDS:
        return f"a limit of kind {limit.kind.value} has no single set point to move"
    return "its set point follows the phase or another channel" if limit.course is not None else ""


def is_stricter_or_same(limit: Limit, set_point: float, than: float) -> bool:
    """True where ``set_point`` acts no later than ``than``."""
    return set_point >= than if limit.kind in LOW_SIDE else set_point <= than


def tightened(stand: Stand, allowed: Collection[str], name: str, set_point: float) -> Limit:
    """The limit ``name`` with a new set point in its bench unit. ``stand`` is as the profile says.

    Raises:
        RefusedError: it is not allowed, with the reason.
    """
    where = f"set_limit {name}"
    by_name = {limit.name: limit for limit in stand.limit_set.limits}
    if name not in by_name:
        raise RefusedError("no limit of that name", where=where, remedy=did_you_mean(name, by_name))
    limit = by_name[name]
    if name not in allowed:
        listed = ", ".join(allowed) or "none"
        raise RefusedError(
            "the profile does not let this limit be moved while a run is recorded",
            where=where,
            expected=f"one of: {listed}",
            remedy="Name it in [alarms] tightened_live, or write a layer of limits for the next run.",
        )
    if why := why_fixed(limit):
        raise RefusedError(why, where=where)
    if stand.start_conditions.limit_set_proven:
        raise RefusedError(
            "this stand asks for proven limits, and a set point that was moved is not proven",
            where=where,
            remedy="Write a layer of limits, prove it, and record with it.",
        )
    unit = set_point_unit(limit, stand.channels[limit.channel].unit)
    if not math.isfinite(set_point):
        raise RefusedError("not a number", where=where, got=set_point, expected=f"a set point in {unit}")
    if not is_stricter_or_same(limit, set_point, limit.set_point):
        side = "at least" if limit.kind in LOW_SIDE else "at most"
        raise RefusedError(
            "looser than the profile",
            where=where,
            got=f"{set_point:g} {unit}",
            expected=f"{side} {limit.set_point:g} {unit}",
            remedy="A looser limit is a layer with its reason, before the run.",
        )
    return replace(limit, set_point=set_point)


def replaced(limits: Sequence[Limit], new: Limit) -> tuple[Limit, ...]:
    """The limits with ``new`` in the place of the one of its name."""
    return tuple(new if limit.name == new.name else limit for limit in limits)
