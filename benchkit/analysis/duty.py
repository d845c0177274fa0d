"""What a drive takes over a duty: energies and weighted efficiency from its map, with their uncertainty.

Source: conservation of energy (derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.analysis.efficiency_map import ROLES, LossField, MapFit, fit_map, losses_over
from benchkit.analysis.map_points import map_points
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate, Finding, PowerBalance
from benchkit.model.results_maps import Duty, DutyPoint, DutyResult
from benchkit.model.stand import Stand

FloatArray = npt.NDArray[np.float64]


def duty_averages(
    stand: Stand, balances: Sequence[PowerBalance], duty: Duty | None
) -> tuple[tuple[DutyResult, ...], tuple[Finding, ...]]:
    """The duty over drive, inverter and motor, as far as they are measured; findings name what was refused."""
    if duty is None or not duty.speed_rpm:  # a mission of thrusts or powers has no loads for the maps
        return (), ()
    found: list[DutyResult] = []
    findings: list[Finding] = []
    refused: dict[str, list[str]] = {}
    for subject, roles in ROLES.items():
        if any(stand.channel_for(role) is None for role in roles):
            continue
        try:
            fit = fit_map(map_points(stand, [b.point for b in balances], roles), subject)
            found.append(duty_average(fit, duty.speed_rpm, duty.torque_nm, duty.time_s))
        except UsageError as error:
            refused.setdefault(str(error), []).append(subject)
    for reason, subjects in refused.items():
        findings.append(Finding("caution", "no_duty", f"No duty of {', '.join(subjects)}: {reason}"))
    if found and found[0].covered < 1.0:
        outside = ", ".join(f"{p.speed_rpm:g} rpm {p.torque_nm:g} N·m" for p in found[0].points if p.loss_w is None)
        text = (
            f"The duty has loads outside the measured points, and they are left out: {outside}. "
            f"{100.0 * (1.0 - found[0].covered):.3g} % of its time is not known. Measure there."
        )
        findings.append(Finding("caution", "duty_outside", text))
    return tuple(found), tuple(findings)


def duty_average(fit: MapFit, speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike, time_s: npt.ArrayLike) -> DutyResult:
    """Energy in, energy out, loss [J] and weighted efficiency [1] of a duty.

    With P_el = P_mech + P_loss of each load and its time t:
    ``E_in = sum t (max(P_el, 0) + max(-P_mech, 0))`` (1), ``E_out = sum t (max(P_mech, 0) + max(-P_el, 0))`` (2),
    ``E_loss = E_in - E_out = sum t P_loss`` (3), ``eta = E_out / E_in`` (4).
    So a load that brakes counts the shaft as input and what arrives at the DC link as output; where both sides feed
    the losses both are input. Loads outside the hull are refused: they have no loss, and the energies do not hold
    them; ``covered`` says what share of the time is left.

    The losses of the loads hang together: errors of calibration and of the surface are added as they act on all
    loads at once, not as if each load erred on its own.

    Args:
        fit: a fitted map, from :func:`~benchkit.analysis.efficiency_map.fit_map`.
        speed_rpm, torque_nm: loads [rpm], [N·m], shape (m,).
        time_s: time at each load [s], or any weight in proportion to it, shape (m,), not negative.

    Raises:
        UsageError: shapes differ, a time is negative or not a number, or no load with a time above zero lies inside
            the hull.
    """
    n, T, t = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (speed_rpm, torque_nm, time_s))
    if not n.shape == T.shape == t.shape or n.ndim != 1:
        raise UsageError("speeds, torques and times of a duty differ in number", got=f"{n.shape}, {T.shape}, {t.shape}")
    if not np.all(np.isfinite(t) & (t >= 0.0)) or float(t.sum()) <= 0.0:
        raise UsageError("the times of a duty must be numbers of 0 or more, not all 0", got=t.tolist())
    fields = {part: losses_over(fit, part, n, T, joint=True) for part in fit.parts}
    own = fields[fit.subject]
    inside = np.isfinite(own.loss_w)
    if not np.any(inside & (t > 0.0)):
        raise UsageError(
            f"no load of the duty lies inside the measured points of the {fit.subject}",
            remedy="Measure where the duty runs: nothing is said outside.",
        )
    dof = float(fit.parts[fit.subject].fit.model.dof)
    points = tuple(
        DutyPoint(float(a), float(b), float(c), _estimate(own, k, dof) if ok else None)
        for k, (a, b, c, ok) in enumerate(zip(n, T, t, inside, strict=True))
    )
    shaft = 2.0 * math.pi / 60.0 * n[inside] * T[inside]
    behind = [field for part, field in fields.items() if part != fit.subject]
    estimates = _energies(_only(own, inside), [_only(field, inside) for field in behind], shaft, t[inside], dof)
    return DutyResult(fit.subject, points, float(t[inside].sum() / t.sum()), *estimates)


def _only(field: LossField, inside: npt.NDArray[np.bool_]) -> LossField:
    return LossField(
        field.loss_w[inside],
        field.variance[np.ix_(inside, inside)],
        field.scatter[inside],
        {cause: shift[inside] for cause, shift in field.shifts.items()},
    )


def _estimate(field: LossField, k: int, dof: float) -> Estimate:
    lines = {"scatter and lack of fit": math.sqrt(float(field.variance[k, k]))}
    lines |= {cause: abs(float(shift[k])) for cause, shift in field.shifts.items()}
    return _made(float(field.loss_w[k]), lines, "W", dof)


def _made(value: float, lines: dict[str, float], unit: str, dof: float) -> Estimate:
    u = math.sqrt(sum(part**2 for part in lines.values()))
    own = lines["scatter and lack of fit"]
    budget = sorted((Contribution(name, part) for name, part in lines.items()), key=lambda line: -line.u)
    return Estimate(value, u, unit, dof * (u / own) ** 4 if own > 0.0 else math.inf, tuple(budget))


def _energies(
    own: LossField, behind: Sequence[LossField], shaft: FloatArray, t: FloatArray, dof: float
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Energy in, out, lost, and their ratio, by the derivative of each to the loss of every load."""
    mechanical = shaft + sum((field.loss_w for field in behind), np.zeros(shaft.shape))
    electrical = mechanical + own.loss_w
    in_j = float(np.sum(t * (np.maximum(electrical, 0.0) + np.maximum(-mechanical, 0.0))))
    out_j = float(np.sum(t * (np.maximum(mechanical, 0.0) + np.maximum(-electrical, 0.0))))
    el_in, mech_in = electrical > 0.0, mechanical < 0.0
    # derivative of in, out and loss by the loss of the subject, and by the loss behind it, which moves both powers
    by_own = [t * el_in, -t * ~el_in, t]
    by_behind = [t * el_in - t * mech_in, t * ~mech_in - t * ~el_in, 0.0 * t]
    for d in (by_own, by_behind):
        d.append(d[1] / in_j - out_j / in_j**2 * d[0])
    values = (in_j, out_j, in_j - out_j, out_j / in_j)
    found = []
    for k, unit in enumerate(("J", "J", "J", "1")):
        weighted = [(by_own[k], own), *((by_behind[k], field) for field in behind)]
        lines = {"scatter and lack of fit": math.sqrt(max(sum(float(d @ f.variance @ d) for d, f in weighted), 0.0))}
        for cause in own.shifts:
            lines[cause] = abs(sum(float(d @ f.shifts[cause]) for d, f in weighted))
        found.append(_made(values[k], lines, unit, dof))
    return found[0], found[1], found[2], found[3]
