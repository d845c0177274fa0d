"""What is wrong with a plan on a stand, before anything moves. Every fault names its segment."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from benchkit.errors import Problem, did_you_mean
from benchkit.model.limits import LimitKind, Severity
from benchkit.model.plans import AXIS_ROLE, Axis, Dwell, Mode, Plan, Segment, Target, Until
from benchkit.model.stand import Stand
from benchkit.plans.bounds import Bound, beyond, bounds_of
from benchkit.plans.sequence import MOST_STEPS, count_of_steps
from benchkit.units import Quantity


def plan_problems(plan: Plan, stand: Stand, given: Collection[str] | None = None) -> list[Problem]:
    """Every reason not to begin ``plan`` on ``stand``; ``given`` are the approvals that are there, None: not asked."""
    bounds = bounds_of(stand)
    found = list(_of_plan(plan, stand, bounds))
    for segment in plan.segments:
        found += _of_segment(plan, segment, stand, bounds)
    if given is not None:
        found += missing_approvals(plan, given)
    return found


def missing_approvals(plan: Plan, given: Collection[str]) -> list[Problem]:
    """Approvals that are asked for and not there."""
    asked = [(f"plan {plan.name}", role) for role in plan.approvals]
    asked += [(_where(segment), role) for segment in plan.segments for role in segment.approvals]
    gives = "Whoever may gives it: plan_approve role="
    return [
        Problem(where, "an approval is missing", None, role, f"{gives}{role.replace(' ', '_')}")
        for where, role in asked
        if role not in given
    ]


def _where(segment: Segment) -> str:
    return f"segment {segment.name!r}"


def _of_plan(plan: Plan, stand: Stand, bounds: Mapping[Axis, Bound]) -> Iterator[Problem]:
    where = f"plan {plan.name}"
    if plan.stop and plan.stop not in stand.stop_actions:
        hint = did_you_mean(plan.stop, stand.stop_actions) or f"Known: {', '.join(stand.stop_actions)}."
        yield Problem(f"{where}: stop", "the stand has no such stop action", plan.stop, remedy=hint)
    if count_of_steps(plan) > MOST_STEPS:
        yield Problem(where, "too many steps", count_of_steps(plan), f"at most {MOST_STEPS}")
    if plan.mode is Mode.DRIVE:
        if not any(source.set_point_command for source in stand.sources.values()):
            yield Problem(
                where,
                "no source of this stand takes set-points",
                remedy='Use mode = "lead", or give a source set_point_command.',
            )
        if plan.presence is None:
            yield Problem(f"{where}: presence", "missing", remedy="Say how often the operator acknowledges.")
    if plan.thermal is not None:
        for name in plan.thermal.channels:
            yield from _temperature(f"{where}: thermal.channels", name, stand)
    if plan.reference is not None:
        yield from _of_target(f"{where}: reference", plan, plan.reference.point, plan.tolerance, stand, bounds)
        yield from _of_dwell(f"{where}: reference", plan, plan.reference.dwell, None, stand)
    speed = stand.steadiness.channels
    if len({stand.channels[name].source for name in speed}) > 1:
        yield Problem(where, "what must hold still comes from several sources", ", ".join(speed))


def _of_segment(plan: Plan, segment: Segment, stand: Stand, bounds: Mapping[Axis, Bound]) -> Iterator[Problem]:
    where = _where(segment)
    bands = {**plan.tolerance, **segment.tolerance}
    yield from _of_points(where, plan, segment, bands, stand, bounds)
    if segment.dwell is not None:
        yield from _of_dwell(where, plan, segment.dwell, segment.expected_rise_k, stand)
    for expected in segment.expected:
        yield from _of_expected(where, expected.channel, expected.high, expected.low, stand)


def _of_points(
    where: str, plan: Plan, segment: Segment, bands: Target, stand: Stand, bounds: Mapping[Axis, Bound]
) -> Iterator[Problem]:
    """Each kind of fault once, with the first point that has it and how many more there are."""
    first: dict[str, Problem] = {}
    more: Counter[str] = Counter()
    for number, target in enumerate(segment.points, start=1):
        of = f"{where}, point {number}" if len(segment.points) > 1 else where
        for problem in _of_target(of, plan, target, bands, stand, bounds):
            kind = re.sub(r"-?[\d.]+", "", problem.what, count=1)
            more[kind] += kind in first
            first.setdefault(kind, problem)
    for kind, problem in first.items():
        others = f" (and {more[kind]} more)" if more[kind] else ""
        yield replace(problem, where=f"{problem.where}{others}")


def _of_target(
    where: str, plan: Plan, target: Target, bands: Target, stand: Stand, bounds: Mapping[Axis, Bound]
) -> Iterator[Problem]:
    for words in beyond(target, bounds):
        yield Problem(where, f"beyond what is mounted: {words}", remedy="Take it back, or mount what bears it.")
    for axis in target:
        role = AXIS_ROLE.get(axis)
        if role is not None and axis not in bands:
            yield Problem(where, f"no tolerance for {axis.value}", remedy=f"Add tolerance.{axis.value}.")
        if role is not None and stand.channel_for(role) is None:
            yield Problem(
                where, f"the stand does not measure {axis.value}", remedy=f"Give a channel the role {role.value}."
            )
        if plan.mode is Mode.DRIVE and not plan.slew.get(axis, 0.0) > 0.0:
            yield Problem(where, f"no slew for {axis.value}", remedy=f"Add it to [slew]: {axis.value}_…_s.")


def settling_window_s(plan: Plan, dwell: Dwell, stand: Stand) -> float:
    """Least time from the arrival of the set-points until a reading can begin [s]."""
    if dwell.until in (Until.TIME, Until.COOL):
        return 0.0
    rules = stand.steadiness
    window_s = max(rules.dwell_s, rules.stabilise_s)
    if dwell.until is Until.THERMAL and plan.thermal is not None:
        window_s = max(window_s, plan.thermal.over_s)
    return window_s


def _of_dwell(where: str, plan: Plan, dwell: Dwell, rise_k: float | None, stand: Stand) -> Iterator[Problem]:
    window_s = settling_window_s(plan, dwell, stand)
    least_s = window_s + (0.0 if dwell.until is Until.COOL else dwell.time_s)
    if dwell.until is Until.COOL:
        yield from _temperature(f"{where}: channel", dwell.channel, stand)
    if dwell.until is Until.STEADY and not stand.steadiness.channels:
        yield Problem(
            where, "the stand says no channel that must hold still", remedy="Add [steadiness] to its profile."
        )
    if dwell.longest_s < least_s:
        reading = f"and the reading ({dwell.time_s:g} s) do not fit into the longest wait"
        what = {
            Until.TIME: f"the dwell of {dwell.time_s:g} s cannot be reached in its longest wait",
            Until.STEADY: f"the window of the criterion ({window_s:g} s) {reading}",
            Until.THERMAL: f"the time of the thermal rule ({window_s:g} s) {reading}",
        }[dwell.until]
        yield Problem(
            where, what, f"{dwell.longest_s:g} s", f"at least {least_s:g} s", "Wait longer, or read for less time."
        )
        return
    if dwell.until is Until.THERMAL:
        if plan.thermal is None:
            yield Problem(where, "waits for temperatures without a rule for them", remedy="Add [thermal] to the plan.")
            return
        need_s = heating_s(plan, rise_k, stand)
        if need_s + dwell.time_s > dwell.longest_s:
            yield Problem(
                where,
                f"the temperatures are still moving when its longest wait is over: they need about {need_s:.0f} s",
                f"{dwell.longest_s:g} s",
                f"at least {need_s + dwell.time_s:.0f} s",
                "Wait longer, allow more change, or begin nearer to the end temperature.",
            )


def heating_s(plan: Plan, rise_k: float | None, stand: Stand) -> float:
    """Time [s] until a temperature that rises by ``rise_k`` with the slowest time constant changes by no more than the
    thermal rule allows: ``t = tau ln(A (exp(over/tau) - 1)/allowed)`` (1), at least ``over``. 0 where nothing is known.

    tau is that of the plan, else the largest of the stand's thermal models of these channels. (1) is derived here: the
    change over the last ``over`` seconds of ``A (1 - exp(-t/tau))`` is ``A exp(-t/tau) (exp(over/tau) - 1)``.
    """
    rule = plan.thermal
    if rule is None or rise_k is None:
        return 0.0
    taus = [max(model.tau_s) for model in stand.thermal_models.values() if model.channel in rule.channels]
    tau_s = plan.thermal_tau_s or max(taus, default=0.0)
    if not tau_s > 0.0:
        return 0.0
    share = abs(rise_k) * math.expm1(rule.over_s / tau_s) / rule.change_k
    return max(rule.over_s, tau_s * math.log(share)) if share > 1.0 else rule.over_s


def _temperature(where: str, name: str, stand: Stand) -> Iterator[Problem]:
    channel = stand.channels.get(name)
    if channel is None:
        yield Problem(where, "no channel of that name", name, remedy=did_you_mean(name, stand.channels))
    elif channel.quantity is not Quantity.TEMPERATURE:
        yield Problem(where, "not a temperature", name, "a channel in °C")


def _of_expected(where: str, name: str, high: float, low: float, stand: Stand) -> Iterator[Problem]:
    channel = stand.channels.get(name)
    if channel is None:
        yield Problem(f"{where}: expected", "no channel of that name", name, remedy=did_you_mean(name, stand.channels))
        return
    for limit in stand.limit_set.limits:
        if limit.channel != name or limit.severity is not Severity.TRIP:
            continue
        is_late = (limit.kind is LimitKind.ABOVE and math.isfinite(high) and high >= limit.set_point) or (
            limit.kind is LimitKind.BELOW and math.isfinite(low) and low <= limit.set_point
        )
        if is_late:
            edge = high if limit.kind is LimitKind.ABOVE else low
            yield Problem(
                f"{where}: expected",
                f"{name} trips before it is beyond what is expected",
                f"{edge:g} {channel.unit}",
                f"within {limit.set_point:g} {channel.unit} ({limit.name})",
                "Expect less.",
            )
