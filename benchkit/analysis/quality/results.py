"""Checks of results: what no drive, propeller or hall can do.

Source: rules of this project; what is impossible follows from conservation of energy and momentum theory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchkit.analysis.air import in_range
from benchkit.model.results import Estimate, Finding, OperatingPoint, PowerBalance, StaticThrust
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import StreamRows

DOUBTFUL = 2.0
"""Standard uncertainties by which a loss below zero is worth a caution (one good point in 44)."""
CERTAIN = 4.0
"""... and an error (one in 30 000: a run has some dozens of points, and three losses each)."""


def check_balance(balance: PowerBalance) -> list[Finding]:
    """Efficiency above one, negative loss: impossible where the excess is more than its uncertainty."""
    findings = []
    point = balance.point
    pairs: tuple[tuple[str, Estimate, Estimate], ...] = (
        ("inverter", balance.inverter_loss_w, balance.inverter_efficiency),
        ("motor", balance.motor_loss_w, balance.motor_efficiency),
        ("drive", balance.drive_loss_w, balance.drive_efficiency),
    )
    for subject, loss, eta in pairs:
        if not loss.is_measured or loss.value >= 0.0:
            continue
        beyond = -loss.value / loss.u if loss.u > 0.0 else np.inf
        # at rest both powers are noise about zero: only there does chance reach far, and it means little
        is_idle = not abs(balance.shaft_power_w.value) > 2.0 * balance.shaft_power_w.u
        severity, code = "note", "loss_not_resolved"
        if beyond > CERTAIN or (beyond > DOUBTFUL and not is_idle):
            severity, code = ("error" if beyond > CERTAIN else "caution"), "negative_loss"
        text = f"Point {point.index + 1}: loss of the {subject} {loss.value:.1f} W ± {2.0 * loss.u:.1f} W"
        text += f", efficiency {eta.value:.4f}." if eta.is_measured else "."
        findings.append(Finding(severity, code, text, "", point.row_start, point.row_stop))
    return findings


def check_thrust(thrust: StaticThrust) -> list[Finding]:
    """Figure of merit above one."""
    merit = thrust.figure_of_merit
    if not merit.is_measured or merit.value <= 1.0:
        return []
    severity = "error" if merit.value - 2.0 * merit.u > 1.0 else "caution"
    text = f"Point {thrust.point.index + 1}: figure of merit {merit.value:.3f} ± {2.0 * merit.u:.3f} is above 1."
    return [Finding(severity, "figure_of_merit_above_one", text, "", thrust.point.row_start, thrust.point.row_stop)]


def check_air(stand: Stand, point: OperatingPoint) -> list[Finding]:
    """Air outside the range for which the density formula was agreed."""
    names = [stand.roles.get(role) for role in (Role.AIR_TEMP, Role.AIR_PRESSURE)]
    means = [point.means[name] for name in names if name is not None and name in point.means]
    if len(means) < 2 or any(not e.is_measured for e in means) or bool(in_range(means[0].value, means[1].value)):
        return []
    text = (
        f"Point {point.index + 1}: air at {means[0].value:.1f} °C, {means[1].value / 100.0:.0f} hPa is outside "
        "15-27 °C, 600-1100 hPa of CIPM-2007; the density is computed all the same."
    )
    return [Finding("note", "air_out_of_range", text, "", point.row_start, point.row_stop)]


def check_acceleration(stand: Stand, stream: StreamRows, point: OperatingPoint) -> list[Finding]:
    """Speed that drifts within a point: part of the torque accelerates the rotor."""
    channel = stand.channel_for(Role.SPEED)
    if channel is None or channel.name not in stream.channels:
        return []
    part = stream.rows(point.row_start, point.row_stop)
    t, n = part.time_s, part.column(channel.name)
    good = ~np.isnan(n)
    if np.count_nonzero(good) < 3:
        return []
    centred = t[good] - t[good].mean()
    slope = float(np.sum(centred * n[good]) / np.sum(centred**2))
    drift = abs(slope) * float(t[-1] - t[0])
    if drift <= 0.5 * stand.steadiness.speed_band_rpm:
        return []
    text = f"Point {point.index + 1}: speed drifts by {drift:.1f} rpm ({slope:+.3g} rpm/s): inertia takes torque."
    return [Finding("caution", "acceleration", text, channel.name, point.row_start, point.row_stop)]


def fill_values(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike, efficiency: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Cells of an efficiency table that no measurement can have given; all of one shape, efficiencies [1].

    An efficiency above zero where speed [rpm] or torque [N·m] is zero: no power goes out. And every cell with just the
    value of those, where half or more of them share one: it is what the table was filled up with.

    >>> fill_values([0, 0, 1000, 1000], [0, 10, 0, 10], [0.2, 0.2, 0.2, 0.8]).tolist()
    [True, True, True, False]
    """
    n, t, eta = (np.asarray(x, dtype=np.float64) for x in (speed_rpm, torque_nm, efficiency))
    at_rest = ((n == 0.0) | (t == 0.0)) & (eta > 0.0)
    filled = at_rest.copy()
    if at_rest.any():
        values, counts = np.unique(eta[at_rest], return_counts=True)
        if counts.max() >= 0.5 * at_rest.sum() and counts.max() > 1:
            filled |= eta == values[np.argmax(counts)]
    return np.asarray(filled)


def check_table(speed_rpm: npt.ArrayLike, torque_nm: npt.ArrayLike, efficiency: npt.ArrayLike) -> list[Finding]:
    """Fill values and efficiencies above 1 in a table of efficiencies; rows of a finding are its cells in order."""
    eta = np.asarray(efficiency, dtype=np.float64)
    findings = []
    filled = np.flatnonzero(fill_values(speed_rpm, torque_nm, eta).ravel())
    if filled.size:
        shown = float(eta.ravel()[filled[0]])
        text = f"{filled.size} of {eta.size} cells hold a fill value ({shown:g}), such as at no speed or no torque."
        where = int(filled[0]), int(filled[-1]) + 1
        findings.append(
            Finding("error", "fill_values", text, "", *where, {"value": shown, "cells": float(filled.size)})
        )
    above = np.flatnonzero(eta.ravel() > 1.0)
    if above.size:
        text = f"{above.size} of {eta.size} cells are above 1, the highest {float(np.nanmax(eta)):.4g}."
        findings.append(Finding("error", "negative_loss", text, "", int(above[0]), int(above[-1]) + 1))
    return findings
