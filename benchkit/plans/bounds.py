"""How far a set-point may go on a stand: nameplates and trips, the narrowest binds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from benchkit.model.limits import LimitKind, Severity
from benchkit.model.plans import AXIS_QUANTITY, AXIS_ROLE, Axis, Target
from benchkit.model.stand import Stand
from benchkit.units import BENCH_UNIT

RPM = 2.0 * math.pi / 60.0


@dataclass(frozen=True, slots=True)
class Bound:
    """Least and largest set-point of an axis in its bench unit, and what sets each of them."""

    low: float
    high: float
    low_from: str
    high_from: str

    def holds(self, value: float) -> bool:
        """True for a finite value within; the ends belong to it."""
        return self.low <= value <= self.high


def bounds_of(stand: Stand) -> Mapping[Axis, Bound]:
    """Bounds of every axis for the motor and inverter that are mounted, under the trips in force.

    Speed: nameplate of the motor. Torque: its rated torque. Current (RMS): the smaller of motor and inverter. Power:
    the rated torque at the largest speed. Each is narrowed by every trip ``above`` or ``below`` on the channel that has
    the role of the axis. Throttle: 0 to 1.
    """
    motor, inverter = stand.motor, stand.inverter
    power_w = motor.rated_torque_nm * motor.max_speed_rpm * RPM
    plates = {
        Axis.SPEED: [(motor.max_speed_rpm, f"nameplate of {motor.id}")],
        Axis.TORQUE: [(motor.rated_torque_nm, f"nameplate of {motor.id}")],
        Axis.CURRENT: [
            (motor.rated_current_a, f"nameplate of {motor.id}"),
            (inverter.rated_current_a, f"nameplate of {inverter.id}"),
        ],
        Axis.POWER: [(power_w, f"rated torque of {motor.id} at its largest speed")],
        Axis.THROTTLE: [(1.0, "a throttle is at most 1")],
    }
    found = {}
    for axis, most in plates.items():
        trips = list(_trips(stand, axis))
        high, high_from = min([*most, *((value, name) for is_high, value, name in trips if is_high)])
        low, low_from = max(
            [*((-value, name) for value, name in most), *((v, n) for is_high, v, n in trips if not is_high)]
        )
        if axis is Axis.THROTTLE:
            low, low_from = 0.0, "a throttle is at least 0"
        found[axis] = Bound(low, high, low_from, high_from)
    return found


def _trips(stand: Stand, axis: Axis) -> Iterator[tuple[bool, float, str]]:
    """Trips on the channel of an axis: whether above, set point, words."""
    role = AXIS_ROLE.get(axis)
    channel = None if role is None else stand.channel_for(role)
    for limit in stand.limit_set.limits:
        if channel is None or limit.channel != channel.name or limit.severity is not Severity.TRIP:
            continue
        name = f"trip limit {limit.name}"
        if not math.isfinite(limit.set_point):
            continue
        if limit.kind is LimitKind.ABOVE and limit.set_point > 0.0:
            yield True, limit.set_point, name
        if limit.kind is LimitKind.BELOW and limit.set_point < 0.0:
            yield False, limit.set_point, name


def beyond(target: Target, bounds: Mapping[Axis, Bound]) -> list[str]:
    """What of a target lies beyond the bounds, in words; empty where all is within.

    The power of speed and torque together counts as well: ``P = 2 pi n M / 60`` (1).
    """
    words = []
    for axis, value in target.items():
        bound, unit = bounds[axis], BENCH_UNIT[AXIS_QUANTITY[axis]]
        if value > bound.high or math.isnan(value):
            words.append(f"{axis.value} {value:g} {unit} is beyond {bound.high:g} {unit} ({bound.high_from})")
        elif value < bound.low:
            words.append(f"{axis.value} {value:g} {unit} is beyond {bound.low:g} {unit} ({bound.low_from})")
    if Axis.SPEED in target and Axis.TORQUE in target and not words:
        power_w, bound = target[Axis.SPEED] * target[Axis.TORQUE] * RPM, bounds[Axis.POWER]
        if not bound.holds(power_w):
            edge, whence = (bound.high, bound.high_from) if power_w > 0.0 else (bound.low, bound.low_from)
            words.append(f"its power {power_w:.0f} W is beyond {edge:.0f} W ({whence})")
    return words
