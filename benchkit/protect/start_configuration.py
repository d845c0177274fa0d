"""Faults in start conditions and alarm rules, and what is no fault but should be looked at."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from benchkit.errors import Problem, did_you_mean
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.stand import Stand
from benchkit.model.start_conditions import ZERO_AT_REST, HardwareInput
from benchkit.protect.tightening import why_fixed


def check_start(stand: Stand) -> list[Problem]:
    """Every fault in start conditions and alarm rules. ``where`` is the key path in the profile."""
    return [*_zeroed(stand), *_checklist(stand), *_proof_age(stand), *_inputs(stand), *_alarm_rules(stand)]


def start_cautions(stand: Stand) -> list[Problem]:
    """What is allowed and should be looked at: an input that nothing watches in RUNNING, a proof of any age, a limit
    to be moved that is not there."""
    found = [problem for one in stand.start_conditions.inputs for problem in _unwatched(one, stand)]
    known = [limit.name for limit in stand.limit_set.limits]
    # a later layer may have taken it out: no fault, and nothing is moved by it
    found += [
        _unknown("alarms.tightened_live", "limit", name, known)
        for name in stand.alarm_rules.tightened_live
        if name not in known
    ]
    if stand.start_conditions.limit_set_proven and math.isinf(stand.start_conditions.proof_max_age_s):
        found.append(
            Problem(
                "start_conditions.proof_max_age",
                "not given: a proof of any age counts",
                remedy='Say how old it may be, such as proof_max_age = { value = 480.0, unit = "min" }',
            )
        )
    return found


def _zeroed(stand: Stand) -> Iterator[Problem]:
    where = "start_conditions.zero_done"
    for name in stand.start_conditions.zeroed:
        channel = stand.channels.get(name)
        if channel is None:
            yield _unknown(where, "channel", name, list(stand.channels))
        elif channel.derived is not None or channel.quantity not in ZERO_AT_REST:
            allowed = ", ".join(sorted(quantity.value for quantity in ZERO_AT_REST))
            yield Problem(
                where, "cannot be tared, so this could never be met", name, f"a measured channel of {allowed}"
            )


def _checklist(stand: Stand) -> Iterator[Problem]:
    items = stand.start_conditions.checklist
    for name, count in Counter(item.name for item in items).items():
        if count > 1:
            yield Problem("start_conditions.checklist", "two items have the same name", name, remedy="Rename one")
    for item in items:
        if not item.text.strip():
            yield Problem(f"start_conditions.checklist.{item.name}", "no text to read and tick", item.text)


def _proof_age(stand: Stand) -> Iterator[Problem]:
    conditions = stand.start_conditions
    if not conditions.proof_max_age_s > 0.0:
        yield Problem("start_conditions.proof_max_age", "not an age", conditions.proof_max_age_s, "a time above 0 s")
    elif math.isfinite(conditions.proof_max_age_s) and not conditions.limit_set_proven:
        yield Problem(
            "start_conditions.proof_max_age", "says how old a proof may be, and none is asked for",
            remedy="Add limit_set_proven = true",
        )  # fmt: skip


def _inputs(stand: Stand) -> Iterator[Problem]:
    for one in stand.start_conditions.inputs:
        where = f"start_conditions.inputs.{one.name}"
        channel = stand.channels.get(one.channel)
        if channel is None:
            yield _unknown(f"{where}.channel", "channel", one.channel, list(stand.channels))
        elif not (math.isfinite(one.level) and channel.low < one.level < channel.high):
            span = f"between {channel.low:.10g} and {channel.high:.10g} {channel.unit}, the range of {channel.name}"
            yield Problem(f"{where}.level", "outside the range of its channel", one.level, span)


def _unwatched(one: HardwareInput, stand: Stand) -> Iterator[Problem]:
    wanted = LimitKind.BELOW if one.is_above else LimitKind.ABOVE
    watched = any(
        x.severity is Severity.TRIP and x.channel == one.channel and x.kind in (wanted, LimitKind.OUTSIDE)
        for x in stand.limit_set.limits
    )
    if not watched:
        yield Problem(
            f"start_conditions.inputs.{one.name}",
            f"losing it in RUNNING trips nothing: no trip limit on {one.channel!r} acts {wanted.value} a set point",
            remedy="A permissive counts for getting started only. Add a trip limit on this channel.",
        )


def _alarm_rules(stand: Stand) -> Iterator[Problem]:
    rules = stand.alarm_rules
    if not (math.isfinite(rules.longest_shelving_s) and rules.longest_shelving_s >= 0.0):
        yield Problem("alarms.longest_shelving", "not a time", rules.longest_shelving_s, "a finite time, 0 s or more")
    limits = {limit.name: limit for limit in stand.limit_set.limits}
    for name in rules.tightened_live:
        if name in limits and (why := why_fixed(limits[name])):
            yield Problem(f"alarms.tightened_live: {name}", why, remedy="Leave it out.")
    for name in rules.suppressed_in:
        where = f"alarms.suppressed.{name}"
        if name not in limits:
            yield _unknown(where, "limit", name, list(limits))
        elif limits[name].severity is Severity.TRIP:
            yield Problem(where, "a trip is never suppressed", remedy="Suppress cautions only, or change the limit.")


def _unknown(where: str, what: str, got: str, known: list[str]) -> Problem:
    return Problem(where, f"unknown {what}", got, f"one of {', '.join(known)}", did_you_mean(got, known))
