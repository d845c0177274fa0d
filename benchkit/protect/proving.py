"""What to inject so that a limit must act at one sample, and not at the one before: the plan of a proof.

Pure: a plan is a list of samples with their times, and nothing here sends, waits or measures. Kinds that take time
(delays, windows, integrals) are driven in the time of these samples, which is an argument of protection; nobody waits.

Rules:

1. The last sample of a plan is the first at which the limit must act. At every sample before it, it must not.
2. A level is crossed by one hundredth of the range of its channel, or by what else the link can carry.
3. An integral is driven with one constant value from the first sample on. Its operate time follows from the equation
   of the kind; the sample before lies 0.1 % short of it, the deciding one 0.1 % after it, or less where
   samples are closer.
4. A limit with two edges is driven over both, one with set points by phase in every phase in which it is on.
5. What cannot be driven says why. It is never left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from benchkit.model.limits import (
    CURVES,
    Against,
    ByPhase,
    Course,
    DeratingLine,
    Direction,
    InverseTime,
    Limit,
    LimitKind,
    Phase,
    RateWindow,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.model.stand import Channel
from benchkit.protect.measures import TOP_MULTIPLE
from benchkit.protect.watch import as_ns

Values = Mapping[str, float]
Reach = Callable[[str, float], float]
"""Channel, wanted value -> the value that arrives when it is sent over its link; NaN where it cannot be sent."""

STEPS = (0.01, 0.002, 0.05, 0.2, 0.0002)
"""How far beyond a set point, in parts of the range of the channel, the first that can be sent counts."""
MULTIPLES = (2.0, 3.0, 1.5, 5.0, 1.2, 10.0, 1.05)
"""Of the value above which an integral grows."""
EITHER_SIDE = 1e-3
"""Of an operate time: the sample before the deciding one, and that one, lie so far from it."""
MOST_SAMPLES = 100_000
ENOUGH_SAMPLES = 1000
SLOPE = 1.57
"""Of a rate: so many times its set point."""
INTEGRALS = frozenset(
    {LimitKind.INVERSE_TIME, LimitKind.THERMAL_REPLICA, LimitKind.I2T, LimitKind.ENERGY_IN_TIME}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """One way in which a limit must act: over which edge, in which phase of operation."""

    limit: Limit
    phase: Phase = Phase.RUNNING
    is_lower_edge: bool = False

    @property
    def words(self) -> str:
        """What tells it from other cases of the limit; empty where it has only one."""
        edge = {True: "lower edge", False: "upper edge"}[self.is_lower_edge]
        parts = [edge] if self.limit.kind is LimitKind.OUTSIDE else []
        return ", ".join(parts + ([self.phase.value] if self.limit.follows_phase else []))


@dataclass(frozen=True, slots=True)
class Sample:
    """Values of some channels at a time; all others keep those of the last good frame."""

    at_ns: int
    values: Values


@dataclass(frozen=True, slots=True)
class Stimulus:
    """Samples from time 0 on. With ``silence_ns`` the deciding moment comes so long after the last of them."""

    samples: tuple[Sample, ...]
    quiet: tuple[Values, ...]
    """In turn afterwards, until the limit lets go."""
    injected: float
    """Of the watched channel, at the deciding sample, in its bench unit; NaN where frames are held back."""
    set_point: float
    silence_ns: int = 0

    @property
    def decides_ns(self) -> int:
        """The deciding moment."""
        return self.samples[-1].at_ns + self.silence_ns


@dataclass(frozen=True, slots=True)
class NotProvable:
    """Why a case cannot be driven."""

    reason: str


class _CannotError(Exception):
    """Carries the reason to the edge of this module."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What a plan is made for: channels, the values of the last good frame, what can be sent, and how often.

    ``step_ns`` is the longest time between two samples, short enough that no source is stale; ``lead_ns`` is the time
    that a case in the phase ``running`` needs to get there.
    """

    channels: Mapping[str, Channel]
    base: Values
    reach: Reach
    step_ns: int
    lead_ns: int = 0

    def span(self, name: str) -> float:
        """Range of a channel, in its bench unit."""
        return self.channels[name].high - self.channels[name].low

    def first(self, name: str, wanted: Iterator[float] | tuple[float, ...], what: str) -> float:
        """The first of the wanted values that can be sent, as it arrives."""
        tried = []
        for value in wanted:
            arrived = self.reach(name, value)
            if math.isfinite(arrived):
                return arrived
            tried.append(f"{value:.6g}")
        unit = self.channels[name].unit
        raise _CannotError(f"{what}: no frame of its link gives {name} a value of {' or '.join(tried)} {unit}")

    def beyond(self, name: str, point: float, side: float, what: str) -> float:
        """A value of ``name`` above (``side`` 1) or below (-1) ``point``, as it arrives; inside the range if it can."""
        wanted = [point + side * share * self.span(name) for share in STEPS]
        low, high = self.channels[name].low, self.channels[name].high
        for value in sorted(wanted, key=lambda x: not low <= x <= high):  # stable: the order of STEPS otherwise
            arrived = self.reach(name, value)
            if (arrived - point) * side > 0.0:
                return arrived
        unit = self.channels[name].unit
        where = "above" if side > 0.0 else "below"
        raise _CannotError(f"{what}: no frame of its link gives {name} a value {where} {point:.6g} {unit}")

    def start(self, name: str) -> float:
        """The value of the last good frame as it arrives when sent again, or the middle of the range."""
        middle = 0.5 * (self.channels[name].low + self.channels[name].high)
        base = self.base.get(name, math.nan)
        return self.first(name, (base, middle) if math.isfinite(base) else (middle,), "a starting value")


def cases_of(limit: Limit) -> tuple[Case, ...]:
    """Every way in which ``limit`` must act (rule 4)."""
    edges = (False, True) if limit.kind is LimitKind.OUTSIDE else (False,)
    phases = tuple(Phase) if limit.follows_phase else (Phase.RUNNING,)
    cases = [Case(limit, phase, edge) for phase in phases for edge in edges]
    return tuple(case for case in cases if _is_on(case))


def _is_on(case: Case) -> bool:
    courses = [case.limit.low_course if case.is_lower_edge else case.limit.course]
    if case.limit.kind is LimitKind.INSIDE:
        courses.append(case.limit.low_course)
    return all(course.at(case.phase) is not None for course in courses if isinstance(course, ByPhase))


def plan(case: Case, scene: Scene) -> Stimulus | NotProvable:
    """What to inject for ``case``; or why it cannot be done."""
    limit = case.limit
    try:
        if limit.kind is LimitKind.STALE:
            made = _stale(limit, scene)
        elif limit.kind is LimitKind.RATE:
            made = _rate(case, scene)
        elif limit.kind is LimitKind.FROZEN:
            made = _frozen(limit, scene)
        elif limit.kind in INTEGRALS:
            made = _integral(limit, scene)
        else:
            made = _level(case, scene)
    except _CannotError as reason:
        return NotProvable(str(reason))
    if len(made.samples) > MOST_SAMPLES:
        return NotProvable(f"more than {MOST_SAMPLES} samples would be needed")
    return made


# ------------------------------------------------------------------------------------ levels and differences
def _level(case: Case, scene: Scene) -> Stimulus:
    """Quiet samples, then one that lies beyond, held for the on-delay."""
    limit, name = case.limit, case.limit.channel
    also: dict[str, float] = {}
    high = _point(limit.course, limit.set_point, case.phase, scene, also)
    low = _point(limit.low_course, limit.low, case.phase, scene, also)
    band, kind = limit.deadband, limit.kind
    if kind in (LimitKind.DEVIATION, LimitKind.SPREAD):
        return _apart(limit, high, also, scene)
    if kind is LimitKind.ABOVE or (kind is LimitKind.OUTSIDE and not case.is_lower_edge):
        over = scene.beyond(name, high, 1.0, "the condition")
        quiet = scene.beyond(name, high - band, -1.0, "a quiet value")
        point = high
    elif kind is LimitKind.BELOW:
        over = scene.beyond(name, high, -1.0, "the condition")
        quiet = scene.beyond(name, high + band, 1.0, "a quiet value")
        point = high
    elif kind is LimitKind.OUTSIDE:
        over = scene.beyond(name, low, -1.0, "the condition")
        quiet = scene.beyond(name, low + band, 1.0, "a quiet value")
        point = low
    else:  # inside
        over = scene.first(name, (0.5 * (low + high),), "the condition")
        quiet = scene.beyond(name, high + band, 1.0, "a quiet value")
        point = high
    return _step(limit, scene, {name: quiet} | also, {name: over} | also, over, point)


def _point(course: Course | None, fixed: float, phase: Phase, scene: Scene, also: dict[str, float]) -> float:
    """Set point in force; where it follows a channel, ``also`` takes the value that this is given."""
    if isinstance(course, ByPhase):
        at = course.at(phase)
        return math.nan if at is None else at
    if not isinstance(course, DeratingLine):
        return fixed
    name = course.channel
    if name not in also:
        middle = 0.5 * (course.points[0][0] + course.points[-1][0])
        base = scene.base.get(name, math.nan)
        arrives = scene.reach(name, base) if math.isfinite(base) else math.nan
        is_on_line = math.isfinite(course.at(arrives))
        also[name] = arrives if is_on_line else scene.first(name, (middle,), "a point of its line")
    return course.at(also[name])


def _apart(limit: Limit, point: float, also: dict[str, float], scene: Scene) -> Stimulus:
    """Equal values, then the watched channel further away than allowed."""
    name = limit.channel
    assert isinstance(limit.detail, Against)
    together = scene.start(name)
    partners = {other: scene.first(other, (together,), "equal values") for other in limit.detail.channels}
    least, most = min(partners.values()), max(partners.values())
    quiet = {name: together} | partners | also
    try:
        over = scene.beyond(name, least + point, 1.0, "the condition")
    except _CannotError:
        over = scene.beyond(name, most - point, -1.0, "the condition")
    return _step(limit, scene, quiet, {name: over} | partners | also, over, point)


def _step(limit: Limit, scene: Scene, quiet: Values, over: Values, injected: float, point: float) -> Stimulus:
    since_ns = 3 * scene.step_ns + scene.lead_ns
    samples = [Sample(at_ns, quiet) for at_ns in _times(0, since_ns, scene.step_ns)]
    samples += _held(since_ns, as_ns(limit.on_delay_s), scene.step_ns, lambda _at_ns: over)
    return Stimulus(tuple(samples), (quiet,), injected, point)


def _times(start_ns: int, stop_ns: int, step_ns: int) -> Iterator[int]:
    """From ``start_ns`` in steps, without ``stop_ns``."""
    return iter(range(start_ns, stop_ns, step_ns))


def _held(since_ns: int, delay_ns: int, step_ns: int, values: Callable[[int], Values]) -> list[Sample]:
    """Samples of a condition that begins at ``since_ns`` and stands until its delay is over, to the nanosecond."""
    end_ns = since_ns + delay_ns
    return [Sample(at_ns, values(at_ns)) for at_ns in (*_times(since_ns, end_ns, step_ns), end_ns)]


# -------------------------------------------------------------------------------------------- in time windows
def _rate(case: Case, scene: Scene) -> Stimulus:
    """A jump; or, where the condition must stand for longer than the window, a ramp."""
    limit, detail, name = case.limit, case.limit.detail, case.limit.channel
    assert isinstance(detail, RateWindow)
    also: dict[str, float] = {}
    point = _point(limit.course, limit.set_point, case.phase, scene, also)
    window_ns, delay_ns = as_ns(detail.window_s), as_ns(limit.on_delay_s)
    parts = max(8, math.ceil(window_ns / scene.step_ns))
    step_ns = max(1, window_ns // parts)
    is_jump = 2 * delay_ns <= window_ns
    change = SLOPE * point * (detail.window_s if is_jump else detail.window_s + limit.on_delay_s)
    sides = {Direction.RISE: (1.0,), Direction.FALL: (-1.0,), Direction.EITHER: (1.0, -1.0)}[detail.direction]
    before, side = _room(scene, name, change, sides)
    flat_ns = window_ns + 3 * step_ns + scene.lead_ns
    slope = side * SLOPE * point / 1e9

    def values(at_ns: int) -> Values:
        wanted = before + (side * change if is_jump else slope * (at_ns - flat_ns))
        return {name: scene.first(name, (wanted,), "the condition")} | also

    quiet = {name: before} | also
    samples = [Sample(at_ns, quiet) for at_ns in _times(0, flat_ns, step_ns)]
    flat_ns = samples[-1].at_ns + step_ns
    since_ns = flat_ns
    if not is_jump:
        # within the first window the change so far is divided by the whole window: SLOPE · s / window > 1
        since_ns = flat_ns + step_ns * (math.floor(window_ns / (SLOPE * step_ns)) + 1)
        samples += [Sample(at_ns, values(at_ns)) for at_ns in _times(flat_ns, since_ns, step_ns)]
    samples += _held(since_ns, delay_ns, step_ns, values)
    last = samples[-1].values
    return Stimulus(tuple(samples), (last,), last[name], point)


def _room(scene: Scene, name: str, change: float, sides: tuple[float, ...]) -> tuple[float, float]:
    """A value from which the channel can change by ``change``, and to which side."""
    low, span = scene.channels[name].low, scene.span(name)
    for before in (scene.base.get(name, math.nan), *(low + share * span for share in (0.5, 0.05, 0.95, 0.0, 1.0))):
        for side in sides:
            start = scene.reach(name, before) if math.isfinite(before) else math.nan
            if math.isfinite(start) and math.isfinite(scene.reach(name, start + side * change)):
                return start, side
    raise _CannotError(f"no frame of its link lets {name} change by {change:.6g} {scene.channels[name].unit}")


def _frozen(limit: Limit, scene: Scene) -> Stimulus:
    """The channel stands still while its partner goes to and fro."""
    detail, name = limit.detail, limit.channel
    assert isinstance(detail, WhileMoving)
    still = scene.start(name)
    partner, moves = detail.partner, 1.5 * detail.partner_change
    here, side = _room(scene, partner, moves, (1.0, -1.0))
    there = scene.first(partner, (here + side * moves,), "a partner that moves")
    window_ns = as_ns(detail.window_s)
    step_ns = max(1, min(scene.step_ns, window_ns // 4))

    def values(at_ns: int) -> Values:
        return {name: still, partner: there if at_ns // step_ns % 2 else here}

    samples = _held(0, window_ns, step_ns, values)
    samples += _held(window_ns, as_ns(limit.on_delay_s), step_ns, values)[1:]
    start, way = _room(scene, name, 2.0 * (limit.set_point + limit.deadband), (1.0, -1.0))
    other = scene.first(name, (start + way * 2.0 * (limit.set_point + limit.deadband),), "a channel that moves")
    return Stimulus(
        tuple(samples), ({name: start, partner: here}, {name: other, partner: there}), still, limit.set_point
    )


# -------------------------------------------------------------------------------------------------- integrals
def _integral(limit: Limit, scene: Scene) -> Stimulus:
    """One value from the first sample on: the first multiple that is quick enough, else the quickest in the range."""
    name, best = limit.channel, (math.inf, math.nan)
    low, high = scene.channels[name].low, scene.channels[name].high
    sides = (1.0,) if limit.kind is LimitKind.ENERGY_IN_TIME else (1.0, -1.0)
    wanted = [side * multiple * _grows_above(limit) for side in sides for multiple in MULTIPLES]
    for each in (*wanted, high):
        value = scene.reach(name, each)
        if low <= value <= high and operate_time_s(limit, value) < best[0]:
            best = (operate_time_s(limit, value), value)
            if best[0] * 1e9 < ENOUGH_SAMPLES * scene.step_ns:
                break
    time_s, value = best
    if not math.isfinite(time_s):
        raise _CannotError(f"within the range of {name} no value makes it operate")
    values = {name: value}
    either_ns = min(EITHER_SIDE * time_s * 1e9, 0.4 * scene.step_ns)
    before_ns, after_ns = round(time_s * 1e9 - either_ns), math.ceil(time_s * 1e9 + either_ns)
    if before_ns // scene.step_ns > MOST_SAMPLES:
        raise _CannotError(f"it operates after {time_s:.4g} s: more than {MOST_SAMPLES} samples would be needed")
    samples = [Sample(at_ns, values) for at_ns in (*_times(0, before_ns, scene.step_ns), before_ns)]
    samples += _held(after_ns, as_ns(limit.on_delay_s), scene.step_ns, lambda _at_ns: values)
    rest = scene.first(name, (0.0, scene.base.get(name, math.nan)), "a value at rest")
    return Stimulus(tuple(samples), ({name: rest},), value, limit.set_point)


def _grows_above(limit: Limit) -> float:
    """Value above which the integral grows to its operate value, in the unit of the channel."""
    detail = limit.detail
    if isinstance(detail, ThermalReplica):
        return detail.k * limit.set_point
    if isinstance(detail, SquareIntegral):
        # with nothing that may flow for ever, any current will do: the one that operates after 1 s
        return detail.continuous or math.sqrt(limit.set_point)
    if isinstance(detail, SumWindow):
        return limit.set_point / detail.window_s
    return limit.set_point


def operate_time_s(limit: Limit, value: float) -> float:
    """Time from the first sample to operation with one constant ``value``; infinite where it never operates.

    Inverse time, IEC 60255-151: ``t = TMS (k / ((G/G_S)^alpha - 1) + c)``. Thermal replica, IEC 60255-149, from the
    share ``s`` of the start: ``t = tau ln((q - s) / (q - 1))`` with ``q = (I / (k I_B))²``. I²t from the share ``s``:
    ``t = (1 - s) S / (i² - i_c²)``. Energy in a window: ``t = E / P`` while that is no longer than the window.
    """
    detail, size = limit.detail, abs(value)
    if isinstance(detail, InverseTime):
        curve, multiple = CURVES[detail.curve], min(size / limit.set_point, TOP_MULTIPLE)
        if multiple <= 1.0:
            return math.inf
        return float(detail.time_multiplier * (curve.k / (multiple**curve.alpha - 1.0) + curve.c))
    if isinstance(detail, ThermalReplica):
        q = (size / (detail.k * limit.set_point)) ** 2
        return detail.heating_s * math.log((q - detail.initial_share) / (q - 1.0)) if q > 1.0 else math.inf
    if isinstance(detail, SquareIntegral):
        excess = size * size - detail.continuous * detail.continuous
        return (1.0 - detail.initial_share) * limit.set_point / excess if excess > 0.0 else math.inf
    assert isinstance(detail, SumWindow)
    time_s = limit.set_point / value if value > 0.0 else math.inf
    return time_s if time_s * (1.0 + EITHER_SIDE) <= detail.window_s else math.inf


def _stale(limit: Limit, scene: Scene) -> Stimulus:
    """Good frames, then none: the age of the last good sample exceeds the set point 1 ns after it has reached it."""
    values = {limit.channel: scene.start(limit.channel)}
    samples = tuple(Sample(k * scene.step_ns, values) for k in range(3))
    silence_ns = as_ns(limit.set_point) + 1 + as_ns(limit.on_delay_s)
    return Stimulus(samples, (values,), math.nan, limit.set_point, silence_ns)
