"""``benchkit plan next STAND RUN…``: the block of points that a map needs most, from what has been measured so far.

A recorder never fits a map: it has better things to do. So the map grows block by block: carry a block out, ask again.
"""

from __future__ import annotations

import math
import sys
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchkit.analysis.efficiency_map import ROLES
from benchkit.analysis.exclude import kept
from benchkit.analysis.map_certainty import LOOKED_AT, Verdict, Watched, replayed, verdict
from benchkit.analysis.map_points import map_points
from benchkit.analysis.next_point import (
    FIRST_POINTS,
    LAST_CHOSEN,
    MOST_SURPRISE,
    Places,
    first_points,
    next_points,
    short_way,
)
from benchkit.errors import UsageError
from benchkit.model.plans import Axis, Plan, Segment, SegmentKind
from benchkit.model.results import OperatingPoint
from benchkit.model.stand import Role, Stand
from benchkit.plans.bounds import beyond, bounds_of
from benchkit.plans.generate import Frame, until_steady

SETTLING_MIN = 0.5
"""Time a point takes beside its way and its reading, where nothing better is known."""


def next_plan(frame: Frame, args: Namespace, stand: Stand, runs: Sequence[Path], envelope: Places) -> Plan:
    """A plan of one block; without runs, the points that a map begins with.

    Raises:
        UsageError: the envelope has no point within the bounds, the map is as certain as ``--wanted`` [%], or the runs
            have too few points.
    """
    asked = within(envelope, stand)
    slew_n, slew_t = frame.slew[Axis.SPEED], frame.slew[Axis.TORQUE]

    def minutes(k: int | None) -> np.ndarray:
        n, T = (0.0, 0.0) if k is None else (asked.speed_rpm[k], asked.torque_nm[k])
        way_s = np.abs(asked.speed_rpm - n) / slew_n + np.abs(asked.torque_nm - T) / slew_t
        return np.asarray(SETTLING_MIN + (way_s + args.read) / 60.0)

    if not runs:
        first = short_way(first_points(asked, max(FIRST_POINTS, args.count)), minutes)
        return _plan(frame, args, Places(asked.speed_rpm[first], asked.torque_nm[first]), "The first points of a map")
    points = measured(runs)
    watched = watch(stand, points, asked, maps=1 if args.wanted is None else LOOKED_AT)
    found = verdict(watched, 0.0 if args.wanted is None else 0.01 * args.wanted, asked)
    if found.is_certain:
        raise UsageError(
            "the map is as certain as wanted",
            got=f"{100.0 * found.u:.3g} % over the envelope, from {len(points)} points",
            remedy="Ask for less uncertainty with --wanted, or make the report.",
        )
    fit = watched.fit
    block = next_points(fit, "drive", asked, asked, minutes, heating(stand, points, asked), args.count)
    then = 100.0 * min(point.u_then for point in block)
    chosen = Places(np.array([p.speed_rpm for p in block]), np.array([p.torque_nm for p in block]))
    title = f"{len(block)} further points of a map: {100.0 * found.u:.3g} % now, {then:.3g} % expected after them"
    why = "" if args.wanted is None else "".join(f"; {one}" for one in missing(found, len(points), args.wanted))
    return _plan(frame, args, chosen, f"{title}{why}")


def watch(stand: Stand, points: Sequence[OperatingPoint], asked: Places, maps: int = LOOKED_AT) -> Watched:
    """The map after each of the last points (so many ``maps``), in the order given, as a run would have seen it."""
    roles = ROLES["drive"]
    usable = [point for point in points if map_points(stand, [point], roles).means[Role.SPEED].size]
    first = min(max(FIRST_POINTS, len(usable) - maps + 1), len(usable))
    growing = (map_points(stand, usable[:k], roles) for k in range(first, len(usable) + 1))
    return replayed("drive", asked, growing)


def missing(found: Verdict, points: int, wanted: float) -> list[str]:
    """Why a map is not certain yet, in words; ``wanted`` [%]."""
    said = []
    if 100.0 * found.u > wanted:
        said.append(f"{wanted:g} % is wanted")
    elif not 100.0 * found.u_before <= wanted:
        said.append("so certain with its newest point alone: one more must say the same")
    if found.outside:
        said.append(f"{found.outside} places of the envelope lie outside what was measured")
    if math.isnan(found.off_rms):
        said.append(
            f"{LAST_CHOSEN} points after the first {FIRST_POINTS} must come out as expected, there are "
            f"{max(0, points - FIRST_POINTS)}"
        )
    elif found.off_rms**2 > MOST_SURPRISE:
        said.append(
            f"the last {LAST_CHOSEN} points lie {found.off_rms:.2g} standard uncertainties off what was expected of "
            "them: the loss has a shape that the map does not know yet"
        )
    return said


def _plan(frame: Frame, args: Namespace, at: Places, title: str) -> Plan:
    longest_s = 120.0 if args.longest is None else float(args.longest)
    targets = tuple(
        {Axis.SPEED: float(n), Axis.TORQUE: float(T)} for n, T in zip(at.speed_rpm, at.torque_nm, strict=True)
    )
    segment = Segment("chosen_points", SegmentKind.POINTS, targets, until_steady(args.read, longest_s))
    notes = "The uncertainty is that of scatter and lack of fit, root mean square over the envelope; calibration stays."
    return frame.plan("next_points", title, [segment], notes=notes)


def within(envelope: Places, stand: Stand) -> Places:
    """The places that no nameplate and no trip forbids."""
    bounds = bounds_of(stand)
    good = [
        not beyond({Axis.SPEED: float(n), Axis.TORQUE: float(T)}, bounds)
        for n, T in zip(envelope.speed_rpm, envelope.torque_nm, strict=True)
    ]
    if not any(good):
        raise UsageError("no point of the envelope is within the bounds of this stand", remedy="Ask for less.")
    return Places(envelope.speed_rpm[good], envelope.torque_nm[good])


def measured(runs: Sequence[Path]) -> list[OperatingPoint]:
    """The operating points of the runs that count, in the order in which they were taken."""
    from benchkit.report.gather import gather

    def tell(text: str) -> None:
        if sys.stderr.isatty():
            print(text, file=sys.stderr)

    reports = sorted(gather(runs, tell), key=lambda report: report.header.started_utc)
    return [balance.point for report in reports for balance in kept(report.result.balances)]


def heating(stand: Stand, points: Sequence[OperatingPoint], at: Places) -> np.ndarray:
    """How much warmer than usual the winding would get at each place [K] (m,); zeros where it is not measured.

    The winding of the points over their power of torque and speed, ``T = a + b M² + c n²`` (1), by least squares.
    """
    channels = [stand.channel_for(role) for role in (Role.WINDING_TEMP, Role.SPEED, Role.TORQUE)]
    nothing = np.zeros(len(at))
    if any(channel is None for channel in channels):
        return nothing
    names = [channel.name for channel in channels if channel is not None]
    rows = np.array([[p.means[name].value for name in names] for p in points if all(name in p.means for name in names)])
    rows = rows[np.isfinite(rows).all(axis=1)] if rows.size else rows
    if len(rows) < FIRST_POINTS:
        return nothing
    X = np.column_stack([np.ones(len(rows)), rows[:, 2] ** 2, rows[:, 1] ** 2])
    law = np.linalg.lstsq(X, rows[:, 0], rcond=None)[0]
    told = law[0] + law[1] * at.torque_nm**2 + law[2] * at.speed_rpm**2
    return np.asarray(np.maximum(told - float(np.median(rows[:, 0])), 0.0)) if math.isfinite(law.sum()) else nothing
