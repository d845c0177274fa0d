"""Efficiency over speed and torque, from a fitted loss model, inside the hull of what was measured.

Loss is fitted, not efficiency: loss is smooth where efficiency bends towards zero at small power.

The uncertainty of a node has two parts, added in squares. *Scatter*: the covariance of the fit, scaled by
max(1, chi²/dof). *Calibration*: each channel has one gain error and one zero error, the same in every point of the
run. Each is put through the whole evaluation on its own - all points moved by one standard uncertainty, refitted, the
map computed again - and the changes are added in squares. So a torque gain moves the whole map up or down and does not
average out, however many points there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchkit.analysis.losses import LossFit, fit_losses, loss_at, u_loss_at
from benchkit.analysis.power import INPUT_ROLES, RESULT_UNITS, propagate_balance
from benchkit.analysis.uncertainty import scatter_only
from benchkit.errors import UsageError
from benchkit.model.results import (
    Contribution,
    EfficiencyMap,
    Estimate,
    Finding,
    LossModel,
    OperatingPoint,
    PowerBalance,
)
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Means = Mapping[Role, FloatArray]

GRID = 41
"""Nodes along each axis."""
LEAST_SPEED = 0.01
"""Points slower than this share of the motor's top speed are standstill: no map point."""
_PARTS = {"drive": ("drive",), "inverter": ("inverter", "motor"), "motor": ("motor",)}
_LOSS_INDEX = {"inverter": 3, "motor": 4, "drive": 5}


@dataclass(frozen=True, slots=True, eq=False)
class MapPoints:
    """What a map is made of: measured means by role (n,), scatter of the losses, and the errors common to the run.

    ``u_loss_w`` holds by subject the standard uncertainty of the loss from scatter alone (n,) [W]. ``common`` holds by
    name the shift of the means (by role) for one standard uncertainty of one cause.
    """

    means: Means
    u_loss_w: Mapping[str, FloatArray]
    common: Mapping[str, Means]


def efficiency_maps(
    stand: Stand, balances: Sequence[PowerBalance]
) -> tuple[tuple[EfficiencyMap, ...], tuple[Finding, ...]]:
    """Maps of drive, inverter and motor, as far as they are measured; a finding says why one could not be made."""
    maps: list[EfficiencyMap] = []
    refused: dict[str, list[str]] = {}
    for subject, needed in (
        ("drive", (Role.DC_VOLTAGE, Role.DC_CURRENT)),
        ("inverter", (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER)),
        ("motor", (Role.AC_POWER,)),
    ):
        roles = (*needed, Role.SPEED, Role.TORQUE)
        if any(stand.channel_for(role) is None for role in roles):
            continue
        try:
            maps.append(efficiency_map(map_points(stand, [b.point for b in balances], roles), subject))
        except UsageError as error:
            refused.setdefault(str(error), []).append(subject)
    findings = [
        Finding("note", "no_efficiency_map", f"No efficiency map of {', '.join(subjects)}: {reason}")
        for reason, subjects in refused.items()
    ]
    return tuple(maps), tuple(findings)


def map_points(stand: Stand, points: Sequence[OperatingPoint], roles: Sequence[Role]) -> MapPoints:
    """Collect the operating points that carry all of ``roles`` and are not at standstill."""
    channels = {role: stand.channels[stand.roles[role]] for role in roles}
    slowest = LEAST_SPEED * stand.motor.max_speed_rpm
    kept: list[dict[Role, Estimate]] = []
    for point in points:
        row = {role: point.means[c.name] for role, c in channels.items() if c.name in point.means}
        complete = len(row) == len(channels) and all(e.is_measured for e in row.values())
        if complete and abs(row[Role.SPEED].value) >= slowest:
            kept.append(row)
    means = {role: np.array([row[role].value for row in kept]) for role in roles}
    scatter = np.array(
        [
            [e.u for e in propagate_balance({r: scatter_only(row[r], channels[r].name) for r in roles}).estimates]
            for row in kept
        ]
    ).reshape(len(kept), len(RESULT_UNITS))
    u_loss = {s: scatter[:, i] for s, i in _LOSS_INDEX.items()} if kept else {s: np.empty(0) for s in _LOSS_INDEX}
    common: dict[str, Means] = {}
    for role in roles:
        accuracy = channels[role].calibration.accuracy
        if accuracy.of_reading > 0.0:
            common[f"{channels[role].name} gain"] = {role: accuracy.of_reading * means[role]}
        if accuracy.constant > 0.0:
            common[f"{channels[role].name} zero"] = {role: np.full(len(kept), accuracy.constant)}
    return MapPoints(means, u_loss, common)


