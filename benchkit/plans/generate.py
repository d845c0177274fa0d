"""Plans made from a few numbers: map, propeller sweep, heat run, steps, firmware blocks, endurance.

What is common to all is in :class:`Frame`. Nothing here looks at limits: :mod:`benchkit.plans.check` does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product

import numpy as np

from benchkit.analysis.compare.planning import order_of_days
from benchkit.errors import UsageError
from benchkit.model.plans import (
    AfterStop,
    Axis,
    Dwell,
    Expected,
    Mode,
    Order,
    Otherwise,
    Plan,
    Presence,
    Reference,
    Segment,
    SegmentKind,
    Target,
    Until,
)
from benchkit.model.stand import ThermalSteadiness


@dataclass(frozen=True, slots=True)
class Frame:
    """What every plan says. Defaults are those of a drive of some ten kilowatts; the file is there to be changed."""

    mode: Mode = Mode.DRIVE
    slew: Target = field(default_factory=lambda: {Axis.SPEED: 200.0, Axis.TORQUE: 30.0})
    tolerance: Target = field(default_factory=lambda: {Axis.SPEED: 15.0, Axis.TORQUE: 2.0})
    presence: Presence = field(default_factory=lambda: Presence(600.0, 60.0))
    stop: str = ""
    approvals: tuple[str, ...] = ()

    def plan(self, name: str, title: str, segments: Sequence[Segment], **more: object) -> Plan:
        """A plan in this frame."""
        return Plan(
            name=name,
            title=title,
            revision="1",
            mode=self.mode,
            segments=tuple(segments),
            slew=self.slew,
            tolerance=self.tolerance,
            presence=self.presence,
            stop=self.stop,
            approvals=self.approvals,
            **more,  # type: ignore[arg-type]  # fields of Plan
        )


def until_steady(read_s: float, longest_s: float, otherwise: Otherwise = Otherwise.SKIP) -> Dwell:
    """Settle by the criteria of the stand, read, and go on."""
    return Dwell(Until.STEADY, read_s, longest_s, otherwise)


def map_plan(
    frame: Frame,
    speeds_rpm: Sequence[float],
    torques_nm: Sequence[float],
    *,
    blocks: int = 3,
    seed: int = 1,
    read_s: float = 10.0,
    longest_s: float = 120.0,
    reference: Target | None = None,
    every: int = 10,
) -> Plan:
    """A grid of speeds and torques, shuffled, in blocks that each go over the whole map.

    Points are dealt into the blocks along the speeds, so that every block has slow and fast ones; within a block the
    order is drawn (``seed``). Slow drift then falls on all regions alike, and a block that is lost leaves a map. The
    reference is the point nearest to the middle where none is given.

    Raises:
        UsageError: no points, or more blocks than points.
    """
    grid = [{Axis.SPEED: n, Axis.TORQUE: m} for n, m in product(speeds_rpm, torques_nm)]
    if not grid or not 1 <= blocks <= len(grid):
        raise UsageError("a map has points, and no more blocks than those", got=f"{len(grid)} points, {blocks} blocks")
    rng = np.random.default_rng(seed)
    start = rng.permutation(blocks)
    dealt: list[list[Target]] = [[] for _ in range(blocks)]
    for place, target in enumerate(grid):
        dealt[int(start[(place + place // blocks) % blocks])].append(target)
    segments = [
        Segment(
            f"map_block_{number}",
            SegmentKind.POINTS,
            tuple(block[k] for k in rng.permutation(len(block))),
            until_steady(read_s, longest_s),
        )
        for number, block in enumerate(dealt, start=1)
    ]
    middle = reference or {
        Axis.SPEED: _middle(speeds_rpm),
        Axis.TORQUE: _middle(torques_nm),
    }
    return frame.plan(
        "map",
        f"Map of {len(grid)} points in {blocks} blocks",
        segments,
        reference=Reference(every, middle, until_steady(read_s, longest_s)),
        notes=f"Order drawn with seed {seed}.",
    )


def _middle(values: Sequence[float]) -> float:
    """The value nearest to the middle of the range."""
    middle = 0.5 * (min(values) + max(values))
    return min(values, key=lambda value: (abs(value - middle), value))


def sweep_plan(
    frame: Frame, speeds_rpm: Sequence[float], *, passes: int = 1, read_s: float = 10.0, longest_s: float = 90.0
) -> Plan:
    """Propeller: speeds up and down, so that what lags shows as a difference between the ways."""
    segment = Segment(
        "propeller_sweep",
        SegmentKind.POINTS,
        tuple({Axis.SPEED: n} for n in speeds_rpm),
        until_steady(read_s, longest_s),
        order=Order.UP_AND_DOWN,
        repeats=passes,
    )
    return frame.plan("propeller_sweep", f"Propeller sweep, {len(speeds_rpm)} speeds up and down", [segment])


def heat_plan(
    frame: Frame,
    load: Target,
    *,
    temperatures: Sequence[str],
    change_k: float = 1.0,
    over_s: float = 1800.0,
    longest_s: float = 4.0 * 3600.0,
    expected_rise_k: float | None = None,
    tau_s: float | None = None,
    expected_c: Mapping[str, float] | None = None,
    cool_below_c: float | None = None,
    cool_longest_s: float = 7200.0,
) -> Plan:
    """One load until the temperatures hold still, then a rest until the first of them is cool."""
    expected = tuple(Expected(name, float("-inf"), high) for name, high in (expected_c or {}).items())
    segments = [
        Segment(
            "heat_run",
            SegmentKind.POINTS,
            (dict(load),),
            Dwell(Until.THERMAL, 60.0, longest_s, Otherwise.STOP),
            after_stop=AfterStop.REPEAT,
            rating="continuous",
            expected=expected,
            expected_rise_k=expected_rise_k,
        )
    ]
    if cool_below_c is not None:
        rest = Dwell(Until.COOL, 0.0, cool_longest_s, Otherwise.SKIP, temperatures[0], cool_below_c)
        segments.append(Segment("cool_down", SegmentKind.COOL, (), rest))
    return frame.plan(
        "heat_run",
        "Heat run to standing temperatures",
        segments,
        thermal=ThermalSteadiness(tuple(temperatures), change_k, over_s),
        thermal_tau_s=tau_s,
    )


def step_plan(
    frame: Frame, axis: Axis, levels: Sequence[float], base: Target, *, hold_s: float = 5.0, repeats: int = 5
) -> Plan:
    """Steps between levels of one axis, there and back, as fast as the slew lets them; ``base`` holds the others."""
    points: list[Target] = []
    for low, high in pairwise(levels):
        points += [dict(base) | {axis: low}, dict(base) | {axis: high}]
    points.append(dict(base) | {axis: levels[0]})
    segment = Segment(
        f"{axis.value}_steps",
        SegmentKind.POINTS,
        tuple({a: target[a] for a in Axis if a in target} for target in points),
        Dwell(Until.TIME, hold_s, 10.0 * hold_s + 60.0, Otherwise.SKIP),
        repeats=repeats,
    )
    return frame.plan(f"{axis.value}_steps", f"Steps of {axis.value}, {repeats} times", [segment])


def firmware_plan(
    frame: Frame,
    points: Sequence[Target],
    reference: Target,
    *,
    days: int = 1,
    pattern: str = "ABBA",
    warm_up_s: float = 1200.0,
    read_s: float = 30.0,
    longest_s: float = 180.0,
) -> Plan:
    """Blocks of firmware A and B in the order of the comparison planner.

    Each run is warmed up at the reference point, which is visited again before and after its points. Between runs a
    person changes the firmware, and the recording.
    """
    order = order_of_days(days, pattern)
    segments: list[Segment] = []
    for number, is_b in enumerate(order.is_b.tolist(), start=1):
        letter = "B" if is_b else "A"
        segments += [
            Segment(
                f"change_{number}",
                SegmentKind.BY_HAND,
                instruction=f"Firmware {letter}: end this recording, flash, read the hash back, and record the next "
                f"run with the profile of {letter}. Then confirm.",
            ),
            Segment(
                f"warm_up_{number}",
                SegmentKind.POINTS,
                (dict(reference),),
                Dwell(Until.TIME, warm_up_s, 2.0 * warm_up_s, Otherwise.STOP),
                after_stop=AfterStop.REPEAT,
                has_references=False,
            ),
            Segment(
                f"run_{number}_{letter.lower()}",
                SegmentKind.POINTS,
                tuple(points),
                until_steady(read_s, longest_s),
                after_stop=AfterStop.REPEAT,
                rating=f"firmware {letter}",
            ),
        ]
    return frame.plan(
        "firmware_blocks",
        f"Firmware A and B, {days} {'day' if days == 1 else 'days'} of {pattern}",
        segments,
        reference=Reference(max(len(points), 1), reference, until_steady(read_s, longest_s)),
    )


@dataclass(frozen=True, slots=True)
class Phase:
    """One named segment of an endurance schedule: set-points, time [s], and the rating it counts for."""

    name: str
    target: Target
    time_s: float
    rating: str = ""


def endurance_plan(
    frame: Frame,
    phases: Sequence[Phase],
    cycles: int,
    *,
    after_stop: AfterStop = AfterStop.REPEAT,
    ramp_s: float = 10.0,
) -> Plan:
    """Named segments, the whole of them ``cycles`` times over. A segment that was stopped is repeated from its start
    where ``after_stop`` says so."""
    if not phases or cycles < 1:
        raise UsageError("an endurance schedule has segments and cycles", got=f"{len(phases)}, {cycles}")
    wide = len(str(cycles))
    segments = [
        Segment(
            f"c{cycle:0{wide}d}_{phase.name}",
            SegmentKind.POINTS,
            (dict(phase.target),),
            Dwell(Until.TIME, phase.time_s, 2.0 * phase.time_s + 600.0, Otherwise.STOP),
            ramp_s=ramp_s,
            after_stop=after_stop,
            rating=phase.rating,
        )
        for cycle in range(1, cycles + 1)
        for phase in phases
    ]
    hours = cycles * sum(phase.time_s for phase in phases) / 3600.0
    return frame.plan("endurance", f"Endurance, {hours:g} h in {cycles} cycles", segments)
