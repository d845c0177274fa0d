"""Ten kinds of fault and the run without one, each drawn from a seed: load point, moment, channel, size.

``first`` is what physics and the profile say of the first cause, whatever the numbers: any of these names, or none at
all where it is empty. What the numbers say is worked out afterwards (:mod:`.plain`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.model.stand import Stand
from benchkit.simulate.drives import Load
from tests.protect.scenarios.bench import SOURCE, Bench

Do = Callable[[Bench], None]
READY_S = 0.6
"""Moment of ARM and START."""


@dataclass(frozen=True, slots=True)
class Case:
    """One scenario. ``script`` are moments in s and what is done then."""

    kind: str
    seed: int
    load: Load
    rate_hz: int
    speed_rpm: float
    torque_nm: float
    script: tuple[tuple[float, Do], ...]
    length_s: float
    first: frozenset[str]
    """Admissible first causes."""
    must_trip: bool | None = True
    """None: the numbers say whether."""
    time_scale: float = 1.0
    inlet_c: float = 40.0
    temps: Mapping[str, float] = field(default_factory=dict)
    is_answered: bool = True
    """The device carries the stop out and answers it, at the latest at the end."""
    is_deaf: bool = False
    """The device does not answer for longer than the attempts take."""


def play(case: Case, stand: Stand) -> Bench:
    """Run the scenario to its end."""
    bench = Bench(
        stand,
        case.load,
        case.seed,
        rate_hz=case.rate_hz,
        time_scale=case.time_scale,
        speed_rpm=case.speed_rpm,
        torque_nm=case.torque_nm,
        inlet_c=case.inlet_c,
        temps=dict(case.temps),
    )
    script = [(READY_S, _start), *case.script]
    at = 0.0
    for moment, do in sorted(script, key=lambda step: step[0]):
        bench.run(moment - at)
        at = moment
        do(bench)
    bench.run(case.length_s - at)
    return bench


def _start(bench: Bench) -> None:
    if bench.protection.state is not State.READY:
        return  # a trip already: the verdict says so
    bench.request(Trigger.ARM)
    bench.request(Trigger.START)


def _do(text: str) -> Do:
    return lambda bench: bench.do(text)


def _set(text: str) -> Do:
    return lambda bench: bench.operator(text)


def _base(kind: str, seed: int, rng: Random, first: frozenset[str]) -> Case:
    """A random load point, well inside all limits."""
    load = rng.choice((Load.MACHINE, Load.PROPELLER))
    is_machine = load is Load.MACHINE
    return Case(
        kind,
        seed,
        load,
        rng.choice((50, 50, 100, 200)),
        rng.uniform(900.0, 3800.0 if is_machine else 3100.0),
        rng.uniform(20.0, 125.0) if is_machine else 0.0,
        (),
        4.0,
        first,
    )


def _on_machine(case: Case, rng: Random) -> Case:
    return replace(case, load=Load.MACHINE, torque_nm=rng.uniform(30.0, 120.0))


def _trips(stand: Stand) -> list[Limit]:
    return [x for x in stand.limit_set.limits if x.severity is Severity.TRIP]


def _on(stand: Stand, channel: str) -> frozenset[str]:
    """Trip limits that watch this channel, alone or beside another."""
    return frozenset(x.name for x in _trips(stand) if channel in (x.channel, *x.partners))


def _silent(stand: Stand, *, is_lost: bool) -> frozenset[str]:
    """Trip limits whose condition is the silence or the loss of their source, at once."""
    return frozenset(
        x.name for x in _trips(stand) if x.on_delay_s == 0.0 and (is_lost or x.kind is not LimitKind.STALE)
    )


# ---------------------------------------------------------------- the ten faults


def over_temperature(stand: Stand, seed: int, rng: Random) -> Case:
    """Near a limit already, and the load or the coolant takes it over."""
    case = _on_machine(_base("over-temperature", seed, rng, frozenset()), rng)
    at = rng.uniform(1.0, 2.0)
    more: dict[str, Any]
    match rng.randrange(4):
        case 0:  # overload heats the winding
            temps = {"winding_c": 140.0 - rng.uniform(3.0, 6.0), "stator_c": 118.0, "coolant_c": 70.0, "outlet_c": 70.0}
            step = (at, _set(f"set torque {rng.uniform(154.0, 162.0):.1f}"))
            more = {"first": {"winding_hot"}, "temps": temps, "torque_nm": 135.0, "inlet_c": 66.0, "length_s": 7.0}
            more |= {"time_scale": 5.0}
        case 1:  # a hot case below the chip
            temps = {"case_c": rng.uniform(113.0, 117.0), "junction_c": 125.0, "coolant_c": 62.0, "outlet_c": 62.0}
            step = (at, _set(f"set torque {rng.uniform(158.0, 165.0):.1f}"))
            more = {"first": {"junction_hot"}, "temps": temps, "torque_nm": 30.0, "inlet_c": 60.0}
        case 2:  # the loop no longer cools
            step = (at, _set(f"coolant {rng.uniform(78.5, 79.9):.1f}"))
            temps = {"coolant_c": 71.0, "outlet_c": 71.0, "case_c": 80.0, "junction_c": 90.0}
            temps |= {"stator_c": 85.0, "winding_c": 95.0}
            more = {"first": {"coolant_hot"}, "inlet_c": 68.0, "temps": temps, "length_s": 6.0, "time_scale": 2.0}
        case _:  # too much current for too long; hot magnets take more of it
            step = (at, _set(f"set torque {rng.uniform(180.0, 185.0):.1f}"))
            more = {"first": {"winding_overloaded"}, "temps": {"magnet_c": 90.0}, "torque_nm": 110.0}
            more |= {"length_s": 16.0, "rate_hz": 50, "speed_rpm": 2000.0}
    more["first"] = frozenset(more["first"])
    return replace(case, script=(step,), **more)


def runaway_speed(_stand: Stand, seed: int, rng: Random) -> Case:
    case = _base("runaway speed", seed, rng, frozenset({"speed_climbs", "over_speed"}))
    if rng.random() < 0.5:
        case = replace(_on_machine(case, rng), speed_rpm=rng.uniform(4000.0, 4200.0))
    elif case.load is Load.PROPELLER:  # the air stops it: thrust or torque may come first
        case = replace(case, first=case.first | {"thrust_high"})
    return replace(case, script=((rng.uniform(1.0, 2.0), _do("fault runaway on")),))


def coolant_loss(_stand: Stand, seed: int, rng: Random) -> Case:
    """Half of them with a flow meter that goes on showing what it did: the temperatures must tell."""
    case = _on_machine(_base("coolant loss", seed, rng, frozenset({"coolant_stands"})), rng)
    at = rng.uniform(1.0, 2.0)
    script = [(at, _do("fault coolant_loss on"))]
    if rng.random() < 0.5:
        return replace(case, script=tuple(script), length_s=7.0)
    hot = {"coolant_c": 70.0, "outlet_c": 70.0, "stator_c": 98.0, "winding_c": 134.0, "case_c": 82.0}
    return replace(
        case,
        script=((at - 0.3, _do("fault stuck on q_cool")), *script),
        first=frozenset({"winding_hot", "junction_hot", "coolant_hot"}),
        torque_nm=rng.uniform(138.0, 145.0),
        inlet_c=66.0,
        temps=hot | {"junction_c": 125.0, "magnet_c": 85.0},
        time_scale=12.0,
        rate_hz=50,
        length_s=12.0,
    )


def sensor_open(stand: Stand, seed: int, rng: Random) -> Case:
    """Any column; one that no trip limit watches must not trip."""
    channel = rng.choice(stand.channels_of(SOURCE))
    first = _on(stand, channel.name)
    case = _base("sensor open", seed, rng, first)
    script = ((rng.uniform(1.0, 2.0), _do(f"fault sensor_open on {channel.column}")),)
    return replace(case, script=script, must_trip=bool(first))


def sensor_frozen(_stand: Stand, seed: int, rng: Random) -> Case:
    """One column keeps its text; it is found when its partner moves."""
    column, name = rng.choice((("n", "speed_frozen"), ("tq", "torque_frozen"), ("t_winding", "winding_frozen")))
    case = _on_machine(_base("sensor frozen", seed, rng, frozenset({name})), rng)
    at = rng.uniform(1.0, 1.8)
    up = rng.choice((-1.0, 1.0))
    case = replace(case, speed_rpm=rng.uniform(1600.0, 3200.0), torque_nm=rng.uniform(55.0, 70.0))
    step = _set(f"set torque {case.torque_nm + up * rng.uniform(40.0, 50.0):.1f}")
    if column == "n":
        step = _set(f"set speed {case.speed_rpm + up * rng.uniform(150.0, 600.0):.1f}")
    return replace(case, script=((at, _do(f"fault stuck on {column}")), (at + rng.uniform(0.05, 0.6), step)))


def cable_out(stand: Stand, seed: int, rng: Random) -> Case:
    """On the side of the host the port is gone; on the side of the device it is only silent. Later it is back."""
    is_lost = rng.random() < 0.5
    at, back = rng.uniform(1.0, 2.0), rng.uniform(2.8, 3.5)
    script: list[tuple[float, Do]] = [(at, Bench.pull), (back, Bench.plug_in)]
    if not is_lost:
        script = [(at, lambda bench: bench.silence(True)), (back, lambda bench: bench.silence(False))]
    case = _base("cable out", seed, rng, _silent(stand, is_lost=is_lost))
    return replace(case, script=tuple(script), length_s=5.0)


def nan_burst(stand: Stand, seed: int, rng: Random) -> Case:
    """A loose plug on one channel that a trip watches: a burst that is shorter than the delay does not trip."""
    watched = [c for c in stand.channels_of(SOURCE) if _on(stand, c.name)]
    channel = rng.choice(watched)
    case = _base("NaN burst", seed, rng, _on(stand, channel.name))
    at = rng.uniform(1.0, 1.5)
    script = ((at, _do(f"fault nan_burst on {channel.column}")), (at + 2.0, _do("fault nan_burst off")))
    return replace(case, script=script, must_trip=None)


def late_frames(stand: Stand, seed: int, rng: Random) -> Case:
    """Lines come late, many at once: longer than the patience with a silent source, or not."""
    case = _base("late frames", seed, rng, _silent(stand, is_lost=False))
    at = rng.uniform(1.0, 1.5)
    script = ((at, _do("fault late on")), (at + rng.uniform(0.5, 2.5), _do("fault late off")))
    return replace(case, script=script, must_trip=None)


def disk_full(stand: Stand, seed: int, rng: Random) -> Case:
    """The recording ends, the stand is stopped in order, and meanwhile or after it something trips."""
    inner = rng.choice((sensor_open, cable_out, runaway_speed))(stand, seed, rng)
    (first_s, _), *_ = inner.script
    return replace(inner, kind="disk full", script=((first_s - rng.uniform(0.0, 0.35), Bench.fill_disk), *inner.script))


def not_acknowledging(stand: Stand, seed: int, rng: Random) -> Case:
    """A trip, and a drive that does not hear or does not answer: repeated, escalated, repeated until it does."""
    inner = runaway_speed(stand, seed, rng)
    if rng.random() < 0.5:
        channel = rng.choice([c for c in stand.channels_of(SOURCE) if _on(stand, c.name) - {"phases_apart"}])
        inner = sensor_open(stand, seed, rng)
        first = _on(stand, channel.name)
        at = inner.script[0][0]
        inner = replace(inner, script=((at, _do(f"fault sensor_open on {channel.column}")),), first=first)
    how = rng.choice(("mute", "deaf"))
    script = ((0.9, _do(f"fault {how} on")), *inner.script, (6.0, _do(f"fault {how} off")))
    return replace(
        inner, kind="not acknowledging", script=script, length_s=9.0, must_trip=True, is_deaf=True, rate_hz=50
    )


# ---------------------------------------------------------------- without a fault


def clean(_stand: Stand, seed: int, rng: Random) -> Case:
    """Load points, ramps and steps of an operator, sometimes from standstill, sometimes with the stop at the end."""
    case = replace(_base("clean", seed, rng, frozenset()), must_trip=False)
    if rng.random() < 0.25:
        case = replace(case, speed_rpm=0.0, torque_nm=0.0)
    is_machine = case.load is Load.MACHINE
    script: list[tuple[float, Do]] = []
    for _ in range(rng.randint(1, 4)):
        at = rng.uniform(READY_S + 0.05, 4.0)
        texts = [f"set speed {rng.uniform(600.0, 4000.0 if is_machine else 3200.0):.1f}"]
        texts += [f"coolant {rng.uniform(36.0, 44.0):.1f}"]
        if is_machine and case.speed_rpm:
            texts += [f"set torque {rng.uniform(0.0, 135.0):.1f}"] * 2
        script.append((at, _set(rng.choice(texts))))
    if rng.random() < 0.3:
        script.append((4.2, lambda bench: bench.request(Trigger.STOP)))
    return replace(case, script=tuple(script), length_s=5.0)


FAULTS: tuple[Callable[[Stand, int, Random], Case], ...] = (
    over_temperature,
    runaway_speed,
    coolant_loss,
    sensor_open,
    sensor_frozen,
    cable_out,
    nan_burst,
    late_frames,
    disk_full,
    not_acknowledging,
)


def case_of(make: Callable[[Stand, int, Random], Case], stand: Stand, seed: int) -> Case:
    """The scenario that belongs to a seed."""
    return make(stand, seed, Random(f"{make.__name__} {seed}"))