def efficiency_map(points: MapPoints, subject: str, grid: int = GRID) -> EfficiencyMap:
    """Efficiency map of "drive", "inverter" or "motor" from collected points.

    ``eta = P_out / (P_out + P_loss)`` (1) with ``P_out = 2 pi n/60 T`` for motor and drive; for the inverter P_out is
    that plus the fitted loss of the motor. Motoring only: NaN where n T is not positive, and outside the hull.

    Raises:
        UsageError: unknown subject, too few distinct points, or all points on one line.
    """
    if subject not in _PARTS:
        raise UsageError(f"{subject!r} has no efficiency map", expected=", ".join(_PARTS))
    n, T = points.means[Role.SPEED], points.means[Role.TORQUE]
    fits = {part: fit_losses(n, T, _losses(points.means)[part], points.u_loss_w[part]) for part in _PARTS[subject]}
    hull = convex_hull(n, T)
    speed, torque = _axis(n, grid), _axis(T, grid)
    mesh_n, mesh_t = np.meshgrid(speed, torque)
    inside = is_inside(hull, mesh_n, mesh_t)
    models = {part: fit.model for part, fit in fits.items()}
    eta, loss = _efficiency(subject, models, mesh_n, mesh_t)
    parts = {"scatter": _scatter(subject, models, mesh_n, mesh_t)}
    for cause, shift in points.common.items():
        moved = {role: values + shift[role] if role in shift else values for role, values in points.means.items()}
        parts[cause] = _efficiency(subject, _refit(fits, moved), mesh_n, mesh_t)[0] - eta
    u = np.sqrt(np.sum([p**2 for p in parts.values()], axis=0))
    outside = ~inside | np.isnan(eta)
    shown = np.where(outside, np.nan, eta)
    best = _best(subject, shown, u, parts, fits[subject].model.dof)
    row, column = best[0]
    return EfficiencyMap(
        subject=subject,
        model=fits[subject].model,
        speed_rpm=tuple(speed.tolist()),
        torque_nm=tuple(torque.tolist()),
        efficiency=_rows(shown),
        u_efficiency=_rows(np.where(outside, np.nan, u)),
        loss_w=_rows(np.where(inside, loss, np.nan)),
        hull=tuple((float(a), float(b)) for a, b in hull),
        best_speed_rpm=float(speed[column]),
        best_torque_nm=float(torque[row]),
        best_efficiency=best[1],
    )


def _axis(values: FloatArray, grid: int) -> FloatArray:
    """Nodes from end to end, a hair inside: set-points scatter, and nodes on the very rim would be outside the hull."""
    hair = 0.002 * float(np.ptp(values))
    return np.linspace(values.min() + hair, values.max() - hair, grid)


def _losses(means: Means) -> dict[str, FloatArray]:
    """Losses by subject [W] (n,), as far as their powers are measured."""
    missing = np.full(means[Role.SPEED].shape, np.nan)
    u, i, p_ac, n, T = (means.get(role, missing) for role in INPUT_ROLES)
    p_shaft = 2.0 * math.pi / 60.0 * n * T
    return {"inverter": u * i - p_ac, "motor": p_ac - p_shaft, "drive": u * i - p_shaft}


def _refit(fits: Mapping[str, LossFit], means: Means) -> dict[str, LossModel]:
    """The same terms and weights on moved points."""
    n, T, losses = means[Role.SPEED], means[Role.TORQUE], _losses(means)
    return {part: fit_losses(n, T, losses[part], fit.weights_u_w, fit.model.terms).model for part, fit in fits.items()}


