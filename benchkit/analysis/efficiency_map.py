"""Efficiency over speed and torque, from a fitted loss, inside the hull of what was measured.

Loss is fitted, not efficiency: loss is smooth where efficiency bends towards zero at small power. The loss of a node is
that of the physical terms (:mod:`benchkit.analysis.losses`) plus a smooth surface of what they leave
(:mod:`benchkit.analysis.surface`).

The uncertainty of a node has three parts, added in squares. *Scatter* of the points. *Lack of fit*: what the points do
not tell about the shape of the loss between them. *Calibration*: each channel has one gain error and one zero error,
the same in every point of the run. Each is put through the whole evaluation on its own - all points moved by one
standard uncertainty, refitted, the map computed again - and the changes are added in squares. So a torque gain moves
the whole map up or down and does not average out, however many points there are.

Source: fitting the loss and not the efficiency is common practice; the uncertainty follows JCGM 100:2008 (derived).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis import surface as smooth
from benchkit.analysis.hull import convex_hull, is_inside
from benchkit.analysis.lack_of_fit import hysteresis, lack_of_fit
from benchkit.analysis.losses import LossFit, design_at, fit_losses, loss_at
from benchkit.analysis.map_points import MapPoints, losses_of, map_points
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate, Finding, PowerBalance
from benchkit.model.results_maps import BestPoint, Contour, EfficiencyMap
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]

GRID = 41
"""Nodes along each axis."""
LEVELS = (
    0.5, 0.6, 0.7, 0.75, 0.8, 0.82, 0.84, 0.86, 0.88, 0.9, 0.91, 0.92, 0.93, 0.94, 0.95, 0.96, 0.97, 0.975, 0.98,
    0.985, 0.99, 0.995,
)  # fmt: skip
"""Efficiencies whose contours are traced."""
_PARTS = {"drive": ("drive",), "inverter": ("inverter", "motor"), "motor": ("motor",)}
ROLES: Mapping[str, tuple[Role, ...]] = {
    "drive": (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE),
    "inverter": (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.SPEED, Role.TORQUE),
    "motor": (Role.AC_POWER, Role.SPEED, Role.TORQUE),
}
"""What must be measured for each map."""


@dataclass(frozen=True, slots=True, eq=False)
class PartFit:
    """The loss of one part: its model, the surface, and the surface for one standard uncertainty of each cause."""

    fit: LossFit
    surface: smooth.Surface
    nominal: smooth.Surface
    causes: Mapping[str, smooth.Surface]
    span: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class MapFit:
    """What is known about the losses of a subject; :func:`losses_over` evaluates it."""

    subject: str
    parts: Mapping[str, PartFit]
    """The subject, and for an inverter the motor behind it."""
    hull: FloatArray
    points: MapPoints


@dataclass(frozen=True, slots=True, eq=False)
class LossField:
    """Loss of one part at m places: value (m,), variance (m,) or (m, m), its scatter part (m,), shift by cause (m,)."""

    loss_w: FloatArray
    variance: FloatArray
    scatter: FloatArray
    shifts: Mapping[str, FloatArray]

    @property
    def u_w(self) -> FloatArray:
        """Standard uncertainty of the loss [W] (m,), calibration included."""
        own = np.diag(self.variance) if self.variance.ndim == 2 else self.variance
        return np.asarray(np.sqrt(own + sum((s**2 for s in self.shifts.values()), np.zeros(own.shape))))


def efficiency_maps(
    stand: Stand, balances: Sequence[PowerBalance]
) -> tuple[tuple[EfficiencyMap, ...], tuple[Finding, ...]]:
    """Maps of drive, inverter and motor, as far as they are measured; a finding says why one could not be made."""
    maps: list[EfficiencyMap] = []
    refused: dict[str, list[str]] = {}
    turned = 0
    for subject, roles in ROLES.items():
        if any(stand.channel_for(role) is None for role in roles):
            continue
        try:
            points = map_points(stand, [b.point for b in balances], roles)
            turned = max(turned, points.other_rotation)
            maps.append(efficiency_map(points, subject))
        except UsageError as error:
            refused.setdefault(str(error), []).append(subject)
    findings = [
        Finding("note", "no_efficiency_map", f"No efficiency map of {', '.join(subjects)}: {reason}")
        for reason, subjects in refused.items()
    ]
    if turned and maps:
        text = (
            f"{turned} operating points turn the other way and are in no map. Map each direction in a run of its own."
        )
        findings.append(Finding("note", "map_one_rotation", text))
    findings.extend(finding for found in maps if (finding := _above_one(found)) is not None)
    return tuple(maps), tuple(findings)


def _above_one(found: EfficiencyMap) -> Finding | None:
    eta = np.asarray(found.efficiency, dtype=np.float64)
    count = int(np.sum(eta > 1.0))
    if count == 0:
        return None
    text = (
        f"The map of the {found.subject} shows an efficiency above 1 at {count} of {np.isfinite(eta).sum()} nodes "
        f"(up to {float(np.nanmax(eta)):.4f}): a measurement is wrong, or the loss is smaller than its uncertainty."
    )
    return Finding("error", "map_efficiency_above_one", text)


# ------------------------------------------------------------------------------------------------------ fit
def fit_map(points: MapPoints, subject: str) -> MapFit:
    """Fit the losses that a map of "drive", "inverter" or "motor" needs.

    Raises:
        UsageError: unknown subject, too few distinct points, or all points on one line or curve.
    """
    if subject not in _PARTS:
        raise UsageError(f"{subject!r} has no efficiency map", expected=", ".join(_PARTS))
    parts = {part: _fit_part(points, part) for part in _PARTS[subject]}
    return MapFit(subject, parts, convex_hull(points.means[Role.SPEED], points.means[Role.TORQUE]), points)


def _fit_part(points: MapPoints, part: str) -> PartFit:
    n, T = points.means[Role.SPEED], points.means[Role.TORQUE]
    loss = losses_of(points.means)[part]
    fit = fit_losses(n, T, loss, points.u_loss_w[part], conditions=points.conditions)
    span = float(np.ptp(n)) or 1.0, float(np.ptp(T)) or 1.0
    X = design_at(fit.model, n, T, fit.conditions)
    whole = smooth.fit_surface(X, places_of(n, T, span), loss, fit.weights_u_w, u_is_known=fit.u_is_known)
    causes = {}
    for cause, shift in points.common.items():
        moved = {role: values + shift[role] if role in shift else values for role, values in points.means.items()}
        at_n, at_t = moved[Role.SPEED], moved[Role.TORQUE]
        X = design_at(fit.model, at_n, at_t, fit.conditions)
        causes[cause] = smooth.moved(whole, X, places_of(at_n, at_t, span), losses_of(moved)[part])
    return PartFit(fit, whole, smooth.best_only(whole), causes, span)


def places_of(n: FloatArray, T: FloatArray, span: tuple[float, float]) -> FloatArray:
    """Speed [rpm] and torque [N·m] in the direction of rotation, in spans (m, 2)."""
    return np.stack([np.abs(n) / span[0], T * np.sign(n) / span[1]], axis=-1)


def losses_over(fit: MapFit, part: str, n: npt.ArrayLike, T: npt.ArrayLike, *, joint: bool = False) -> LossField:
    """Loss of ``part`` at m speeds [rpm] and torques [N·m], both (m,); NaN outside the hull."""
    speed, torque = np.asarray(n, dtype=np.float64), np.asarray(T, dtype=np.float64)
    known = fit.parts[part]
    X, P = design_at(known.fit.model, speed, torque), places_of(speed, torque, known.span)
    found = smooth.predict(known.surface, X, P, joint=joint)
    nominal = smooth.mean_at(known.nominal, X, P)
    shifts = {cause: smooth.mean_at(moved, X, P) - nominal for cause, moved in known.causes.items()}
    loss = np.where(is_inside(fit.hull, speed, torque), found.mean, np.nan)
    return LossField(loss, found.variance, found.scatter, shifts)


# ------------------------------------------------------------------------------------------------------ map
def efficiency_map(points: MapPoints, subject: str, grid: int = GRID) -> EfficiencyMap:
    """Efficiency map of "drive", "inverter" or "motor" from collected points.

    Motoring (both powers positive) ``eta = P_mech / (P_mech + P_loss)`` (1), generating (both negative)
    ``eta = (P_mech + P_loss) / P_mech`` (2), with ``P_mech = 2 pi n/60 T`` for motor and drive; for the inverter P_mech
    is that plus the fitted loss of the motor. NaN where both sides feed the losses, and outside the hull. Never cut at
    one: a value above one is an error of measurement, and :func:`efficiency_maps` says so.

    Raises:
        UsageError: unknown subject, too few distinct points, or all points on one line.
    """
    fit = fit_map(points, subject)
    n, T = points.means[Role.SPEED], points.means[Role.TORQUE]
    both = bool(np.any(n * T > 0.0) and np.any(n * T < 0.0))
    speed, torque = _axis(n, grid), _axis(T, grid + grid // 2 if both else grid)
    mesh_n, mesh_t = (mesh.ravel() for mesh in np.meshgrid(speed, torque))
    shape = torque.size, speed.size
    fields = {part: losses_over(fit, part, mesh_n, mesh_t) for part in fit.parts}
    eta, parts = _efficiency_budget(subject, fields, 2.0 * math.pi / 60.0 * mesh_n * mesh_t)
    u = np.sqrt(np.sum([p**2 for p in parts.values()], axis=0))
    own, known = fields[subject], fit.parts[subject]
    model = known.fit.model
    best, best_generating = _best(subject, model.dof, eta, u, parts, mesh_n, mesh_t)
    at_points = losses_over(fit, subject, n, T).loss_w
    measured = losses_of(points.means)[subject]
    X = design_at(model, n, T, known.fit.conditions)
    explained = X @ np.asarray(model.coefficients)
    sigma = known.fit.weights_u_w if known.fit.u_is_known else None
    eta_rows = np.where(np.isnan(own.loss_w), np.nan, eta).reshape(shape)
    usual = loss_at(model, n, T)
    return EfficiencyMap(
        subject=subject,
        model=model,
        speed_rpm=tuple(speed.tolist()),
        torque_nm=tuple(torque.tolist()),
        efficiency=_rows(eta_rows),
        u_efficiency=_rows(np.where(np.isnan(eta), np.nan, u).reshape(shape)),
        loss_w=_rows(own.loss_w.reshape(shape)),
        hull=tuple((float(a), float(b)) for a, b in fit.hull),
        best_speed_rpm=best.speed_rpm,
        best_torque_nm=best.torque_nm,
        best_efficiency=best.efficiency,
        best_generating=best_generating,
        u_loss_w=_rows(np.where(np.isnan(own.loss_w), np.nan, own.u_w).reshape(shape)),
        model_loss_w=_rows(np.where(np.isnan(own.loss_w), np.nan, loss_at(model, mesh_n, mesh_t)).reshape(shape)),
        point_speed_rpm=tuple(n.tolist()),
        point_torque_nm=tuple(T.tolist()),
        point_loss_w=tuple(measured.tolist()),
        point_residual_w=tuple((measured - at_points - (explained - usual)).tolist()),
        contours=contours(speed, torque, eta_rows),
        lack_of_fit=lack_of_fit(n, T, measured - explained, sigma, len(model.terms), at_points - usual),
        hysteresis=hysteresis(n, T * np.sign(n), measured, known.fit.weights_u_w, X),
    )


def _axis(values: FloatArray, grid: int) -> FloatArray:
    """Nodes from end to end, a hair inside: set-points scatter, and nodes on the very rim would be outside the hull."""
    hair = 0.002 * float(np.ptp(values))
    return np.linspace(values.min() + hair, values.max() - hair, grid)


def efficiency_of(mechanical_w: npt.ArrayLike, loss_w: npt.ArrayLike) -> FloatArray:
    """Efficiency [1] for power on the side of the shaft [W] and loss [W], both ways; equations (1) and (2) above.

    >>> efficiency_of([900.0, -1000.0, -50.0], 100.0).round(3).tolist()
    [0.9, 0.9, nan]
    """
    c = np.asarray(mechanical_w, dtype=np.float64)
    a = c + np.asarray(loss_w, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((a > 0.0) & (c > 0.0), c / a, np.where((a < 0.0) & (c < 0.0), a / c, np.nan))


def _efficiency_budget(
    subject: str, fields: Mapping[str, LossField], shaft_w: FloatArray
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Efficiency (m,) and what each cause does to it (m,). Two fitted losses are taken as independent in scatter."""
    behind = [field for part, field in fields.items() if part != subject]
    loss = fields[subject].loss_w
    c = shaft_w + sum((field.loss_w for field in behind), np.zeros(shaft_w.shape))
    eta = efficiency_of(c, loss)
    with np.errstate(divide="ignore", invalid="ignore"):
        generating = c < 0.0
        by_loss = np.where(generating, 1.0 / c, -c / (c + loss) ** 2)
        by_behind = np.where(generating, -loss / c**2, loss / (c + loss) ** 2)
    weighted = [(by_loss, fields[subject]), *((by_behind, field) for field in behind)]
    parts = {
        "scatter": np.sqrt(sum((d**2 * f.scatter for d, f in weighted), np.zeros(c.shape))),
        "lack of fit": np.sqrt(
            sum((d**2 * np.maximum(f.variance - f.scatter, 0.0) for d, f in weighted), np.zeros(c.shape))
        ),
    }
    for cause in fields[subject].shifts:
        parts[cause] = sum((d * f.shifts[cause] for d, f in weighted), np.zeros(c.shape))
    return eta, parts


