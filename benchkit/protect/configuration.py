"""Faults in the protection of a stand. What protects has no defaults and no repairs: every fault is told."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from benchkit.errors import Problem, did_you_mean
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.stand import Channel, Stand
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
        problems += _numbers(limit)
        problems += _channel(limit, stand)
        problems += _action(limit, stand)
    problems += check_stops(stand)
    problems += check_start(stand)
    if stand.orderly_stop not in stand.stop_actions:
        problems.append(_unknown("stand.orderly_stop", "stop action", stand.orderly_stop, list(stand.stop_actions)))
    for source in stand.sources.values():
        if not source.stale_after_s > 0.0:
            problems.append(
                Problem(
                    f"sources.{source.name}.stale_after", "no time to go stale", source.stale_after_s, "more than 0 s"
                )
            )
    return problems


def _numbers(limit: Limit) -> Iterator[Problem]:
    where = f"limits.{limit.name}"
    for key, value in (
        ("on_delay", limit.on_delay_s),
        ("off_delay", limit.off_delay_s),
        ("deadband", limit.deadband),
    ):
        if not (math.isfinite(value) and value >= 0.0):
            yield Problem(f"{where}.{key}", "not a size", value, "a finite number, 0 or more")
    if not math.isfinite(limit.set_point):
        yield Problem(f"{where}.set_point", "not a number", limit.set_point, "a finite number")
    elif limit.kind is LimitKind.STALE and limit.set_point <= 0.0:
        yield Problem(f"{where}.set_point", "no age at all", limit.set_point, "more than 0 s")
    elif limit.kind is LimitKind.STALE and limit.deadband > limit.set_point:
        yield Problem(f"{where}.deadband", "the limit could never clear", limit.deadband, "not above the set point")


def _channel(limit: Limit, stand: Stand) -> Iterator[Problem]:
    channel = stand.channels.get(limit.channel)
    if channel is None:
        yield _unknown(f"limits.{limit.name}.channel", "channel", limit.channel, list(stand.channels))
    elif limit.kind is not LimitKind.STALE and math.isfinite(limit.set_point):
        yield from _range(limit, channel)
        yield from _before_trip(limit, stand, channel)


def _range(limit: Limit, channel: Channel) -> Iterator[Problem]:
    """A set point at or beyond an end of the range never acts, or always."""
    span = f"between {channel.low:.10g} and {channel.high:.10g} {channel.unit}, the range of {channel.name}"
    if not channel.low < limit.set_point < channel.high:
        yield Problem(f"limits.{limit.name}.set_point", "outside the range of its channel", limit.set_point, span)
        return
    back = limit.set_point + (-limit.deadband if limit.kind is LimitKind.ABOVE else limit.deadband)
    if limit.deadband >= 0.0 and not channel.low <= back <= channel.high:
        yield Problem(
            f"limits.{limit.name}.deadband", "the limit could never clear", limit.deadband, f"a return {span}"
        )


def _before_trip(limit: Limit, stand: Stand, channel: Channel) -> Iterator[Problem]:
    if limit.severity is not Severity.CAUTION:
        return
    sign = 1.0 if limit.kind is LimitKind.ABOVE else -1.0
    for trip in stand.limit_set.limits:
        is_its_trip = trip.severity is Severity.TRIP and trip.channel == limit.channel and trip.kind is limit.kind
        if is_its_trip and sign * limit.set_point >= sign * trip.set_point:
            yield Problem(
                f"limits.{limit.name}.set_point",
                f"the caution does not come before its trip {trip.name!r}",
                limit.set_point,
                f"{'below' if sign > 0 else 'above'} {trip.set_point:.10g} {channel.unit}",
            )


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
        yield _unknown(where, "stop action", limit.action, known)


def _unknown(where: str, what: str, got: str, known: list[str]) -> Problem:
    return Problem(where, f"unknown {what}", got, f"one of {', '.join(known)}", did_you_mean(got, known))
