"""``benchkit plan KIND STAND``: make a plan, check it on the stand, write it; ``benchkit plan check STAND FILE``."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.cli.plan_options import KINDS
from benchkit.errors import ProfileError, UsageError
from benchkit.model.plans import Axis, Mode, Plan, Presence, StepKind, Target
from benchkit.model.stand import Role, Stand
from benchkit.plans.check import plan_problems, settling_window_s
from benchkit.plans.generate import (
    Frame,
    Phase,
    endurance_plan,
    firmware_plan,
    heat_plan,
    map_plan,
    step_plan,
    sweep_plan,
)
from benchkit.plans.ladder import ladder_plan
from benchkit.plans.sequence import count_of_steps, steps_of, time_left_s
from benchkit.profiles import find_stand, load_stand
from benchkit.profiles.plan_file import load_plan
from benchkit.profiles.plan_text import plan_toml

PHASE_PARTS = (3, 4)


def make_plan(args: Namespace) -> int:
    """Make, check, write, and say what it is."""
    kind, *words = args.runs
    if kind == "check":
        if len(words) != 2:
            raise UsageError("not understood", got=" ".join(words), expected="benchkit plan check STAND FILE")
        stand = load_stand(find_stand(words[0])).stand
        plan = load_plan(Path(words[1]), stand)
        _refuse(plan, stand, words[1])
        _tell(plan, stand, words[1], as_json=args.json)
        return 0
    if not words or (len(words) != 1 and kind != "next"):
        raise UsageError("not understood", got=" ".join(words), expected=f"benchkit plan {kind} STAND and its options")
    stand = load_stand(find_stand(words[0])).stand
    presence = Presence(args.acknowledge, args.within)
    frame = Frame(mode=Mode(args.mode), presence=presence, approvals=tuple(args.approval))
    plan = _next(frame, args, stand, words[1:]) if kind == "next" else _MAKERS[kind](frame, args, stand)
    out = Path(args.out or f"{kind}.toml")
    _refuse(plan, stand, f"plan {kind}")
    if out.exists():
        raise UsageError("there is a file of that name", where=str(out), remedy="Name another one with --out.")
    out.write_text(plan_toml(plan, stand), encoding="utf-8")
    _tell(load_plan(out, stand), stand, str(out), as_json=args.json)
    return 0


def _refuse(plan: Plan, stand: Stand, origin: str) -> None:
    problems = plan_problems(plan, stand)
    if problems:
        raise ProfileError(origin, problems)


def _tell(plan: Plan, stand: Stand, where: str, *, as_json: bool) -> None:
    steps = steps_of(plan)
    least_s, _, longest_s = time_left_s(plan, steps, {}, lambda dwell: settling_window_s(plan, dwell, stand))
    points = sum(step.kind in (StepKind.POINT, StepKind.REFERENCE) for step in steps)
    by_hand = sum(step.kind is StepKind.BY_HAND for step in steps)
    asked = dict.fromkeys([*plan.approvals, *(role for segment in plan.segments for role in segment.approvals)])
    if as_json:
        times = {"least_s": least_s, "longest_s": longest_s}
        numbered = {"steps": count_of_steps(plan), "points": points, "by_hand": by_hand}
        print_json({"file": where, "name": plan.name, **numbered, **times, "plan": asdict(plan)})
        return
    counts = ((len(plan.segments), "segment"), (points, "point"), (by_hand, "step"))
    segments, taken, done = (f"{n} {word}{'' if n == 1 else 's'}" for n, word in counts)
    print(f"{plan.title}: {segments}, {taken}, {done} by hand")
    print(f"{_hours(least_s)} at least, {_hours(longest_s)} at most, without what is done by hand")
    if asked:
        print(f"approvals before the start: {', '.join(asked)}")
    print(where)


def _hours(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h" if seconds >= 5400.0 else f"{seconds / 60.0:.0f} min"


def numbers(text: str | None, option: str) -> list[float]:
    """``1,2,3``, or ``from:to:step`` with both ends."""
    if not text:
        raise UsageError("this plan needs it", where=option, expected="a list such as 500,1000 or 500:3000:500")
    try:
        if ":" in text:
            start, stop, step = (float(part) for part in text.split(":"))
            count = round((stop - start) / step)
            if count < 0 or count > 1000 or abs(start + count * step - stop) > 1e-6 * abs(step):
                raise ValueError
            return [round(start + k * step, 9) for k in range(count + 1)]
        return [float(part) for part in text.split(",")]
    except (ValueError, ZeroDivisionError):
        raise UsageError("not a list of numbers", where=option, got=text, expected="500,1000 or 500:3000:500") from None


def _points(args: Namespace) -> list[Target]:
    """Speeds with torques: one of each, or as many of both."""
    speeds = numbers(args.speeds, "--speeds")
    torques = numbers(args.torques, "--torques") if args.torques else []
    if torques and len(torques) != len(speeds):
        raise UsageError(
            "not as many torques as speeds", where="--torques", got=len(torques), expected=str(len(speeds))
        )
    return [{Axis.SPEED: n, Axis.TORQUE: torques[k]} if torques else {Axis.SPEED: n} for k, n in enumerate(speeds)]


def _longest(args: Namespace, usual_s: float) -> float:
    return usual_s if args.longest is None else float(args.longest)


def _map(frame: Frame, args: Namespace, _stand: Stand) -> Plan:
    return map_plan(
        frame,
        numbers(args.speeds, "--speeds"),
        numbers(args.torques, "--torques"),
        blocks=args.blocks,
        seed=args.seed,
        read_s=args.read,
        longest_s=_longest(args, 120.0),
        every=args.every,
    )


def _next(frame: Frame, args: Namespace, stand: Stand, runs: list[str]) -> Plan:
    """What a map needs most, from the runs so far."""
    import numpy as np

    from benchkit.analysis.next_point import Places
    from benchkit.cli.plan_next import next_plan

    n, T = np.meshgrid(numbers(args.speeds, "--speeds"), numbers(args.torques, "--torques"))
    return next_plan(frame, args, stand, [Path(run) for run in runs], Places(n.ravel(), T.ravel()))


def _sweep(frame: Frame, args: Namespace, _stand: Stand) -> Plan:
    speeds = numbers(args.speeds, "--speeds")
    return sweep_plan(frame, speeds, passes=args.passes, read_s=args.read, longest_s=_longest(args, 120.0))


def _heat(frame: Frame, args: Namespace, stand: Stand) -> Plan:
    roles = (Role.WINDING_TEMP, Role.MAGNET_TEMP)
    usual = [channel.name for role in roles if (channel := stand.channel_for(role)) is not None]
    points = _points(args)
    if len(points) != 1:
        raise UsageError("a heat run has one load", where="--speeds", got=len(points), expected="one speed")
    return heat_plan(
        frame,
        points[0],
        temperatures=args.temperatures.split(",") if args.temperatures else usual,
        change_k=args.change,
        over_s=args.over,
        longest_s=_longest(args, 4.0 * 3600.0),
        expected_rise_k=args.rise,
        tau_s=args.tau,
        cool_below_c=args.cool_below,
    )


def _steps(frame: Frame, args: Namespace, _stand: Stand) -> Plan:
    """Steps of torque at one speed, else steps of speed."""
    speeds = numbers(args.speeds, "--speeds")
    torques = numbers(args.torques, "--torques") if args.torques else []
    if len(torques) > 1 and len(speeds) == 1:
        base: Target = {Axis.SPEED: speeds[0]}
        return step_plan(frame, Axis.TORQUE, torques, base, hold_s=args.hold, repeats=args.passes)
    if len(speeds) < 2 or len(torques) > 1:
        raise UsageError(
            "steps are of speed or of torque", where="--speeds", expected="levels of one, one of the other"
        )
    return step_plan(
        frame, Axis.SPEED, speeds, {Axis.TORQUE: torques[0]} if torques else {}, hold_s=args.hold, repeats=args.passes
    )


def _blocks(frame: Frame, args: Namespace, _stand: Stand) -> Plan:
    points = _points(args)
    middle = points[len(points) // 2]
    return firmware_plan(
        frame, points, middle, days=args.days, warm_up_s=args.warm_up, read_s=args.read, longest_s=_longest(args, 180.0)
    )


def _endurance(frame: Frame, args: Namespace, _stand: Stand) -> Plan:
    return endurance_plan(frame, [_phase(text) for text in args.phase], args.cycles)


def _phase(text: str) -> Phase:
    name, _, rest = text.partition("=")
    parts = rest.split(",")
    try:
        if not name or len(parts) not in PHASE_PARTS:
            raise ValueError
        speed, torque, seconds = (float(part) for part in parts[:3])
    except ValueError:
        raise UsageError("not a segment", where="--phase", got=text, expected="NAME=RPM,NM,S[,RATING]") from None
    return Phase(name, {Axis.SPEED: speed, Axis.TORQUE: torque}, seconds, parts[3] if len(parts) > 3 else "")


def _ladder(frame: Frame, args: Namespace, stand: Stand) -> Plan:
    return ladder_plan(frame, stand, args.approver)


_MAKERS: Mapping[str, Callable[[Frame, Namespace, Stand], Plan]] = dict(
    zip(KINDS, (_map, _sweep, _heat, _steps, _blocks, _endurance, _ladder), strict=True)
)
