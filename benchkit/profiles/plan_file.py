"""Read a plan (TOML): all faults of shape and meaning listed together, those of segments with the segment's name."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from benchkit.errors import Problem, ProfileError
from benchkit.model.plans import (
    AXIS_QUANTITY,
    AfterStop,
    Axis,
    Dwell,
    Expected,
    Gate,
    Mode,
    Order,
    Otherwise,
    Plan,
    Presence,
    Reference,
    Segment,
    SegmentKind,
    Until,
)
from benchkit.model.stand import Stand, ThermalSteadiness
from benchkit.profiles.base import Measure, Section
from benchkit.profiles.collect import Collector
from benchkit.profiles.messages import problem_from
from benchkit.profiles.plan_schema import (
    AxesSection,
    DwellSection,
    PlanFile,
    PlanSection,
    PlanThermalSection,
    PresenceSection,
    ReferenceSection,
    SegmentSection,
    SlewSection,
    Values,
)
from benchkit.profiles.plan_watch import text_sha256
from benchkit.profiles.toml_files import read_toml
from benchkit.units import Quantity

S = TypeVar("S", bound=Section)
SLEW_KEYS: Mapping[Axis, str] = {
    Axis.SPEED: "speed_rpm_s",
    Axis.TORQUE: "torque_nm_s",
    Axis.CURRENT: "current_a_s",
    Axis.POWER: "power_w_s",
    Axis.THROTTLE: "throttle_s",
}
_STAND_IN = PlanSection(name="plan", title="plan", revision="0", mode="lead")


def load_plan(path: Path, stand: Stand) -> Plan:
    """Read the plan at ``path`` for ``stand``, whose channels it may name.

    Raises:
        ProfileError: with every fault found, each with key path, got, expected and remedy.
        UsageError: the file cannot be read.
    """
    mapping, text = read_toml(path)
    return plan_from(mapping, str(path), stand, text_sha256(text))


def plan_from(mapping: Mapping[str, Any], origin: str, stand: Stand, sha256: str = "") -> Plan:
    """The plan in ``mapping``; raises as :func:`load_plan`."""
    problems: list[Problem] = []
    try:
        PlanFile.model_validate(mapping)
    except ValidationError as error:
        problems = [problem_from(e, PlanFile, origin) for e in error.errors(include_url=False)]
    converter = _Converter(mapping, origin, stand)
    plan = converter.plan()
    problems += converter.problems
    if problems:
        raise ProfileError(origin, [_with_name(problem, mapping) for problem in problems])
    return replace(plan, sha256=sha256)


def _with_name(problem: Problem, mapping: Mapping[str, Any]) -> Problem:
    """The fault, with the name of the segment beside its number."""
    segments = mapping.get("segments")

    def named(match: re.Match[str]) -> str:
        number = int(match[1])
        body = segments[number] if isinstance(segments, list) and number < len(segments) else None
        name = body.get("name") if isinstance(body, dict) else None
        return f"{match[0]} ({name})" if isinstance(name, str) else match[0]

    return replace(problem, where=re.sub(r"segments\.(\d+)", named, problem.where, count=1))


class _Converter(Collector):
    """Takes every part that has the right shape to bench units; the others are left out, and named already."""

    def __init__(self, mapping: Mapping[str, Any], origin: str, stand: Stand) -> None:
        super().__init__(origin)
        self._mapping, self._stand = mapping, stand

    def plan(self) -> Plan:
        head = self._part(PlanSection, self._mapping.get("plan")) or _STAND_IN
        slew = self._part(SlewSection, self._mapping.get("slew", {})) or SlewSection()
        tolerance = self._part(AxesSection, self._mapping.get("tolerance", {})) or AxesSection()
        reference = self._part(ReferenceSection, self._mapping.get("reference"))
        thermal = self._part(PlanThermalSection, self._mapping.get("thermal"))
        written = self._mapping.get("segments", [])
        segments = []
        for number, body in enumerate(written if isinstance(written, list) else []):
            section = self._part(SegmentSection, body)
            if section is not None:
                segments.append(self._segment(f"segments.{number}", section))
        for name, count in Counter(segment.name for segment in segments).items():
            if count > 1:
                self.fault("segments", "two segments of one name", name, remedy="The account goes by name: change one.")
        return Plan(
            name=head.name,
            title=head.title,
            revision=head.revision,
            mode=Mode(head.mode),
            segments=tuple(segments),
            slew={a: float(v) for a, key in SLEW_KEYS.items() if (v := getattr(slew, key)) is not None},
            tolerance=self._tolerance("tolerance", tolerance),
            presence=self._presence(),
            stop=head.stop,
            approvals=tuple(head.approvals),
            reference=None if reference is None else self._reference(reference),
            thermal=None if thermal is None else self._thermal(thermal),
            thermal_tau_s=None
            if thermal is None or thermal.time_constant is None
            else self.positive("thermal.time_constant", Quantity.TIME, thermal.time_constant),
            notes=head.notes,
        )

    def _part(self, kind: type[S], body: Any) -> S | None:
        try:
            return None if body is None else kind.model_validate(body)
        except ValidationError:
            return None

    def _presence(self) -> Presence | None:
        section = self._part(PresenceSection, self._mapping.get("presence"))
        if section is None:
            return None
        silent = section.silent_after
        return Presence(
            self.positive("presence.acknowledge_every", Quantity.TIME, section.acknowledge_every),
            self.positive("presence.within", Quantity.TIME, section.within),
            None if silent is None else self.positive("presence.silent_after", Quantity.TIME, silent),
        )

    def _thermal(self, section: PlanThermalSection) -> ThermalSteadiness:
        for name in section.channels:
            self.known("thermal.channels", "channel", name, self._stand.channels)
        change_k = self.difference("thermal.change", Quantity.TEMPERATURE_DIFFERENCE, section.change)
        if not change_k > 0.0:
            self.fault("thermal.change.value", "must be above zero", section.change.value)
        return ThermalSteadiness(
            tuple(section.channels), change_k, self.positive("thermal.over", Quantity.TIME, section.over)
        )

    def _axes(self, where: str, section: AxesSection) -> dict[Axis, float]:
        found = {}
        for axis in Axis:
            measure: Measure | None = getattr(section, axis.value)
            if measure is not None:
                found[axis] = self.measure(f"{where}.{axis.value}", AXIS_QUANTITY[axis], measure)
        return found

    def _tolerance(self, where: str, section: AxesSection) -> dict[Axis, float]:
        found = {}
        for axis in Axis:
            measure: Measure | None = getattr(section, axis.value)
            if measure is not None:
                found[axis] = self.positive(f"{where}.{axis.value}", AXIS_QUANTITY[axis], measure)
        return found

    def _reference(self, section: ReferenceSection) -> Reference:
        point = self._axes("reference", section)
        if not point:
            self.fault("reference", "no set-point", remedy="Add speed, torque, current, power or throttle.")
        return Reference(section.every, point, self._dwell("reference.dwell", section.dwell))

    def _dwell(self, where: str, section: DwellSection) -> Dwell:
        until = Until(section.until)
        wants = {"time"} if until is not Until.COOL else {"channel", "below"}
        for key in ("time", "channel", "below"):
            has = getattr(section, key) is not None
            if has and key not in wants:
                self.fault(f"{where}.{key}", f"is not said of a dwell until {until.value!r}", remedy="Remove it.")
            elif not has and key in wants:
                self.fault(f"{where}.{key}", "missing", remedy="Add this key; it has no default.")
        if section.channel is not None:
            self.known(f"{where}.channel", "channel", section.channel, self._stand.channels)
        return Dwell(
            until,
            0.0 if section.time is None else self.positive(f"{where}.time", Quantity.TIME, section.time),
            self.positive(f"{where}.longest", Quantity.TIME, section.longest),
            Otherwise(section.otherwise),
            section.channel or "",
            0.0 if section.below is None else self.measure(f"{where}.below", Quantity.TEMPERATURE, section.below),
        )

    def _segment(self, where: str, section: SegmentSection) -> Segment:
        kind = SegmentKind(section.kind)
        points = self._points(where, section)
        if kind is SegmentKind.POINTS and not points:
            self.fault(where, "no set-points", remedy="Add speed, torque, current, power or throttle.")
        if kind is SegmentKind.COOL and len(points) > 1:
            self.fault(where, "a rest has one set-point, or none for standstill", len(points))
        if kind is SegmentKind.BY_HAND and (points or section.dwell is not None):
            self.fault(where, "what is done by hand has no set-points and no dwell", remedy="Remove them.")
        if kind is SegmentKind.BY_HAND and not section.instruction and section.gate is None:
            self.fault(f"{where}.instruction", "missing", remedy="Say what is to be done.")
        if kind is not SegmentKind.BY_HAND:
            cools = section.dwell is not None and section.dwell.until == "cool"
            if section.dwell is None:
                self.fault(f"{where}.dwell", "missing", remedy="Add this key; it has no default.")
            elif cools is not (kind is SegmentKind.COOL):
                self.fault(
                    f"{where}.dwell.until", "'cool' belongs to a segment of kind 'cool' alone", section.dwell.until
                )
        gate, rise = section.gate, section.expected_rise
        return Segment(
            name=section.name,
            kind=kind,
            points=points,
            dwell=None if section.dwell is None else self._dwell(f"{where}.dwell", section.dwell),
            order=Order(section.order),
            repeats=section.repeats,
            ramp_s=0.0 if section.ramp is None else self.delay(f"{where}.ramp", section.ramp),
            after_stop=AfterStop(section.after_stop),
            rating=section.rating,
            expected=self._expected(where, section),
            tolerance={} if section.tolerance is None else self._tolerance(f"{where}.tolerance", section.tolerance),
            approvals=tuple(section.approvals),
            gate=None if gate is None else Gate(gate.entry, gate.passes, gate.approver),
            instruction=section.instruction,
            approver=section.approver,
            expected_rise_k=None
            if rise is None
            else self.difference(f"{where}.expected_rise", Quantity.TEMPERATURE_DIFFERENCE, rise),
            has_references=section.references,
        )

    def _points(self, where: str, section: SegmentSection) -> tuple[dict[Axis, float], ...]:
        """Set-points by axis, as many as there are values; a single value stands for all."""
        columns: dict[Axis, list[float]] = {}
        for axis in Axis:
            values: Values | None = getattr(section, axis.value)
            if values is not None:
                scale = self.scale(f"{where}.{axis.value}", AXIS_QUANTITY[axis], values.unit)
                columns[axis] = [scale.factor * v + scale.offset for v in values.values]
        count = max((len(column) for column in columns.values()), default=0)
        for axis, column in columns.items():
            if len(column) not in (1, count):
                self.fault(f"{where}.{axis.value}.values", "not as many as the others", len(column), f"1 or {count}")
                return ()
        return tuple(
            {axis: column[k if len(column) > 1 else 0] for axis, column in columns.items()} for k in range(count)
        )

    def _expected(self, where: str, section: SegmentSection) -> tuple[Expected, ...]:
        found = []
        for number, one in enumerate(section.expected):
            here = f"{where}.expected.{number}"
            if not self.known(f"{here}.channel", "channel", one.channel, self._stand.channels):
                continue
            quantity = self._stand.channels[one.channel].quantity
            if one.low is None and one.high is None:
                self.fault(here, "neither low nor high", remedy="Say what is expected.")
            low = -math.inf if one.low is None else self.measure(f"{here}.low", quantity, one.low)
            high = math.inf if one.high is None else self.measure(f"{here}.high", quantity, one.high)
            if not low < high:
                self.fault(here, "low is not below high", f"{low:g}, {high:g}")
            found.append(Expected(one.channel, low, high))
        return tuple(found)
