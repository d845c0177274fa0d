"""Two propellers on one stand: CT, CP and figure of merit at the same speeds, judged by repeatability.

A comparison is judged by what differs between the two runs: scatter, the two diameters, and how well a propeller comes
back to its values after it was taken off and put on again. The calibration of the stand is common to both and drops
out. What that says holds for these two specimens: two campaigns on one propeller type differ by 5.5-6.4 % in CT and
0.5-1.1 % in CP (derived from files of the UIUC Propeller Data Site).

Source: the law of propagation of uncertainty, JCGM 100:2008, 5.1.2 (derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.analysis.thrust_tests import between
from benchkit.analysis.uncertainty import coverage_factor
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate, StaticThrust
from benchkit.model.results_thrust import PropellerRow
from benchkit.model.stand import Propeller, Stand

COEFFICIENTS = ("ct", "cp", "figure_of_merit")
SPECIMENS = "Specimens of one type differ by 5-6 % in CT: this compares two specimens, not two types."
_POWERS = {"ct": 4.0, "cp": 5.0, "figure_of_merit": 1.0}
"""Sensitivity to the relative error of the diameter."""


@dataclass(frozen=True, slots=True)
class PropellerDifference:
    """B less A of one coefficient at one speed; relative difference is over A."""

    coefficient: str
    speed_rpm: float
    a: Estimate
    b: Estimate
    difference: Estimate

    @property
    def relative(self) -> float:
        """Difference over the value of A [1]."""
        return self.difference.value / self.a.value

    @property
    def is_significant(self) -> bool:
        """True where the 95 % interval of the difference leaves zero out."""
        return abs(self.difference.value) > coverage_factor(self.difference.dof) * self.difference.u


def compare_propellers(
    a: Sequence[StaticThrust],
    b: Sequence[StaticThrust],
    *,
    repeatability: float,
    u_diameter: tuple[float, float],
) -> tuple[PropellerDifference, ...]:
    """Differences at the speeds of A that lie within those of B, for CT, CP and figure of merit [1].

    ``u(d)² = u_s(A)² + u_s(B)² + (r A)² + (r B)² + (k u_A A)² + (k u_B B)²`` (1): scatter of the points, repeatability
    r of one mounting, diameters with k = 4, 5 and 1.

    Args:
        a, b: static points of either run.
        repeatability: relative standard deviation of a coefficient from one mounting to the next, measured on this
            stand by taking a propeller off and on again; 0 only for runs between which nothing was touched.
        u_diameter: relative standard uncertainty of either diameter; (0, 0) where both are the same propeller.

    Raises:
        UsageError: a repeatability or an uncertainty below zero.
    """
    if min(repeatability, *u_diameter) < 0.0:
        raise UsageError("repeatability and uncertainty are not negative", got=f"{repeatability:g}, {u_diameter}")
    found = []
    for name in COEFFICIENTS:
        speeds = [row.speed_rpm.value for row in b]
        values = [_scatter(getattr(row, name)) for row in b]
        for row in a:
            there = between(speeds, values, row.speed_rpm.value)
            here = _scatter(getattr(row, name))
            if there is None or not (here.is_measured and there.is_measured):
                continue
            k = _POWERS[name]
            lines = (
                Contribution("scatter", math.hypot(here.u, there.u)),
                Contribution("mounting", repeatability * math.hypot(here.value, there.value)),
                Contribution("diameters", k * math.hypot(u_diameter[0] * here.value, u_diameter[1] * there.value)),
            )
            u = math.hypot(*(line.u for line in lines))
            budget = tuple(sorted(lines, key=lambda line: -line.u))
            difference = Estimate(there.value - here.value, u, "1", budget=budget)
            found.append(PropellerDifference(name, row.speed_rpm.value, here, there, difference))
    return tuple(found)


def compare_of_runs(
    stand_a: Stand, a: Sequence[StaticThrust], stand_b: Stand, b: Sequence[StaticThrust]
) -> tuple[PropellerRow, ...]:
    """:func:`compare_propellers` of the points of two runs that nobody excluded, without the scatter of a mounting.

    The diameters count where the two nameplates name different propellers.
    """
    first, second = stand_a.propeller, stand_b.propeller
    if first is None or second is None:
        return ()
    u = (0.0, 0.0) if first.id == second.id else (_u_diameter(first), _u_diameter(second))
    ours, theirs = ([row for row in rows if not row.point.is_excluded] for rows in (a, b))
    found = compare_propellers(ours, theirs, repeatability=0.0, u_diameter=u)
    order = sorted(found, key=lambda d: (COEFFICIENTS.index(d.coefficient), d.speed_rpm))
    return tuple(
        PropellerRow(d.coefficient, d.speed_rpm, d.a, d.b, d.difference, d.relative, d.is_significant) for d in order
    )


def _u_diameter(propeller: Propeller) -> float:
    return propeller.u_diameter_m / propeller.diameter_m


def _scatter(estimate: Estimate) -> Estimate:
    """The estimate with the parts of its budget that differ from point to point."""
    u = math.sqrt(sum(line.u**2 for line in estimate.budget if line.name.endswith(" scatter")))
    return Estimate(estimate.value, u, estimate.unit)
