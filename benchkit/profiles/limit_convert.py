"""From the sections of limits to :class:`benchkit.model.limits.Limit`: units, names, and how set points move."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from benchkit.errors import Problem
from benchkit.model.limits import (
    Against,
    ByPhase,
    Course,
    DeratingLine,
    Detail,
    InverseTime,
    Limit,
    LimitKind,
    LimitSet,
    RateWindow,
    SquareIntegral,
    SumWindow,
    ThermalReplica,
    WhileMoving,
)
from benchkit.model.stand import Stand
from benchkit.profiles import limit_schema as schema
from benchkit.profiles.base import Measure
from benchkit.profiles.collect import Collector
from benchkit.protect.configuration import check_limits
from benchkit.units import BENCH_UNIT, Quantity, Scale

AnyPoint = schema.FixedPoint | schema.PhasePoint | schema.LinePoint | Measure
_NOWHERE = Scale(math.nan)
_NEEDED = {LimitKind.I2T: Quantity.CURRENT, LimitKind.ENERGY_IN_TIME: Quantity.POWER}
_POWERS: Mapping[LimitKind, Mapping[str, Scale]] = {
    LimitKind.I2T: {"A²·s": Scale(1.0), "kA²·s": Scale(1e6), "A2s": Scale(1.0), "A²s": Scale(1.0)},
    LimitKind.ENERGY_IN_TIME: {"J": Scale(1.0), "W·s": Scale(1.0), "kJ": Scale(1e3), "W·h": Scale(3600.0)},
}
"""Units of integrals over time; kA²·s is 1000 A²·s times 1000."""


def limit_set(
    collect: Collector,
    section: schema.LimitSetSection,
    limits: Mapping[str, schema.AnyLimitSection],
    quantities: Mapping[str, Quantity],
    actions: Iterable[str],
) -> LimitSet:
    """All limits; ``quantities`` of every channel, ``actions`` the names of the stop actions."""
    actions = list(actions)
    found = tuple(_One(collect, name, each, quantities, actions).limit() for name, each in limits.items())
    starting = math.nan
    if section.starting_time is not None:
        starting = collect.delay("limit_set.starting_time", section.starting_time)
    return LimitSet(section.name, section.revision, found, starting_time_s=starting)


def further_problems(stand: Stand, found: list[Problem], origin: str) -> list[Problem]:
    """What :func:`check_limits` says of the limits that were read without a fault, beside the faults of others.

    A limit, or a channel of it, that has a fault of its own holds placeholders: nothing is said of those.
    """
    keys = {".".join(p.where.removeprefix(f"{origin}: ").split(".")[:2]) for p in found}
    told = []
    for problem in check_limits(stand):
        section, _, rest = problem.where.partition(".")
        named = next((x for x in stand.limit_set.limits if x.name == rest.partition(".")[0]), None)
        if section == "limits" and named is not None and f"limits.{named.name}" not in keys:
            channels = (named.channel, *named.partners, *(line.channel for line in named.lines))
            if not any(f"{room}.{name}" in keys for name in channels for room in ("channels", "derived")):
                told.append(Problem(f"{origin}: {problem.where}", *_rest(problem)))
    return told


def _rest(problem: Problem) -> tuple[str, object, str, str]:
    return problem.what, problem.got, problem.expected, problem.remedy


class _One:
    """One limit on its way."""

    def __init__(
        self,
        collect: Collector,
        name: str,
        section: schema.AnyLimitSection,
        quantities: Mapping[str, Quantity],
        actions: list[str],
    ) -> None:
        self.collect, self.name, self.section = collect, name, section
        self.key, self.kind = f"limits.{name}", LimitKind(section.kind)
        self.quantities = quantities
        is_known = collect.known(f"{self.key}.channel", "channel", section.channel, quantities)
        self.quantity = quantities[section.channel] if is_known else None
        wanted = _NEEDED.get(self.kind)
        if self.quantity is not None and wanted is not None and wanted is not self.quantity:
            got = f"{section.channel} ({self.quantity.value})"
            remedy = f"Name a channel that measures {wanted.value}."
            collect.fault(
                f"{self.key}.channel", f"{self.kind.value} needs a channel of {wanted.value}", got, remedy=remedy
            )
            self.quantity = None
        if section.action:
            collect.known(f"{self.key}.action", "stop action", section.action, actions)

    def limit(self) -> Limit:
        s = self.section
        low, low_course = math.nan, None
        if isinstance(s, schema.BandSection):
            low, low_course = self._point("low", s.low)
            set_point, course = self._point("high", s.high)
        else:
            set_point, course = self._point("set_point", s.set_point)
        return Limit(
            name=self.name,
            channel=s.channel,
            kind=self.kind,
            severity=s.severity,
            set_point=set_point,
            on_delay_s=self.collect.delay(f"{self.key}.on_delay", s.on_delay),
            off_delay_s=self.collect.delay(f"{self.key}.off_delay", s.off_delay),
            deadband=self._deadband(s.deadband),
            latching=s.latching,
            action=s.action,
            low=low,
            course=course,
            low_course=low_course,
            detail=self._detail(),
        )

    # -- set points

    def _scale(self, key: str, unit: str) -> Scale:
        """From the unit of a set point to the bench unit of what is watched."""
        kind, quantity = self.kind, self.quantity
        if kind is LimitKind.STALE:
            return self.collect.scale(key, Quantity.TIME, unit)
        if quantity is None:
            return _NOWHERE
        if kind in _POWERS:
            return self._power(key, unit)
        if kind is LimitKind.RATE:
            return self._per_second(key, quantity, unit)
        scale = self.collect.scale(key, quantity, unit)
        is_size = kind in (LimitKind.FROZEN, LimitKind.DEVIATION, LimitKind.SPREAD)
        return Scale(abs(scale.factor)) if is_size else scale

    def _power(self, key: str, unit: str) -> Scale:
        known = _POWERS[self.kind]
        found = known.get(unit.strip().replace("*", "·").replace("^2", "²"))
        if found is None:
            self.collect.fault(
                f"{key}.unit", f"{unit!r} is not a unit of {self.kind.value}", remedy=f"Use {' or '.join(known)}."
            )
        return found or _NOWHERE

    def _per_second(self, key: str, quantity: Quantity, unit: str) -> Scale:
        change, _, time = unit.rpartition("/")
        seconds = {"s": 1.0, "min": 60.0}.get(time.strip())
        if seconds is None or not change.strip():
            example = "K" if quantity is Quantity.TEMPERATURE else BENCH_UNIT[quantity]
            self.collect.fault(
                f"{key}.unit",
                f"{unit!r} is not a change of {quantity.value} per time",
                remedy=f"Use {example}/s or {example}/min.",
            )
            return _NOWHERE
        return Scale(abs(self.collect.scale(key, quantity, change.strip()).factor) / seconds)

    def _point(self, name: str, point: AnyPoint) -> tuple[float, Course | None]:
        key = f"{self.key}.{name}"
        scale = self._scale(key, point.unit)

        def bench(value: float) -> float:
            return scale.factor * value + scale.offset

        if isinstance(point, schema.PhasePoint):
            by_phase = ByPhase(
                *(
                    None if value is None else bench(value)
                    for value in (point.at_rest, point.starting, point.running, point.stopping)
                )
            )
            strictest = _strictest(self.kind, name, by_phase.values)
            return (strictest if by_phase.running is None else by_phase.running), by_phase
        if isinstance(point, schema.LinePoint):
            if not self.collect.known(f"{key}.along", "channel", point.along, self.quantities):
                return math.nan, None
            along = self.collect.scale(f"{key}.along", self.quantities[point.along], point.along_unit)
            line = DeratingLine(
                point.along, tuple((along.factor * x + along.offset, bench(y)) for x, y in point.points)
            )
            return _strictest(self.kind, name, line.values), line
        return bench(point.value), None

    def _deadband(self, measure: Measure) -> float:
        key = f"{self.key}.deadband"
        if self.quantity is None and self.kind is not LimitKind.STALE:
            return 0.0
        if self.kind in (LimitKind.INVERSE_TIME, LimitKind.THERMAL_REPLICA):
            return self.collect.difference(key, Quantity.RATIO, measure)
        return abs(self._scale(key, measure.unit).factor) * measure.value

    # -- what a kind needs beside

    def _detail(self) -> Detail | None:  # noqa: PLR0911  one return a kind
        s, collect, key = self.section, self.collect, self.key
        if isinstance(s, schema.RateSection):
            return RateWindow(collect.delay(f"{key}.window", s.window), s.direction)
        if isinstance(s, schema.DeviationSection):
            self._partner(f"{key}.partner", s.partner)
            return Against((s.partner,))
        if isinstance(s, schema.SpreadSection):
            for index, name in enumerate(s.partners):
                self._partner(f"{key}.partners.{index}", name)
            return Against(tuple(s.partners))
        if isinstance(s, schema.FrozenSection):
            change = math.nan
            if collect.known(f"{key}.partner", "channel", s.partner, self.quantities):
                change = collect.difference(f"{key}.partner_change", self.quantities[s.partner], s.partner_change)
            return WhileMoving(collect.delay(f"{key}.window", s.window), s.partner, change)
        if isinstance(s, schema.InverseTimeSection):
            return InverseTime(s.curve, s.time_multiplier, s.reset, collect.delay(f"{key}.reset_time", s.reset_time))
        if isinstance(s, schema.ThermalReplicaSection):
            return ThermalReplica(
                s.k,
                collect.positive(f"{key}.heating_time_constant", Quantity.TIME, s.heating_time_constant),
                collect.positive(f"{key}.cooling_time_constant", Quantity.TIME, s.cooling_time_constant),
                s.initial_share,
            )
        if isinstance(s, schema.SquareIntegralSection):
            return SquareIntegral(collect.measure(f"{key}.continuous", Quantity.CURRENT, s.continuous), s.initial_share)
        if isinstance(s, schema.EnergySection):
            return SumWindow(collect.delay(f"{key}.window", s.window))
        return None

    def _partner(self, key: str, name: str) -> None:
        """A channel that is compared with this one must measure the same."""
        if not self.collect.known(key, "channel", name, self.quantities) or self.quantity is None:
            return
        if self.quantities[name] is not self.quantity:
            self.collect.fault(
                key,
                f"channel {name!r} measures {self.quantities[name].value}",
                expected=f"{self.quantity.value}, as {self.section.channel!r}",
                remedy="Compare channels of one quantity.",
            )


def _strictest(kind: LimitKind, name: str, values: tuple[float, ...]) -> float:
    """Of the set points of one edge the one that is met first."""
    is_lower = kind is LimitKind.BELOW or (kind is LimitKind.OUTSIDE and name == "low")
    is_upper_of_inside = kind is LimitKind.INSIDE and name == "high"
    return max(values, default=math.nan) if is_lower or is_upper_of_inside else min(values, default=math.nan)
