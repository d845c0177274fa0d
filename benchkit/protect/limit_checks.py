"""Faults in one limit of a stand. What protects has no defaults and no repairs: every fault is told, with a remedy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from benchkit.errors import Problem, did_you_mean
from benchkit.model.limits import (
    LOW_SIDE,
    ByPhase,
    Course,
    DeratingLine,
    InverseTime,
    Limit,
    LimitKind,
    Phase,
    RateWindow,
    Reset,
    Severity,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
    watched_unit,
)
from benchkit.model.stand import Channel, Stand

SHORTEST_WINDOW_S = 0.032
"""Of a change on a link whose sample interval is not declared: a USB adapter may hold bytes for 16 ms, twice that."""
LONGEST_WINDOW_S = 300.0
"""Every sample of a window is kept in memory."""
BANDS = (LimitKind.OUTSIDE, LimitKind.INSIDE)
SIZES = (LimitKind.RATE, LimitKind.DEVIATION, LimitKind.SPREAD, LimitKind.FROZEN)
"""Kinds that watch the size of a change or of a difference."""
WHOLE = "between {0.low:.10g} and {0.high:.10g} {0.unit}, the range of {0.name}"


def limit_problems(limit: Limit, stand: Stand) -> Iterator[Problem]:
    """Every fault of what ``limit`` watches; empty when there is none."""
    yield from _numbers(limit)
    yield from _windows(limit, stand)
    yield from _constants(limit)
    yield from _partners(limit, stand)
    channel = stand.channels.get(limit.channel)
    if channel is None:
        yield unknown(f"limits.{limit.name}.channel", "channel", limit.channel, list(stand.channels))
        return
    if limit.kind is not LimitKind.STALE and all(math.isfinite(x) for _, x in _edges(limit)):
        yield from _range(limit, channel) if limit.is_on_axis else _size(limit, channel)
    yield from _courses(limit, stand)
    if limit.severity is Severity.CAUTION:
        for trip in stand.limit_set.limits:
            if trip.severity is Severity.TRIP and trip.channel == limit.channel:
                yield from _before_trip(limit, trip, channel)


def unknown(where: str, what: str, got: str, known: list[str]) -> Problem:
    """A name that is not there."""
    return Problem(where, f"unknown {what}", got, f"one of {', '.join(known)}", did_you_mean(got, known))


def _numbers(limit: Limit) -> Iterator[Problem]:
    where = f"limits.{limit.name}"
    for key, value in (
        ("on_delay", limit.on_delay_s),
        ("off_delay", limit.off_delay_s),
        ("deadband", limit.deadband),
    ):
        if not (math.isfinite(value) and value >= 0.0):
            yield Problem(f"{where}.{key}", "not a size", value, "a finite number, 0 or more")
    for key, value in _edges(limit):
        if not math.isfinite(value) and not _is_off(limit, key):
            yield Problem(f"{where}.{key}", "not a number", value, "a finite number")
    if limit.kind is LimitKind.STALE and limit.set_point <= 0.0:
        yield Problem(f"{where}.set_point", "no age at all", limit.set_point, "more than 0 s")
    elif limit.kind is LimitKind.STALE and limit.deadband > limit.set_point:
        yield Problem(f"{where}.deadband", "the limit could never clear", limit.deadband, "not above the set point")


def _edges(limit: Limit) -> tuple[tuple[str, float], ...]:
    """Set points with the key that the profile writes them under."""
    if limit.kind in BANDS:
        return ("low", limit.low), ("high", limit.set_point)
    return (("set_point", limit.set_point),)


def _course(limit: Limit, key: str) -> Course | None:
    return limit.low_course if key == "low" else limit.course


def _is_off(limit: Limit, key: str) -> bool:
    """True where a set point is off in every phase: told of the course, not of the number."""
    course = _course(limit, key)
    return isinstance(course, ByPhase) and not course.values


def _all(limit: Limit, key: str, fixed: float) -> tuple[float, ...]:
    """Every value that a set point may take, at the ends of its pieces."""
    course = _course(limit, key)
    return (fixed,) if course is None else course.values


def _at(limit: Limit, key: str, phase: Phase) -> tuple[float, ...]:
    """What a set point may be in a phase: nothing where it is off, every point of a line."""
    course = _course(limit, key)
    if isinstance(course, ByPhase):
        value = course.at(phase)
        return () if value is None else (value,)
    return _all(limit, key, dict(_edges(limit))[key])


# -- set points and the range of the channel


def _range(limit: Limit, channel: Channel) -> Iterator[Problem]:
    """A set point at or beyond an end of the range never acts, or always."""
    where, span = f"limits.{limit.name}", WHOLE.format(channel)
    beyond = [(key, x) for key, fixed in _edges(limit) for x in _all(limit, key, fixed)]
    beyond = [(key, x) for key, x in beyond if not channel.low < x < channel.high]
    for key, x in beyond:
        yield Problem(f"{where}.{key}", "outside the range of its channel", x, span)
    if beyond or not limit.deadband >= 0.0:
        return
    for phase in Phase:
        low, high = ((), ()) if limit.kind not in BANDS else (_at(limit, "low", phase), _at(limit, "high", phase))
        if low and high and not max(low) < min(high):
            yield Problem(
                f"{where}.low", "the lower edge is not below the upper one", max(low), f"below {min(high):.10g}"
            )
            return
        if not _can_clear(limit, channel, phase):
            yield Problem(f"{where}.deadband", "the limit could never clear", limit.deadband, f"a return {span}")
            return


def _can_clear(limit: Limit, channel: Channel, phase: Phase) -> bool:
    """True when some value in the range is a return by the whole deadband."""
    if limit.kind in BANDS:
        low, high = _at(limit, "low", phase), _at(limit, "high", phase)
        if limit.kind is LimitKind.INSIDE:
            return not (low and high) or (
                min(low) - limit.deadband >= channel.low or max(high) + limit.deadband <= channel.high
            )
        return max(low, default=channel.low) + limit.deadband * bool(low) <= (
            min(high, default=channel.high) - limit.deadband * bool(high)
        )
    points = _at(limit, "set_point", phase)
    if limit.kind is LimitKind.ABOVE:
        return all(channel.low <= x - limit.deadband for x in points)
    return all(x + limit.deadband <= channel.high for x in points)


def _size(limit: Limit, channel: Channel) -> Iterator[Problem]:
    """Kinds whose watched value is never below zero, or only in the harmless direction."""
    where = f"limits.{limit.name}"
    unit = watched_unit(limit, channel.unit)
    points = _all(limit, "set_point", limit.set_point)
    least, most = min(points, default=math.nan), max(points, default=math.nan)
    if least <= 0.0:
        yield Problem(f"{where}.set_point", "nothing to exceed", least, f"more than 0 {unit or channel.unit}")
        return
    width = channel.high - channel.low
    if limit.kind in SIZES and limit.kind is not LimitKind.RATE and most >= width:
        reason = f"less than {width:.10g} {unit}, the width of the range of {channel.name}"
        yield Problem(f"{where}.set_point", "wider than the range of its channel", most, reason)
        return
    strongest = max(abs(channel.low), abs(channel.high))
    start = limit.set_point * (limit.detail.k if isinstance(limit.detail, ThermalReplica) else 1.0)
    if limit.kind in (LimitKind.INVERSE_TIME, LimitKind.THERMAL_REPLICA) and start >= strongest:
        yield Problem(
            f"{where}.set_point",
            "it could never act",
            limit.set_point,
            f"k times the set point below {strongest:.10g} {channel.unit}, the end of the range of {channel.name}",
        )
    most_deadband = width - most if limit.kind is LimitKind.FROZEN else min(least, limit.threshold)
    if limit.deadband > most_deadband:
        yield Problem(
            f"{where}.deadband",
            "the limit could never clear",
            limit.deadband,
            f"not above {most_deadband:.10g}" + (f" {unit}" if unit else ""),
        )


# -- how set points move


def _courses(limit: Limit, stand: Stand) -> Iterator[Problem]:
    for key, _ in _edges(limit):
        course, where = _course(limit, key), f"limits.{limit.name}.{key}"
        if isinstance(course, ByPhase):
            if limit.severity is Severity.TRIP and course.running is None:
                yield Problem(f"{where}.running", "a trip is off while running", "off", "a set point", "Write a number")
            elif not course.values:
                yield Problem(where, "off in every phase", expected="a set point in one phase at least")
        elif isinstance(course, DeratingLine):
            yield from _line(course, where, stand)
    if limit.follows_phase and not stand.limit_set.starting_time_s >= 0.0:
        yield Problem(
            "limit_set.starting_time",
            f"missing, and {limit.name!r} has set points by phase",
            expected="how long after START the phase is 'starting'",
            remedy='Add starting_time = { value = ..., unit = "s" } to [limit_set]',
        )


def _line(line: DeratingLine, where: str, stand: Stand) -> Iterator[Problem]:
    along = stand.channels.get(line.channel)
    if along is None:
        yield unknown(f"{where}.along", "channel", line.channel, list(stand.channels))
        return
    places = [x for x, _ in line.points]
    if not all(a < b for a, b in pairwise(places)):
        yield Problem(f"{where}.points", "the points do not rise", places, f"rising values of {along.name}")
    elif places[0] > along.low or places[-1] < along.high:
        yield Problem(
            f"{where}.points",
            f"the line does not cover the range of {along.name}",
            f"{places[0]:.10g} to {places[-1]:.10g} {along.unit}",
            f"from {along.low:.10g} to {along.high:.10g} {along.unit}",
            "Add points: beyond its ends a line has no set point",
        )


# -- partners, windows, constants


def _partners(limit: Limit, stand: Stand) -> Iterator[Problem]:
    key = f"limits.{limit.name}.{'partners' if limit.kind is LimitKind.SPREAD else 'partner'}"
    own = stand.channels.get(limit.channel)
    for index, name in enumerate(limit.partners):
        other = stand.channels.get(name)
        if other is None:
            yield unknown(key, "channel", name, list(stand.channels))
        elif name == limit.channel or name in limit.partners[:index]:
            yield Problem(key, "the same channel twice", name, "another channel", "Remove it")
        elif limit.kind is not LimitKind.FROZEN and own is not None and other.quantity is not own.quantity:
            yield Problem(
                key,
                f"{name} measures {other.quantity.value}",
                expected=f"{own.quantity.value}, as {own.name}",
                remedy="Compare channels of one quantity",
            )
    if isinstance(limit.detail, WhileMoving):
        other, change = stand.channels.get(limit.detail.partner), limit.detail.partner_change
        if not change >= 0.0 or (other is not None and change >= other.high - other.low):
            yield Problem(
                f"limits.{limit.name}.partner_change",
                "not a change that its partner can make",
                change,
                "0 or more" + ("" if other is None else f", less than {other.high - other.low:.10g}"),
            )


def _windows(limit: Limit, stand: Stand) -> Iterator[Problem]:
    if not isinstance(limit.detail, RateWindow | WhileMoving | SumWindow):
        return
    window_s, where = limit.detail.window_s, f"limits.{limit.name}.window"
    channel = stand.channels.get(limit.channel)
    source = None if channel is None else stand.sources.get(channel.source)
    interval_s = getattr(source, "interval_s", None)
    least = SHORTEST_WINDOW_S if interval_s is None else 2.0 * interval_s
    why = (
        "arrival times tell no less" if interval_s is None else f"two sample intervals of {channel and channel.source}"
    )
    if not window_s >= least:
        yield Problem(
            where, "shorter than can be measured", window_s, f"{least:.10g} s or more: {why}", "Widen the window"
        )
    elif window_s > LONGEST_WINDOW_S:
        yield Problem(where, "longer than is kept", window_s, f"{LONGEST_WINDOW_S:.10g} s or less", "Narrow the window")


def _constants(limit: Limit) -> Iterator[Problem]:
    where, detail = f"limits.{limit.name}", limit.detail

    def above_zero(key: str, value: float) -> Iterator[Problem]:
        if not (math.isfinite(value) and value > 0.0):
            yield Problem(f"{where}.{key}", "must be above zero", value, "a finite number above 0")

    if isinstance(detail, InverseTime):
        yield from above_zero("time_multiplier", detail.time_multiplier)
        if detail.reset is Reset.DEPENDENT:
            yield from above_zero("reset_time", detail.reset_time_s)
    if isinstance(detail, ThermalReplica):
        yield from above_zero("k", detail.k)
        yield from above_zero("heating_time_constant", detail.heating_s)
        yield from above_zero("cooling_time_constant", detail.cooling_s)
    if isinstance(detail, SquareIntegral) and not (math.isfinite(detail.continuous) and detail.continuous >= 0.0):
        yield Problem(f"{where}.continuous", "not a size", detail.continuous, "a finite number, 0 or more")
    if isinstance(detail, ThermalReplica | SquareIntegral) and not 0.0 <= detail.initial_share < 1.0:
        yield Problem(
            f"{where}.initial_share", "not a share at the start", detail.initial_share, "'cold', or 0 to less than 1"
        )


# -- a caution and its trip


def _sides(limit: Limit) -> tuple[tuple[str, float, str], ...]:
    """What a set point guards, 1 for the upper side and -1 for the lower, and its key."""
    if limit.kind is LimitKind.OUTSIDE:
        return ("level", -1.0, "low"), ("level", 1.0, "high")
    if limit.kind is LimitKind.INSIDE:  # a caution about a band must reach at least as far: the other way round
        return ()
    what = "level" if limit.kind in (LimitKind.ABOVE, LimitKind.BELOW) else repr((limit.kind, limit.detail))
    return ((what, -1.0 if limit.kind in LOW_SIDE else 1.0, "set_point"),)


def _before_trip(limit: Limit, trip: Limit, channel: Channel) -> Iterator[Problem]:
    """Compared where both guard the same: the same side of the channel, or the same kind with the same constants."""
    if any(course is not None and course.channel != other.channel for course in limit.lines for other in trip.lines):
        return
    for what, sign, key in _sides(limit):
        for other, other_sign, other_key in _sides(trip):
            if (what, sign) != (other, other_sign):
                continue
            for own, its in _pairs(limit, key, trip, other_key):
                if sign * own >= sign * its:
                    unit = watched_unit(limit, channel.unit) or channel.unit
                    yield Problem(
                        f"limits.{limit.name}.{key}",
                        f"the caution does not come before its trip {trip.name!r}",
                        own,
                        f"{'below' if sign > 0 else 'above'} {its:.10g} {unit}",
                    )
                    break


def _pairs(limit: Limit, key: str, trip: Limit, trip_key: str) -> Iterator[tuple[float, float]]:
    """Set points of both that are in force together: in each phase, or at each point of a line."""
    own, its = _course(limit, key), _course(trip, trip_key)
    if isinstance(own, DeratingLine) and isinstance(its, DeratingLine):
        for x in sorted({x for x, _ in (*own.points, *its.points)}):
            yield own.at(x), its.at(x)  # NaN where one has none: no comparison
        return
    for phase in Phase:
        for a in _at(limit, key, phase):
            for b in _at(trip, trip_key, phase):
                yield a, b
