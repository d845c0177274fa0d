"""Limits on channels as the profile says them: what they watch, when they act, what a trip commands.

The page docs/reference/limits.md has a section on every kind, with its equation and its source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from benchkit.model.interlock import State
from benchkit.model.limit_layers import HASH_SHOWN, LimitChange, LimitLayer, change_text, origin_text


class LimitKind(StrEnum):
    """What a limit watches."""

    ABOVE = "above"
    BELOW = "below"
    OUTSIDE = "outside"
    INSIDE = "inside"
    RATE = "rate"
    STALE = "stale"
    FROZEN = "frozen"
    DEVIATION = "deviation"
    SPREAD = "spread"
    INVERSE_TIME = "inverse_time"
    THERMAL_REPLICA = "thermal_replica"
    I2T = "i2t"
    ENERGY_IN_TIME = "energy_in_time"


ON_AXIS = frozenset({LimitKind.ABOVE, LimitKind.BELOW, LimitKind.OUTSIDE, LimitKind.INSIDE})
"""Kinds that compare the channel itself with set points: these can be drawn on its axis."""
MOVABLE = ON_AXIS | {LimitKind.RATE, LimitKind.DEVIATION, LimitKind.SPREAD}
"""Level kinds: their set points may depend on the phase of operation or on another channel."""
LOW_SIDE = frozenset({LimitKind.BELOW, LimitKind.FROZEN})
"""Kinds whose condition is a watched value below the set point."""


class Severity(StrEnum):
    """Caution: tell. Trip: stop and latch."""

    CAUTION = "caution"
    TRIP = "trip"


class Phase(StrEnum):
    """Phase of operation, as far as set points depend on it."""

    AT_REST = "at_rest"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"


def phase_of(state: State, since_start_s: float, starting_time_s: float) -> Phase:
    """Phase of an interlock state: RUNNING is ``starting`` until ``starting_time_s`` after START, then ``running``."""
    if state is State.RUNNING:
        return Phase.STARTING if since_start_s < starting_time_s else Phase.RUNNING
    return Phase.STOPPING if state in (State.STOPPING, State.TRIPPED) else Phase.AT_REST


@dataclass(frozen=True, slots=True)
class ByPhase:
    """A set point for each phase of operation; None: the limit is off in that phase."""

    at_rest: float | None
    starting: float | None
    running: float | None
    stopping: float | None

    def at(self, phase: Phase) -> float | None:
        """Set point in force in ``phase``."""
        return {
            Phase.AT_REST: self.at_rest,
            Phase.STARTING: self.starting,
            Phase.RUNNING: self.running,
            Phase.STOPPING: self.stopping,
        }[phase]

    @property
    def values(self) -> tuple[float, ...]:
        """All set points that are not off."""
        return tuple(x for x in (self.at_rest, self.starting, self.running, self.stopping) if x is not None)


@dataclass(frozen=True, slots=True)
class DeratingLine:
    """A set point along straight lines between points over another ``channel``. There is none outside the points."""

    channel: str
    points: tuple[tuple[float, float], ...]
    """(value of ``channel``, set point), the first rising."""

    def at(self, value: float) -> float:
        """Set point at ``value`` of the channel; NaN outside the points, and for NaN."""
        points = self.points
        if not points[0][0] <= value <= points[-1][0]:
            return math.nan
        for (x0, y0), (x1, y1) in pairwise(points):
            if value <= x1:
                return y0 + (y1 - y0) * ((value - x0) / (x1 - x0))
        return math.nan

    @property
    def values(self) -> tuple[float, ...]:
        """The set points at the points of the line."""
        return tuple(y for _, y in self.points)


Course = ByPhase | DeratingLine
"""How a set point moves."""


class Direction(StrEnum):
    """Which change a rate limit watches."""

    RISE = "rise"
    FALL = "fall"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class RateWindow:
    """Of ``rate``: the change is taken over ``window_s``."""

    window_s: float
    direction: Direction


@dataclass(frozen=True, slots=True)
class Against:
    """Of ``deviation`` (one channel) and ``spread`` (one or more): the channels this one is compared with."""

    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WhileMoving:
    """Of ``frozen``: within ``window_s`` the channel ``partner`` moved by more than ``partner_change``."""

    window_s: float
    partner: str
    partner_change: float


@dataclass(frozen=True, slots=True)
class TimeCurve:
    """Constants of an operate curve: t(G) = TMS · (k / ((G/G_S)^alpha - 1) + c)."""

    k: float
    c: float
    alpha: float


class CurveName(StrEnum):
    """Families of IEC 60255-151."""

    A = "A"
    B = "B"
    C = "C"
    D = "D"
    E = "E"
    F = "F"


CURVES: Mapping[CurveName, TimeCurve] = {
    CurveName.A: TimeCurve(0.14, 0.0, 0.02),
    CurveName.B: TimeCurve(13.5, 0.0, 1.0),
    CurveName.C: TimeCurve(80.0, 0.0, 2.0),
    CurveName.D: TimeCurve(0.0515, 0.114, 0.02),
    CurveName.E: TimeCurve(19.61, 0.491, 2.0),
    CurveName.F: TimeCurve(28.2, 0.1217, 2.0),
}
"""IEC 60255-151:2009, table A.1, second-hand: as relay manuals print it."""


class Reset(StrEnum):
    """How an inverse-time integral falls back when the value is no longer above its set point."""

    DEFINITE = "definite"
    DEPENDENT = "dependent"


@dataclass(frozen=True, slots=True)
class InverseTime:
    """Of ``inverse_time`` (IEC 60255-151).

    ``reset_time_s``: of a definite reset the time for which the integral is held before it is zero again; of a
    dependent reset t_r, the time from full to zero at no current and a time multiplier of 1.
    """

    curve: CurveName
    time_multiplier: float
    reset: Reset
    reset_time_s: float


@dataclass(frozen=True, slots=True)
class ThermalReplica:
    """Of ``thermal_replica`` (IEC 60255-149): factor k, time constants, and the used share of capacity at the start."""

    k: float
    heating_s: float
    cooling_s: float
    initial_share: float
    """0 is cold; a machine that ran at I_p for long has (I_p / (k I_B))²."""


@dataclass(frozen=True, slots=True)
class SquareIntegral:
    """Of ``i2t``: the current that may flow for ever, and the used share of the set point at the start."""

    continuous: float
    initial_share: float


@dataclass(frozen=True, slots=True)
class SumWindow:
    """Of ``energy_in_time``: the value is integrated over the last ``window_s``."""

    window_s: float


Detail = RateWindow | Against | WhileMoving | InverseTime | ThermalReplica | SquareIntegral | SumWindow
"""What a kind needs beside a set point."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A rule on a channel.

    The condition of ``above`` is ``value > set_point``, of ``below`` ``value < set_point``, of ``outside``
    ``value < low or value > set_point``, of ``inside`` ``low < value < set_point``: equality does not count.
    Of ``stale`` it is ``age of the last good sample > set_point`` seconds. The other kinds make a watched value out of
    the samples and compare that: ``rate`` (change per second), ``deviation`` and ``spread`` (size of a difference),
    ``i2t`` and ``energy_in_time`` (an integral) above ``set_point``; ``frozen`` (range within a window) below it, while
    its partner moves; ``inverse_time`` and ``thermal_replica`` have the share used of an integral above 1, and in
    ``set_point`` the start value G_S or the basic current I_B.

    The condition must stand for ``on_delay_s`` before the limit acts, and is gone only when the watched value is back
    by more than or exactly ``deadband``, for ``off_delay_s``. A trip limit also takes NaN, a missing sample and a
    stale source as its condition.
    """

    name: str
    channel: str
    kind: LimitKind
    severity: Severity
    set_point: float
    """In bench units. Where ``course`` moves it: that of the phase ``running``, or the strictest of the line."""
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    deadband: float = 0.0
    latching: bool = True
    action: str = ""
    """Name of the stop action of a trip limit; empty for a caution."""
    low: float = math.nan
    """Lower edge of ``outside`` and ``inside``; ``set_point`` is the upper one."""
    course: Course | None = None
    """How ``set_point`` moves; None: it does not."""
    low_course: Course | None = None
    detail: Detail | None = None

    @property
    def is_on_axis(self) -> bool:
        """True where the set points lie on the axis of the channel itself."""
        return self.kind in ON_AXIS

    @property
    def edges(self) -> tuple[float, ...]:
        """Set points on the axis of the channel, from low to high; none where they lie elsewhere."""
        if not self.is_on_axis:
            return ()
        return (self.low, self.set_point) if self.kind in (LimitKind.OUTSIDE, LimitKind.INSIDE) else (self.set_point,)

    @property
    def threshold(self) -> float:
        """What the watched value is compared with."""
        return 1.0 if self.kind in (LimitKind.INVERSE_TIME, LimitKind.THERMAL_REPLICA) else self.set_point

    @property
    def partners(self) -> tuple[str, ...]:
        """Other channels that its watched value is made of."""
        if isinstance(self.detail, Against):
            return self.detail.channels
        return (self.detail.partner,) if isinstance(self.detail, WhileMoving) else ()

    @property
    def lines(self) -> tuple[DeratingLine, ...]:
        """Derating lines of its set points."""
        return tuple(x for x in (self.course, self.low_course) if isinstance(x, DeratingLine))

    @property
    def follows_phase(self) -> bool:
        """True where a set point depends on the phase of operation."""
        return isinstance(self.course, ByPhase) or isinstance(self.low_course, ByPhase)


def watched_unit(limit: Limit, unit: str) -> str:
    """Unit of the watched value of a limit on a channel with ``unit``; empty for a share of an integral."""
    if limit.is_on_axis:
        return unit
    step = "K" if unit == "°C" else unit
    return {
        LimitKind.STALE: "s",
        LimitKind.RATE: f"{step}/s",
        LimitKind.INVERSE_TIME: "",
        LimitKind.THERMAL_REPLICA: "",
        LimitKind.I2T: f"{unit}²·s",
        LimitKind.ENERGY_IN_TIME: "J" if unit == "W" else f"{unit}·s",
    }.get(limit.kind, step)


def set_point_unit(limit: Limit, unit: str) -> str:
    """Unit of ``set_point``: that of the watched value, or of the channel where a share of an integral is watched."""
    return watched_unit(limit, unit) or unit


def deadband_unit(limit: Limit, unit: str) -> str:
    """Unit of ``deadband``: a difference of two watched values."""
    watched = watched_unit(limit, unit) or "1"
    return "K" if watched == "°C" else watched


def edge_towards(limit: Limit, value: float) -> tuple[float, float]:
    """Set point that ``value`` is heading for, and its side: 1 above, -1 below. Of a band the nearer edge.

    Outside a resonance band (``inside``) the edge is met from the side where ``value`` is.
    """
    if limit.kind not in (LimitKind.OUTSIDE, LimitKind.INSIDE):
        return limit.threshold, -1.0 if limit.kind in LOW_SIDE else 1.0
    is_upper = value > 0.5 * (limit.low + limit.set_point)
    edge = limit.set_point if is_upper else limit.low
    return edge, 1.0 if is_upper is (limit.kind is LimitKind.OUTSIDE) else -1.0


@dataclass(frozen=True, slots=True)
class LimitSet:
    """All limits of a stand, with the revision under which they were agreed."""

    name: str
    revision: str
    limits: tuple[Limit, ...]
    sha256: str = ""
    """What people compare: SHA-256 of the canonical JSON (RFC 8785) of all limits as the profile says them; where the
    set has a ``starting_time``, of ``{"limits": …, "starting_time": …}``.

    Three hashes, each for a question of its own. This one: are these the limits that we agreed on? It changes with any
    key of a limit, with a text or a unit as well, and with nothing outside the limit set. ``protection_hash``
    (``protect/permissives.py``): would the same samples trip the same stop? It is over the limits in bench units,
    ``starting_time``, ``stale_after`` of every source and the stop actions. ``chain_hash`` (``model/proof.py``): does
    the same quantity give the same samples? It is over links, formats, calibrations and formulas. A proof names all
    three, and counts only where the second and the third are those of the stand.
    """
    layers: tuple[LimitLayer, ...] = ()
    """What it was put together from, the lowest first; empty in runs that do not say."""
    origins: Mapping[str, int] = field(default_factory=dict)
    """Number of the layer that last set each ``limit.key``."""
    changes: tuple[LimitChange, ...] = ()

    @property
    def short_hash(self) -> str:
        """The first digits of the hash, enough for two people to compare; empty where none was taken."""
        return self.sha256[:HASH_SHOWN]

    def origin(self, limit: str) -> str:
        """Where a limit comes from, key by key where several layers set it."""
        return origin_text(limit, self.layers, self.origins)

    def changes_of(self, limit: str) -> tuple[str, ...]:
        """What later layers did to a limit, one line for each."""
        return tuple(change_text(c, self.layers) for c in self.changes if c.limit == limit)

    starting_time_s: float = math.nan
    """How long after START the phase is ``starting``; NaN where no set point depends on it."""