def _best(
    subject: str,
    dof: int,
    eta: FloatArray,
    u: FloatArray,
    parts: Mapping[str, FloatArray],
    n: FloatArray,
    T: FloatArray,
) -> tuple[BestPoint, BestPoint | None]:
    found: list[BestPoint | None] = []
    for way in (n * T > 0.0, n * T < 0.0):
        here = np.where(way & ~np.isnan(eta), eta, -np.inf)
        k = int(np.argmax(here))
        if np.isinf(here[k]):
            found.append(None)
            continue
        budget = tuple(
            sorted((Contribution(name, abs(float(part[k]))) for name, part in parts.items()), key=lambda line: -line.u)
        )
        scatter, total = float(np.hypot(parts["scatter"][k], parts["lack of fit"][k])), float(u[k])
        effective = dof * (total / scatter) ** 4 if scatter > 0.0 else math.inf
        found.append(BestPoint(float(n[k]), float(T[k]), Estimate(float(eta[k]), total, "1", effective, budget)))
    motoring, generating = found
    if motoring is None and generating is None:
        raise UsageError(f"the {subject} delivers no power at any node inside the measured points")
    if motoring is None:
        assert generating is not None
        return generating, None
    return motoring, generating


def _rows(values: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in values.tolist())


def contours(
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    efficiency: npt.ArrayLike,
    levels: Sequence[float] = LEVELS,
) -> tuple[Contour, ...]:
    """Lines of equal efficiency [1] of a grid, rows of torque [N·m] by columns of speed [rpm]; none crosses a node
    that is NaN.

    >>> line, = contours([0.0, 1.0], [0.0, 1.0], [[0.8, 0.9], [0.8, 0.9]], [0.85])
    >>> [round(n, 6) for n in line.speed_rpm]
    [0.5, 0.5]
    """
    from contourpy import contour_generator

    z = np.ma.masked_invalid(np.asarray(efficiency, dtype=np.float64))
    traced = contour_generator(np.asarray(speed_rpm, dtype=np.float64), np.asarray(torque_nm, dtype=np.float64), z)
    found = []
    for level in levels:
        for line in traced.lines(level):
            xy = np.asarray(line, dtype=np.float64)
            found.append(Contour(level, tuple(xy[:, 0].tolist()), tuple(xy[:, 1].tolist())))
    return tuple(found)
