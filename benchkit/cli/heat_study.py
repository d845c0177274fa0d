"""Is the loss of two ways together better than of either alone? Many simulated runs, each with its own errors of
calibration, mixture and conductances, taken through the same functions as recorded runs.

``python -m benchkit.cli.heat_study 100`` prints the study as JSON.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from benchkit.analysis.calorimetry import Row, heat_losses, rise_parts
from benchkit.analysis.coolant import U_PROPERTIES, coolant_density, coolant_specific_heat
from benchkit.analysis.uncertainty import combine, interval
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.results_heat import Calorimetry
from benchkit.model.stand import Coolant, Role, Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import Truth, settled

LOADS = ((1200.0, 40.0), (1200.0, 100.0), (2400.0, 40.0), (2400.0, 100.0), (3200.0, 60.0), (3200.0, 120.0))
"""Speed and torque of the points of one run."""
SCATTER_DOF = 20.0


@dataclass(frozen=True, slots=True)
class Point:
    """One settled load: what is true, temperatures of the bodies by channel [°C], and heat to air and coolant [W]."""

    truth: Truth
    temps_c: dict[str, float]
    coolant_w: float
    air_c: float


@cache
def _stand() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


@cache
def _settled_point(speed_rpm: float, torque_nm: float, inlet_c: float) -> Point:
    conditions = Conditions(inlet_c=inlet_c)
    truth, t = settled(drive_of(_stand()), speed_rpm, torque_nm, conditions)
    p = drive_of(_stand()).thermal
    air_w = p.stator_air_w_k * (t.stator_c - conditions.air_c) + p.case_air_w_k * (t.case_c - conditions.air_c)
    temps = {
        "winding_temp": t.winding_c, "stator_temp": t.stator_c, "magnet_temp": t.magnet_c, "case_temp": t.case_c,
        "coolant_inlet_temp": inlet_c,
    }  # fmt: skip
    return Point(truth, temps, truth.drive_loss_w - air_w, conditions.air_c)


def run(seed: int, *, warming_k_s: float = 0.002, torque_error_nm: float = 0.0) -> tuple[Calorimetry, list[Truth]]:
    """One run of six points and its truths. ``warming_k_s``: drift at the start of the run, dying out from point to
    point. ``torque_error_nm``: an error of torque that nobody states."""
    stand = _stand()
    coolant = stand.coolant
    assert coolant is not None
    rng = np.random.default_rng([seed, 83])
    gains = {name: rng.standard_normal(2) for name in stand.channels}
    glycol = coolant.glycol + coolant.u_glycol * float(rng.standard_normal())
    properties = 1.0 + U_PROPERTIES * float(rng.standard_normal())
    bodies = [
        (
            body.channel,
            max(body.air_w_per_k + body.u_air_w_per_k * float(rng.standard_normal()), 0.0),
            max(body.heat_j_per_k + body.u_heat_j_per_k * float(rng.standard_normal()), 0.0),
        )
        for body in coolant.bodies
    ]
    sensors = _sensor_errors(stand, coolant, rng)
    rows, truths = [], []
    for index, (speed, torque) in enumerate(LOADS):
        point = _settled_point(speed, torque, 40.0)
        truths.append(point.truth)
        drifts = {name: warming_k_s * math.exp(-index) * float(rng.uniform(0.5, 1.0)) for name, _, _ in bodies}
        air_w = sum(g * (point.temps_c[name] - point.air_c) for name, g, _ in bodies)
        stored_w = sum(c * drifts[name] for name, _, c in bodies)
        heat = point.truth.drive_loss_w - air_w - stored_w
        outlet = 40.0
        for _ in range(20):  # the outlet that carries this heat, with the properties that this mixture really has
            middle = 0.5 * (40.0 + outlet)
            capacity = float(coolant_density(middle, glycol) * coolant_specific_heat(middle, glycol)) * properties
            outlet = 40.0 + heat / (capacity * 8.0 / 60e3)
        true = {
            Role.DC_VOLTAGE: (point.truth.dc_voltage_v, 0.005), Role.DC_CURRENT: (point.truth.dc_current_a, 0.003),
            Role.SPEED: (speed, 0.03), Role.TORQUE: (torque, 0.01), Role.COOLANT_FLOW: (8.0, 0.004),
            Role.COOLANT_INLET_TEMP: (40.0, 0.005), Role.COOLANT_OUTLET_TEMP: (outlet, 0.005),
            Role.AIR_TEMP: (point.air_c, 0.02),
        }  # fmt: skip
        row: Row = {}
        for role, (value, scatter) in true.items():
            error = sensors.get(role, math.nan)
            extra = torque_error_nm if role is Role.TORQUE else 0.0
            row[role.value] = _mean(stand, stand.roles[role], value + extra, scatter, gains, rng, error)
        for name, _, _ in bodies:
            row[f"{name} temp"] = _mean(stand, name, point.temps_c[name], 0.02, gains, rng, math.nan)
            row[f"{name} drift"] = Estimate(drifts[name] + 1e-4 * float(rng.standard_normal()), 1e-4, "K/s")
        rows.append((OperatingPoint(index, "rack", 0, 10, 0.0, 10.0), row))
    return heat_losses(stand, coolant, rows), truths


def _sensor_errors(stand: Stand, coolant: Coolant, rng: np.random.Generator) -> dict[Role, float]:
    u_in, u_out = (
        stand.channels[stand.roles[role]].calibration.accuracy.standard_uncertainty(42.0)
        for role in (Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP)
    )
    both, apart = rise_parts(u_in, u_out, coolant.u_rise_k)
    c, d = both * float(rng.standard_normal()), apart * float(rng.standard_normal())
    return {Role.COOLANT_INLET_TEMP: c - 0.5 * d, Role.COOLANT_OUTLET_TEMP: c + 0.5 * d}


def _mean(
    stand: Stand,
    name: str,
    value: float,
    scatter: float,
    gains: dict[str, Any],
    rng: np.random.Generator,
    error: float,
) -> Estimate:
    accuracy = stand.channels[name].calibration.accuracy
    if math.isnan(error):
        error = float(gains[name][0]) * accuracy.of_reading * value + float(gains[name][1]) * accuracy.constant
    seen = value + error + scatter * float(rng.standard_normal())
    u = accuracy.standard_uncertainty(seen)
    return combine(seen, scatter, SCATTER_DOF, u, unit=stand.channels[name].unit, name=name)


def study(runs: int, first_seed: int = 1) -> dict[str, Any]:
    """Actual rms error and stated uncertainty of the loss by either way and by both, over all points of all runs."""
    ways = ("electrical", "calorimetric", "combined")
    errors: dict[str, list[float]] = {way: [] for way in ways}
    stated: dict[str, list[float]] = {way: [] for way in ways}
    inside: dict[str, list[bool]] = {way: [] for way in ways}
    eta_error, agree = [], 0
    for seed in range(first_seed, first_seed + runs):
        found, truths = run(seed)
        agree += found.p_value >= 0.05
        for loss, truth in zip(found.points, truths, strict=True):
            for way in ways:
                estimate: Estimate = getattr(loss, f"{way}_w")
                low, high = interval(estimate)
                errors[way].append(estimate.value - truth.drive_loss_w)
                stated[way].append(estimate.u)
                inside[way].append(low <= truth.drive_loss_w <= high)
            eta_error.append(loss.combined_efficiency.value - truth.drive_efficiency)
    return {
        "runs": runs,
        "rms_error_w": {way: float(np.sqrt(np.mean(np.square(errors[way])))) for way in ways},
        "stated_u_w": {way: float(np.sqrt(np.mean(np.square(stated[way])))) for way in ways},
        "inside_percent": {way: 100.0 * float(np.mean(inside[way])) for way in ways},
        "agree_percent": 100.0 * agree / runs,
        "rms_error_of_combined_efficiency_percent": 100.0 * float(np.sqrt(np.mean(np.square(eta_error)))),
    }


if __name__ == "__main__":
    print(json.dumps(study(int(sys.argv[1]) if len(sys.argv) > 1 else 100), indent=2))