def _efficiency(
    subject: str, models: Mapping[str, LossModel], n: FloatArray, T: FloatArray
) -> tuple[FloatArray, FloatArray]:
    loss = loss_at(models[subject], n, T)
    p_out = 2.0 * math.pi / 60.0 * n * T
    motoring = p_out > 0.0
    if subject == "inverter":
        p_out = p_out + loss_at(models["motor"], n, T)
    with np.errstate(divide="ignore", invalid="ignore"):
        eta = p_out / (p_out + loss)
    return np.where(motoring & (p_out + loss > 0.0), eta, np.nan), loss


def _scatter(subject: str, models: Mapping[str, LossModel], n: FloatArray, T: FloatArray) -> FloatArray:
    """Standard uncertainty of the efficiency from the covariance of the fits (of two fits as if independent)."""
    loss = loss_at(models[subject], n, T)
    p_out = 2.0 * math.pi / 60.0 * n * T
    u = u_loss_at(models[subject], n, T)
    if subject != "inverter":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.abs(p_out) * u / (p_out + loss) ** 2)
    p_out = p_out + loss_at(models["motor"], n, T)
    u_motor = u_loss_at(models["motor"], n, T)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.hypot(p_out * u, loss * u_motor) / (p_out + loss) ** 2)


def _best(
    subject: str, eta: FloatArray, u: FloatArray, parts: Mapping[str, FloatArray], dof: int
) -> tuple[tuple[int, int], Estimate]:
    if np.all(np.isnan(eta)):
        raise UsageError(f"no motoring node of the {subject} inside the measured points")
    row, column = (int(k) for k in np.unravel_index(np.nanargmax(eta), eta.shape))
    budget = [Contribution(name, abs(float(part[row, column]))) for name, part in parts.items()]
    scatter = budget[0].u
    total = float(u[row, column])
    effective = dof * (total / scatter) ** 4 if scatter > 0.0 else math.inf
    ranked = tuple(sorted(budget, key=lambda line: -line.u))
    return (row, column), Estimate(float(eta[row, column]), total, "1", effective, ranked)


def _rows(values: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in values.tolist())


# -------------------------------------------------------------------------------------------------- hull
def convex_hull(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> FloatArray:
    """Closed polygon (corners + 1, 2) round the points, on axes scaled by their span, counter-clockwise.

    Raises:
        UsageError: all points lie on one line (within 1 % of the span).

    >>> convex_hull([0, 1000, 1000, 0, 500], [0, 0, 10, 10, 5]).shape
    (5, 2)
    """
    from scipy.spatial import ConvexHull, QhullError

    xy = np.stack([np.asarray(speed_rpm, dtype=np.float64), np.asarray(torque_nm, dtype=np.float64)], axis=1)
    span = np.ptp(xy, axis=0)
    flat = UsageError(
        "the operating points lie on one line: they span no area of speed and torque",
        remedy="Measure at several torques for each speed.",
    )
    if xy.shape[0] < 3 or bool(np.any(span <= 0.0)):
        raise flat
    try:
        hull = ConvexHull((xy - xy.min(axis=0)) / span)
    except QhullError as error:
        raise flat from error
    if hull.volume < 0.01:
        raise flat
    return np.asarray(xy[np.append(hull.vertices, hull.vertices[0])])


def is_inside(hull: npt.ArrayLike, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike) -> BoolArray:
    """True for points inside or on a closed counter-clockwise convex polygon; shape of the points."""
    corners = np.asarray(hull, dtype=np.float64)
    span = np.ptp(corners, axis=0)
    corners = corners / span
    x, y = np.asarray(speed_rpm) / span[0], np.asarray(torque_nm) / span[1]
    inside = np.ones(np.broadcast_shapes(x.shape, y.shape), dtype=np.bool_)
    for (x0, y0), (x1, y1) in pairwise(corners):
        inside &= (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) >= -1e-9
    return inside
