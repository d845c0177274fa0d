"""Loads of a mission as powers and losses with their common errors: through the map, along the propeller, or given."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchkit.analysis.battery import draw_battery
from benchkit.analysis.efficiency_map import ROLES, fit_map, losses_over
from benchkit.analysis.endurance import TRIALS, PowerLoads, play
from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.map_points import map_points
from benchkit.analysis.mission_thermal import mission_thermal
from benchkit.errors import UsageError
from benchkit.model.battery import Mission
from benchkit.model.results import Estimate, Finding, PowerBalance, StaticThrust
from benchkit.model.results_endurance import EnduranceResult
from benchkit.model.results_maps import Duty
from benchkit.model.results_thermal import ThermalLimits
from benchkit.model.stand import Stand

FloatArray = npt.NDArray[np.float64]

LEAST_THRUST_POINTS = 5


def mission_results(
    stand: Stand,
    balances: Sequence[PowerBalance],
    thrust: Sequence[StaticThrust],
    duty: Duty | None,
    thermal: Sequence[ThermalLimits] = (),
) -> tuple[tuple[EnduranceResult, ...], tuple[Finding, ...]]:
    """The mission of a duty, played; a finding says why it could not be, or what it does not say.

    Where the run gave thermal networks (``thermal``) they warm the parts that they describe, from their fitted limits;
    parts of the mission by other names warm by their one constant.
    """
    mission = None if duty is None else duty.mission
    if duty is None or mission is None:
        return (), ()
    rng = np.random.default_rng(1)
    try:
        loads = power_loads(stand, balances, thrust, duty, rng)
        battery = draw_battery(mission.battery, TRIALS, rng)
        found = play(mission, loads, battery, mission_thermal(mission, balances, thermal, TRIALS, rng))
    except UsageError as error:
        return (), (Finding("caution", "no_endurance", f"No endurance: {error}"),)
    findings = []
    if (mission.parts or thermal) and not found.hottest_c:
        text = (
            "The loads of the duty are given as power: its losses are not known, and nothing is said of temperatures."
        )
        findings.append(Finding("note", "no_mission_temperatures", text))
    return (found,), tuple(findings)


def power_loads(
    stand: Stand,
    balances: Sequence[PowerBalance],
    thrust: Sequence[StaticThrust],
    duty: Duty,
    rng: np.random.Generator,
) -> PowerLoads:
    """DC power and loss of every load by trial.

    Raises:
        UsageError: the run does not say what the loads take: no map, too few points with thrust, or loads outside.
    """
    mission = duty.mission
    assert mission is not None
    time_s = np.array(mission.time_s)
    if mission.kind == "power":
        P = np.tile(np.array(mission.loads)[:, None], (1, TRIALS))
        return PowerLoads(P, np.full(P.shape, np.nan), time_s)
    if mission.kind == "thrust":
        return _along_propeller(balances, thrust, mission, rng)
    n, T = np.array(duty.speed_rpm), np.array(duty.torque_nm)
    points = map_points(stand, [b.point for b in balances], ROLES["drive"])
    field = losses_over(fit_map(points, "drive"), "drive", n, T, joint=True)
    outside = ~np.isfinite(field.loss_w)
    if np.any(outside):
        listed = ", ".join(f"{a:g} rpm {b:g} N·m" for a, b in zip(n[outside], T[outside], strict=True))
        raise UsageError(f"loads lie outside the measured points: {listed}", remedy="Measure there.")
    values, vectors = np.linalg.eigh(field.variance)
    own = vectors * np.sqrt(np.maximum(values, 0.0)) @ rng.standard_normal((n.size, TRIALS))
    loss = field.loss_w[:, None] + own
    for shift in field.shifts.values():
        loss = loss + shift[:, None] * rng.standard_normal(TRIALS)[None, :]
    return PowerLoads(loss + (2.0 * math.pi / 60.0 * n * T)[:, None], loss, time_s)


def _along_propeller(
    balances: Sequence[PowerBalance], thrust: Sequence[StaticThrust], mission: Mission, rng: np.random.Generator
) -> PowerLoads:
    """Power and loss over the thrust of the propeller that turned: ``P = a + b T^1.5 + c T³`` (1) through the points.

    T^1.5 is what power goes with at constant coefficients. What all points share, the calibration of power and thrust,
    moves the whole curve.
    """
    by_point = {(b.point.stream, b.point.index): b for b in balances}
    rows = [
        (t.thrust_n, by_point[key])
        for t in thrust
        if (key := (t.point.stream, t.point.index)) in by_point and t.thrust_n.value > 0.0
    ]
    rows = [(t, b) for t, b in rows if b.dc_power_w.is_measured and b.drive_loss_w.is_measured]
    if len(rows) < LEAST_THRUST_POINTS:
        raise UsageError(
            "too few points with thrust and power", got=len(rows), expected=f"{LEAST_THRUST_POINTS} or more"
        )
    T = np.array([t.value for t, _ in rows])
    asked = np.array(mission.loads)
    low, high = float(T.min()), float(T.max())
    if np.any((asked < low) | (asked > high)):
        raise UsageError(
            "thrusts lie outside the measured points",
            got=", ".join(f"{a:g} N" for a in asked[(asked < low) | (asked > high)]),
            expected=f"{low:.4g} to {high:.4g} N",
            remedy="Measure there.",
        )
    by_thrust = float(np.median([1.5 * t.u / t.value for t, _ in rows])) * rng.standard_normal(TRIALS)
    power = _curve([b.dc_power_w for _, b in rows], T, asked, rng)
    loss = _curve([b.drive_loss_w for _, b in rows], T, asked, rng)
    return PowerLoads(power * (1.0 + by_thrust), loss * (1.0 + by_thrust), np.array(mission.time_s))


def _curve(estimates: Sequence[Estimate], T: FloatArray, asked: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Trials (loads, trials) of (1): coefficients by their covariance, and one common share by the stated u."""
    y = np.array([e.value for e in estimates])
    scale = float(T.max()) ** 1.5

    def design(thrust: FloatArray) -> FloatArray:
        s = thrust**1.5 / scale
        return np.stack([np.ones_like(s), s, s**2], axis=1)

    fit = fit_linear(design(T), y)
    values, vectors = np.linalg.eigh(fit.covariance)
    b = fit.parameters[:, None] + vectors * np.sqrt(np.maximum(values, 0.0)) @ rng.standard_normal((3, TRIALS))
    u_at = np.interp(asked, *_sorted(T, np.array([e.u for e in estimates])))
    return np.asarray(design(asked) @ b + u_at[:, None] * rng.standard_normal(TRIALS)[None, :])


def _sorted(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(x)
    return x[order], y[order]
