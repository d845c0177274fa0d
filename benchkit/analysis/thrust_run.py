"""The tests of static thrust on the points of a run. Which rows they take is said here; the tests are in
:mod:`benchkit.analysis.thrust_tests` and :mod:`benchkit.analysis.outliers`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchkit.analysis.outliers import grubbs
from benchkit.analysis.tare import zero_of
from benchkit.analysis.thrust_fits import ALPHA, up_and_down
from benchkit.analysis.thrust_tests import ZeroLine, corrected_for_zero, recirculation
from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.results import Estimate, OperatingPoint, StaticThrust
from benchkit.model.results_thrust import (
    OutlierCheck,
    Recirculating,
    ThrustTests,
    UpAndDown,
    ZeroCheck,
    ZeroedPoint,
)
from benchkit.model.stand import Channel, Role, Stand
from benchkit.model.stream import Stream, StreamRows

Rows = tuple[int, int]

MOST_ROWS = 65_536
"""Rows of one rest or of one point that are read, the first of them."""
LEAST_ROWS = 20
LEAST_POINTS = 5
"""Points from which an outlier is looked for: a line and three more."""
BATCH_DOF = 9.0
"""A zero is the mean of ten batches."""


def thrust_tests_of(
    stand: Stand, stream: StreamRows, events: Sequence[Event], thrust: Sequence[StaticThrust], rests: Sequence[Rows]
) -> ThrustTests | None:
    """All tests of the static points that count; None without points or without anything to say.

    Args:
        stand: whose roles name thrust, torque and speed.
        stream: of the run; rows of rests and points are read, at most :data:`MOST_ROWS` at a time.
        events: of the run: a tare between two rests parts them.
        thrust: static points that nobody excluded, in the order of the run.
        rests: rows in which the shaft stands still.
    """
    if not thrust:
        return None
    lines = _zero_lines(stand, stream, events, rests)
    zeros = tuple(
        ZeroCheck(channel.name, channel.unit, line.before, line.after, line.drift, line.has_moved)
        for channel, line in lines.values()
    )
    zeroed = tuple(_zeroed(row, lines) for row in thrust) if any(z.has_moved for z in zeros) else ()
    returned = tuple(found for row in thrust if (found := _returned(stand, stream, row.point)) is not None)
    ways = up_and_down(thrust)
    both = None if ways is None else UpAndDown(len(ways.speeds_rpm), ways.mean, ways.p, ways.is_significant)
    outliers = tuple(check for name in ("ct", "cp") if (check := _farthest(thrust, name)) is not None)
    if not (zeros or returned or both or outliers):
        return None
    return ThrustTests(zeros, zeroed, returned, both, outliers)


# ------------------------------------------------------------------------------------------------ zero
def _zero_lines(
    stand: Stand, stream: StreamRows, events: Sequence[Event], rests: Sequence[Rows]
) -> dict[Role, tuple[Channel, ZeroLine]]:
    """Zeros of thrust and torque between the first and the last rest in which the same offsets are in force."""
    rows = [event.data.get("from_row") for event in events if _is_tare(event, stream.source)]
    tared = max((row for row in rows if isinstance(row, int)), default=0)
    cut = [(max(start, tared), stop) for start, stop in rests if stop - max(start, tared) >= LEAST_ROWS]
    if len(cut) < 2:
        return {}
    first, last = (stream.rows(a, min(b, a + MOST_ROWS)) for a, b in (cut[0], cut[-1]))
    lines = {}
    for role in (Role.THRUST, Role.TORQUE):
        channel = stand.channel_for(role)
        if channel is None or channel.name not in stream.channels:
            continue
        before, after = _zero(first, channel), _zero(last, channel)
        if before is not None and after is not None:
            times = _middle_s(first), _middle_s(last)
            lines[role] = (channel, ZeroLine(before, after, *times))
    return lines


def _is_tare(event: Event, source: str) -> bool:
    return event.kind is EventKind.TARE and event.source == source


def _zero(part: Stream, channel: Channel) -> Estimate | None:
    values = part.column(channel.name)
    values = values[~np.isnan(values)]
    if values.size < LEAST_ROWS:
        return None
    zero = zero_of(values)
    return Estimate(zero.mean, zero.u, channel.unit, BATCH_DOF)


def _middle_s(part: Stream) -> float:
    return 0.5 * float(part.time_s[0] + part.time_s[-1])


def _zeroed(row: StaticThrust, lines: dict[Role, tuple[Channel, ZeroLine]]) -> ZeroedPoint:
    middle = 0.5 * (row.point.time_start_s + row.point.time_end_s)

    def less_zero(role: Role, reading: Estimate) -> Estimate | None:
        return corrected_for_zero(reading, middle, lines[role][1]) if role in lines else None

    return ZeroedPoint(row.point, less_zero(Role.THRUST, row.thrust_n), less_zero(Role.TORQUE, row.torque_nm))


# ------------------------------------------------------------------------------------------------ points
def _returned(stand: Stand, stream: StreamRows, point: OperatingPoint) -> Recirculating | None:
    names = [stand.roles.get(role, "") for role in (Role.THRUST, Role.SPEED)]
    if not set(names) <= set(stream.channels):
        return None
    part = stream.rows(point.row_start, min(point.row_stop, point.row_start + MOST_ROWS))
    try:
        found = recirculation(part.time_s, part.column(names[0]), part.column(names[1]))
    except UsageError:  # too few rows at either end
        return None
    return Recirculating(point, found.change, found.falls)


def _farthest(thrust: Sequence[StaticThrust], name: str) -> OutlierCheck | None:
    """The point farthest from the straight line of a coefficient over speed."""
    known = [row for row in thrust if getattr(row, name).is_measured and row.speed_rpm.is_measured]
    if len(known) < LEAST_POINTS:
        return None
    n = np.array([row.speed_rpm.value for row in known])
    y = np.array([getattr(row, name).value for row in known])
    rest = y - np.polynomial.polynomial.polyval(n, np.polynomial.polynomial.polyfit(n, y, 1))
    found = grubbs(rest, ALPHA)
    where = known[found.index].point
    return OutlierCheck(name.upper(), where, len(known), found.statistic, found.critical, found.is_outlier)
