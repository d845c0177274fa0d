"""Thrust per electrical watt of the whole powertrain, from DC link to propeller, at standstill in still air.

A propeller fixes the torque to the speed, so this is a curve over speed and no map. Thrust per watt is no efficiency:
it has a unit and falls with disc loading. The overall merit beside it is a ratio: the ideal power of the momentum
theory over the DC power, that is figure of merit times efficiency of the drive.

Source: momentum theory, as in :mod:`benchkit.analysis.propeller`; the products are derived.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.analysis import surface as smooth
from benchkit.analysis.losses import distinct_points
from benchkit.analysis.map_points import Means, map_points
from benchkit.analysis.uncertainty import propagate, scatter_only
from benchkit.model.results import Estimate, PowerBalance, StaticThrust
from benchkit.model.results_maps import PropulsiveCurve
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]

LEAST_SPEEDS = 5
"""Different speeds that it takes for a curve between the points."""
GRID = 41
_ROLES = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.THRUST)


def propulsive_curves(
    stand: Stand, balances: Sequence[PowerBalance], thrust: Sequence[StaticThrust]
) -> tuple[PropulsiveCurve, ...]:
    """The curve of one stream, or none where thrust or DC power was not measured."""
    by_point = {id(b.point): b for b in balances}
    rows = [(t, by_point[id(t.point)]) for t in thrust if id(t.point) in by_point]
    rows = [(t, b) for t, b in rows if b.dc_power_w.is_measured and b.dc_power_w.value > 2.0 * b.dc_power_w.u]
    if not rows or stand.propeller is None:
        return ()
    rows.sort(key=lambda row: row[0].speed_rpm.value)
    diameter = Estimate(stand.propeller.diameter_m, stand.propeller.u_diameter_m, "m")
    per_watt = tuple(thrust_per_watt(t.thrust_n, b.dc_power_w) for t, b in rows)
    merit = tuple(overall_merit(t.thrust_n, b.dc_power_w, t.density_kgm3, diameter) for t, b in rows)
    speeds = tuple(t.speed_rpm.value for t, _ in rows)
    curve = _curve(stand, rows)
    return (PropulsiveCurve(*curve, speeds, per_watt, merit),)


def thrust_per_watt(thrust: Estimate, dc_power: Estimate) -> Estimate:
    """Thrust per electrical watt [N/W]: ``T / P_dc`` (1)."""
    return propagate(lambda T, P: T / P, [thrust, dc_power], names=["thrust", "DC power"], unit="N/W")


def overall_merit(thrust: Estimate, dc_power: Estimate, density: Estimate, diameter: Estimate) -> Estimate:
    """Ideal over electrical power [1]: ``T^1.5 / sqrt(2 rho A) / P_dc`` (2), A the disc area [m²].

    >>> found = overall_merit(Estimate(7.84039, 0.0, "N"), Estimate(88.5698, 0.0, "W"), Estimate(1.225, 0.0, "kg/m³"),
    ...     Estimate(0.254, 0.0, "m"))
    >>> round(found.value, 4)
    0.7035
    """

    def merit(T: float, P: float, rho: float, D: float) -> float:
        return T**1.5 / math.sqrt(0.5 * math.pi * rho * D * D) / P if T > 0.0 and P > 0.0 else math.nan

    names = ["thrust", "DC power", "air density", "diameter"]
    return propagate(merit, [thrust, dc_power, density, diameter], names=names)


def _curve(
    stand: Stand, rows: Sequence[tuple[StaticThrust, PowerBalance]]
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Speeds, thrust per watt and its standard uncertainty between the lowest and the highest point.

    Watts per newton are fitted, ``P_dc/T = a + b n`` (3) (shaft power goes with n, what is lost is the rest) and a
    smooth curve of what that leaves; errors of calibration as in the maps: all points moved, fitted again.
    """
    points = map_points(stand, [t.point for t, _ in rows], _ROLES)
    n = points.means.get(Role.SPEED, np.empty(0))
    if n.size != len(rows) or distinct_points(n, np.zeros(n.size)) < LEAST_SPEEDS:
        return (), (), ()
    y = _watts_per_newton(points.means)
    u = np.array([_scatter(stand, b) for _, b in rows])
    known = bool(np.all(u > 0.0))
    span = float(np.ptp(n))

    def terms(speed: FloatArray) -> FloatArray:
        return np.stack([np.ones(speed.size), np.abs(speed) / span], axis=1)

    def places(speed: FloatArray) -> FloatArray:
        return np.abs(speed)[:, None] / span

    whole = smooth.fit_surface(terms(n), places(n), y, u if known else np.ones(u.shape), u_is_known=known)
    grid = np.linspace(n.min(), n.max(), GRID)
    found = smooth.predict(whole, terms(grid), places(grid))
    nominal = smooth.mean_at(smooth.best_only(whole), terms(grid), places(grid))
    variance = found.variance
    for shift in points.common.values():
        at = {role: value + shift[role] if role in shift else value for role, value in points.means.items()}
        moved = smooth.moved(whole, terms(at[Role.SPEED]), places(at[Role.SPEED]), _watts_per_newton(at))
        variance = variance + (smooth.mean_at(moved, terms(grid), places(grid)) - nominal) ** 2
    value = 1.0 / found.mean
    return tuple(grid.tolist()), tuple(value.tolist()), tuple((value**2 * np.sqrt(variance)).tolist())


def _watts_per_newton(means: Means) -> FloatArray:
    return means[Role.DC_VOLTAGE] * means[Role.DC_CURRENT] / means[Role.THRUST]


def _scatter(stand: Stand, balance: PowerBalance) -> float:
    """Standard uncertainty of P_dc/T from scatter alone [W/N]."""
    found = []
    for role in (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.THRUST):
        name = stand.roles[role]
        found.append(scatter_only(balance.point.means[name], name))
    return propagate(lambda U, current, T: U * current / T, found).u
