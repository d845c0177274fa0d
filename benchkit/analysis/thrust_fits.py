"""What the static points of a run say together: thrust and torque against n², and whether up and down agree.

Source: the formulas are those of :mod:`benchkit.analysis.square_law` and :mod:`benchkit.analysis.thrust_tests`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchkit.analysis.square_law import fit_square_law, fit_test
from benchkit.analysis.thrust_tests import Hysteresis, hysteresis
from benchkit.analysis.uncertainty import combine
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, Finding, SquareLaw, StaticThrust

LEAST_POINTS = 3
ALPHA = 0.01
"""A run is called curved or hysteretic at this probability of a false alarm: a flag costs somebody's time."""
LEAST_HYSTERESIS = 0.005
"""... and a difference between up and down only from this share of CT on."""


def thrust_fits(rows: Sequence[StaticThrust]) -> tuple[tuple[SquareLaw, ...], tuple[Finding, ...]]:
    """Fits of thrust and torque against n² with their lack-of-fit tests, and a finding where up is not down.

    Points are weighted by their scatter (of force and of speed); what the calibrations add is common to the points and
    comes to the slope as a whole. Set points that were met more than once (within 1 % of speed) are replicates.
    """
    if len(rows) < LEAST_POINTS:
        return (), ()
    laws = tuple(law for name in ("thrust_n", "torque_nm") if (law := _law(rows, name)) is not None)
    return laws, _hysteresis(rows)


def _law(rows: Sequence[StaticThrust], name: str) -> SquareLaw | None:
    values: list[Estimate] = [getattr(row, name) for row in rows]
    speeds = [row.speed_rpm for row in rows]
    u = [
        math.hypot(_part(y, True), 2.0 * y.value * _part(n, True) / n.value)
        for y, n in zip(values, speeds, strict=True)
    ]
    if not all(x > 0.0 for x in u):
        return None
    n, y = [e.value for e in speeds], [e.value for e in values]
    try:
        fit = fit_square_law(n, y, u, unit=values[0].unit)
        test = fit_test(y, fit.at(n), 1, groups=_set_points(n), u=u)
    except UsageError:  # too few set points for the test
        return None
    top = max(range(len(rows)), key=lambda k: y[k])
    common = math.hypot(_part(values[top], False) / y[top], 2.0 * _part(speeds[top], False) / n[top])
    slope = combine(
        fit.slope.value, fit.slope.u, fit.slope.dof, common * fit.slope.value, unit=fit.slope.unit, name="slope"
    )
    quantity = name.rpartition("_")[0]
    return SquareLaw(quantity, slope, len(rows), test.kind, test.statistic, test.p, test.is_significant(ALPHA))


def _part(estimate: Estimate, scatter: bool) -> float:
    """Scatter of an estimate, or all the rest; an estimate without budget is all scatter."""
    if not estimate.budget:
        return estimate.u if scatter else 0.0
    return math.sqrt(math.fsum(x.u**2 for x in estimate.budget if x.name.endswith(" scatter") is scatter))


def _set_points(speeds: Sequence[float]) -> list[int]:
    """Number of the set point of each speed: speeds within 1 % of the first of a group are one set point."""
    firsts: list[float] = []
    found = []
    for n in speeds:
        near = next((k for k, first in enumerate(firsts) if abs(n / first - 1.0) < 0.01), None)
        if near is None:
            near = len(firsts)
            firsts.append(n)
        found.append(near)
    return found


def up_and_down(rows: Sequence[StaticThrust]) -> Hysteresis | None:
    """CT on the way down against the way up to the greatest speed, points in the order of the run; None where there is
    no such way."""
    if not rows:
        return None
    top = max(range(len(rows)), key=lambda k: rows[k].speed_rpm.value)
    up, down = rows[: top + 1], rows[top + 1 :]
    if len(up) < 2 or len(down) < 2:
        return None
    ways = [
        ([row.speed_rpm.value for row in way], [Estimate(row.ct.value, _part(row.ct, True), "1") for row in way])
        for way in (up, down)
    ]
    if not all(e.u > 0.0 for _, way in ways for e in way):
        return None
    return hysteresis(*ways[0], *ways[1], alpha=ALPHA)


def _hysteresis(rows: Sequence[StaticThrust]) -> tuple[Finding, ...]:
    found = up_and_down(rows)
    top = max(range(len(rows)), key=lambda k: rows[k].speed_rpm.value)
    level = rows[top].ct.value
    if found is None or not found.is_significant or abs(found.mean.value) < LEAST_HYSTERESIS * level:
        return ()
    text = (
        f"CT on the way down is {100.0 * found.mean.value / level:+.2f} % off the way up "
        f"(±{200.0 * found.mean.u / level:.2f} %, p {found.p:.2g}): air that comes back, a zero that moves, or heat?"
    )
    point = rows[top].point
    return (Finding("caution", "thrust_hysteresis", text, "", point.row_start, point.row_stop),)
