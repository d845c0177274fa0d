"""A plan as the text of its file, in bench units: what :func:`benchkit.profiles.plan_file.load_plan` reads back."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping

from benchkit.model.cautions import ONE_LINE
from benchkit.model.plans import AXIS_QUANTITY, AfterStop, Axis, Dwell, Order, Plan, Segment, SegmentKind, Target, Until
from benchkit.model.stand import Stand
from benchkit.profiles.plan_file import SLEW_KEYS
from benchkit.units import BENCH_UNIT


def plan_toml(plan: Plan, stand: Stand) -> str:
    """The text; ``stand`` gives the units of the channels that are named."""
    return "\n".join([*_head(plan), *(line for s in plan.segments for line in _segment(s, stand))]) + "\n"


def _head(plan: Plan) -> Iterator[str]:
    yield from (f"# {plan.title}", f"# {ONE_LINE}", "", "[plan]")
    yield f"name = {_text(plan.name)}"
    yield f"title = {_text(plan.title)}"
    yield f"revision = {_text(plan.revision)}"
    yield f"mode = {_text(plan.mode.value)}"
    if plan.stop:
        yield f"stop = {_text(plan.stop)}"
    if plan.approvals:
        yield f"approvals = {_texts(plan.approvals)}"
    if plan.notes:
        yield f"notes = {_text(plan.notes)}"
    if plan.presence is not None:
        yield from ("", "[presence]", f"acknowledge_every = {_time(plan.presence.every_s)}")
        yield f"within = {_time(plan.presence.within_s)}"
        if plan.presence.silent_s is not None:
            yield f"silent_after = {_time(plan.presence.silent_s)}"
    if plan.slew:
        yield from ("", "[slew]", *(f"{SLEW_KEYS[axis]} = {_number(value)}" for axis, value in plan.slew.items()))
    if plan.tolerance:
        yield from ("", "[tolerance]", *_axes(plan.tolerance))
    if plan.thermal is not None:
        yield from ("", "[thermal]", f"channels = {_texts(plan.thermal.channels)}")
        yield f"change = {_measure(plan.thermal.change_k, 'K')}"
        yield f"over = {_time(plan.thermal.over_s)}"
        if plan.thermal_tau_s is not None:
            yield f"time_constant = {_time(plan.thermal_tau_s)}"
    if plan.reference is not None:
        yield from ("", "[reference]", f"every = {plan.reference.every}", *_axes(plan.reference.point))
        yield f"dwell = {_dwell(plan.reference.dwell)}"


def _segment(segment: Segment, stand: Stand) -> Iterator[str]:
    yield from ("", "[[segments]]", f"name = {_text(segment.name)}", f"kind = {_text(segment.kind.value)}")
    for axis in Axis:
        values = [target[axis] for target in segment.points if axis in target]
        if values:
            one = values[:1] if len(set(values)) == 1 and _any_longer(segment, axis) else values
            listed = ", ".join(_number(value) for value in one)
            yield f"{axis.value} = {{ values = [{listed}], unit = {_text(_unit(axis))} }}"
    if segment.dwell is not None:
        yield f"dwell = {_dwell(segment.dwell)}"
    yield from _further(segment, stand)


def _further(segment: Segment, stand: Stand) -> Iterator[str]:
    """Keys that have a default, where it is not that."""
    gate, rise = segment.gate, segment.expected_rise_k
    keys: dict[str, str] = {}
    if segment.order is not Order.AS_WRITTEN:
        keys["order"] = _text(segment.order.value)
    if segment.after_stop is not AfterStop.GO_ON:
        keys["after_stop"] = _text(segment.after_stop.value)
    if gate is not None:
        words = (("entry", gate.entry), ("passes", gate.passes), ("approver", gate.approver))
        keys["gate"] = f"{{ {', '.join(f'{key} = {_text(value)}' for key, value in words)} }}"
    if not segment.has_references and segment.kind is SegmentKind.POINTS:
        keys["references"] = "false"
    keys |= {
        "repeats": str(segment.repeats) if segment.repeats != 1 else "",
        "ramp": _time(segment.ramp_s) if segment.ramp_s else "",
        "rating": _text(segment.rating) if segment.rating else "",
        "expected": f"[{', '.join(_expected(x.channel, x.low, x.high, stand) for x in segment.expected)}]"
        if segment.expected
        else "",
        "tolerance": f"{{ {', '.join(_axes(segment.tolerance))} }}" if segment.tolerance else "",
        "approvals": _texts(segment.approvals) if segment.approvals else "",
        "instruction": _text(segment.instruction) if segment.instruction else "",
        "approver": _text(segment.approver) if segment.approver else "",
        "expected_rise": "" if rise is None else _measure(rise, "K"),
    }
    yield from (f"{key} = {value}" for key, value in keys.items() if value)


def _any_longer(segment: Segment, axis: Axis) -> bool:
    """Whether another axis says how many points there are."""
    return any(
        len({target.get(other) for target in segment.points}) > 1 for other in segment.points[0] if other is not axis
    )


def _expected(channel: str, low: float, high: float, stand: Stand) -> str:
    unit = stand.channels[channel].unit
    ends = [f"{name} = {_measure(v, unit)}" for name, v in (("low", low), ("high", high)) if math.isfinite(v)]
    return f"{{ channel = {_text(channel)}, {', '.join(ends)} }}"


def _dwell(dwell: Dwell) -> str:
    parts = [f"until = {_text(dwell.until.value)}"]
    if dwell.until is Until.COOL:
        parts += [f"channel = {_text(dwell.channel)}", f"below = {_measure(dwell.below_c, '°C')}"]
    else:
        parts.append(f"time = {_time(dwell.time_s)}")
    parts += [f"longest = {_time(dwell.longest_s)}", f"otherwise = {_text(dwell.otherwise.value)}"]
    return f"{{ {', '.join(parts)} }}"


def _axes(target: Target) -> list[str]:
    return [f"{axis.value} = {_measure(value, _unit(axis))}" for axis, value in _in_order(target)]


def _in_order(target: Mapping[Axis, float]) -> list[tuple[Axis, float]]:
    return [(axis, target[axis]) for axis in Axis if axis in target]


def _unit(axis: Axis) -> str:
    return BENCH_UNIT[AXIS_QUANTITY[axis]]


def _time(seconds: float) -> str:
    return _measure(seconds, "s")


def _measure(value: float, unit: str) -> str:
    return f"{{ value = {_number(value)}, unit = {_text(unit)} }}"


def _number(value: float) -> str:
    return repr(float(value))


def _texts(words: tuple[str, ...]) -> str:
    return f"[{', '.join(_text(word) for word in words)}]"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
