"""What the plant itself says of a plan that was stopped and restarted: from the log of its witness and a list of kills.

Nothing here knows the account, the journal or the run files: only set-points that reached the plant, its true speed
and torque, and when somebody began or killed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

Pair = tuple[float, float]


@dataclass(frozen=True)
class Wanted:
    """A segment of one point, dwell by time."""

    name: str
    rating: str
    dwell_s: float
    repeats: bool
    """After a stop from its start."""


@dataclass
class Stretch:
    """From one begin to the next."""

    held_s: float = 0.0
    """Time in tolerance [s of the stand] with the set-points of a point, to the next command or the call of a kill."""
    doubt_s: float = 0.0
    """The same from the call of a kill to the moment when the process was seen to be gone."""
    by_segment: dict[str, float] = field(default_factory=dict)
    last: str = ""
    """The segment whose set-points came last."""


def stretches(
    log: Path,
    wanted: Mapping[Pair, Wanted],
    tolerance: Pair,
    begins: Sequence[float],
    kills: Sequence[tuple[float, float]],
) -> list[Stretch]:
    """One for each begin. ``begins`` and ``kills`` (call, gone) are host times."""
    found = [Stretch() for _ in begins]
    last: dict[str, float] = {}
    before_s = 0.0
    for line in log.read_text(encoding="ascii").splitlines():
        kind, host, at, *rest = line.split()
        host_s, time_s = float(host), float(at)
        if kind == "C":
            match rest:
                case ["set", axis, value]:
                    last[axis] = float(value)
                case ["stop", _]:
                    last.clear()
            continue
        step_s, before_s = time_s - before_s, time_s
        number = bisect_right(begins, host_s) - 1
        segment = wanted.get((last.get("speed", -1.0), last.get("torque", -1.0)))
        if segment is None or number < 0:
            continue
        stretch = found[number]
        stretch.last = segment.name
        speed, torque, sent = float(rest[0]), float(rest[1]), rest[2] == "1"
        inside = abs(speed - last["speed"]) <= tolerance[0] and abs(torque - last["torque"]) <= tolerance[1]
        if not (inside and sent):
            continue
        call = next((kill for kill in kills if begins[number] < kill[0] <= host_s), None)
        if call is None:
            stretch.held_s += step_s
            stretch.by_segment[segment.name] = stretch.by_segment.get(segment.name, 0.0) + step_s
        elif host_s <= call[1]:
            stretch.doubt_s += step_s
    return found


def credited(found: Sequence[Stretch], wanted: Mapping[Pair, Wanted]) -> dict[str, float]:
    """Time in tolerance by rating that was not repeated since [s of the stand]."""
    named = {one.name: one for one in wanted.values()}
    credit = dict.fromkeys(named, 0.0)
    for stretch in found:
        for name, seconds in stretch.by_segment.items():
            credit[name] += seconds
        one = named.get(stretch.last)
        if one is not None and one.repeats and credit[one.name] < one.dwell_s:
            credit[one.name] = 0.0
    total: dict[str, float] = {}
    for one in named.values():
        total[one.rating] = total.get(one.rating, 0.0) + credit[one.name]
    return total
