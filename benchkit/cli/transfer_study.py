"""Do losses that were separated on the small motor hold on the big one? Many simulated transfers, each with its own
inverter, its own calibration errors and its own noise, taken through the same functions as recorded runs.

``python -m benchkit.cli.transfer_study 200`` prints the study as JSON.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from benchkit.analysis.loss_terms import CURRENT, FREQUENCY, INVERTER, SWITCHING, VOLTAGE, LossData, separate_losses
from benchkit.analysis.transfer import COOLANT, check_transfer, predict
from benchkit.analysis.transfer_data import joined, loss_data
from benchkit.analysis.uncertainty import combine
from benchkit.model.results import OperatingPoint
from benchkit.model.stand import Role, Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate import inverter as inv
from benchkit.simulate import pmsm
from benchkit.simulate.drives import Drive, InverterParameters, drive_of
from benchkit.simulate.thermal import Heat
from benchkit.simulate.thermal import steady as settled_temperatures
from benchkit.simulate.truth import truth_at

SMALL_SHARE = 0.4
"""Largest current of the small campaign over the rated current of the big motor."""
SCATTER = (0.6, 5e-5)
"""Scatter of a mean power [W, share of the power], about that of 20 s of the simulated stand."""
SCATTER_DOF = 20.0
AIR_C = 21.5
FREQUENCIES, VOLTAGES = (8_000.0, 16_000.0), (340.0, 400.0)


@dataclass(frozen=True, slots=True)
class Rig:
    """One stand of one transfer: its drive, the true exponent of its inverter, and errors by channel (gain, zero)."""

    stand: Stand
    drive: Drive
    exponent: float
    errors: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class TrueState:
    """What is true at one point."""

    current_a: float
    voltage_v: float
    frequency_hz: float
    junction_c: float
    coolant_c: tuple[float, float]
    ac_power_w: float
    loss_w: float
    speed_rpm: float
    torque_nm: float


@cache
def _stand(name: str) -> Stand:
    return load_stand(shared_path("stands", name)).stand


def drawn_inverter(rng: np.random.Generator) -> tuple[InverterParameters, float]:
    """An inverter of its own, and the exponent of its switching loss over voltage. A third has no ``e_2``."""
    base = drive_of(_stand("airboat_small.toml")).inverter
    part = {
        name: getattr(base, name) * float(rng.uniform(0.5, 1.6))
        for name in ("standing_w", "conduction_v", "conduction_ohm", "conduction_per_k", "switching_0_w")
    }
    part["switching_1_w_per_a"] = base.switching_1_w_per_a * float(rng.uniform(0.5, 1.4))
    part["switching_2_w_per_a2"] = base.switching_2_w_per_a2 * float(rng.choice([0.0, 1.0, 2.0]))
    return replace(base, **part), float(rng.uniform(1.0, 1.4))


def rig(name: str, inverter: InverterParameters, exponent: float, errors: Mapping[str, tuple[float, float]]) -> Rig:
    """The stand of that profile with that inverter."""
    stand = _stand(name)
    return Rig(stand, replace(drive_of(stand), inverter=inverter), exponent, errors)


def drawn_errors(rng: np.random.Generator) -> dict[str, tuple[float, float]]:
    """One gain and one zero error for each channel, as its accuracy in the profile says."""
    found = {}
    for name, channel in _stand("airboat_small.toml").channels.items():
        accuracy = channel.calibration.accuracy
        gain, zero = rng.standard_normal(2)
        found[name] = (float(gain) * accuracy.of_reading, float(zero) * accuracy.constant)
    return found


def loaded(
    r: Rig, speed_rpm: float, torque_nm: float, voltage_v: float, frequency_hz: float, inlet_c: float
) -> TrueState:
    """The motor driving the load machine, temperatures settled."""
    # truth_at goes with the voltage itself: what U^k makes of it goes into the coefficients
    at_voltage = (voltage_v / inv.REFERENCE_V) ** (r.exponent - 1.0)
    i = r.drive.inverter
    inverter = replace(
        i,
        switching_frequency_hz=frequency_hz,
        switching_0_w=i.switching_0_w * at_voltage,
        switching_1_w_per_a=i.switching_1_w_per_a * at_voltage,
        switching_2_w_per_a2=i.switching_2_w_per_a2 * at_voltage,
    )
    drive = replace(r.drive, inverter=inverter)
    winding = magnet = junction = inlet_c
    for _ in range(6):
        truth = truth_at(
            drive, speed_rpm, torque_nm, winding_c=winding, magnet_c=magnet, junction_c=junction, dc_voltage_v=voltage_v
        )
        t = settled_temperatures(drive.thermal, truth.heat, inlet_c, 8.0, AIR_C)
        winding, magnet, junction = t.winding_c, t.magnet_c, t.junction_c
    return TrueState(
        truth.phase_current_a, voltage_v, frequency_hz, truth.junction_c, (inlet_c, t.coolant_c), truth.ac_power_w,
        truth.inverter_loss_w, speed_rpm, torque_nm,
    )  # fmt: skip


def locked(r: Rig, current_a: float, voltage_v: float, frequency_hz: float, inlet_c: float) -> TrueState:
    """Current without power: a rotor that does not turn (or inductors, or current against the magnets)."""
    motor, thermal = r.drive.motor, r.drive.thermal
    inverter = replace(r.drive.inverter, switching_frequency_hz=frequency_hz)
    winding = junction = inlet_c
    for _ in range(6):
        copper = 3.0 * pmsm.copper_resistance(motor.resistance_20_ohm, winding) * current_a**2
        p_0, p_1 = inv.loss_terms(inverter, current_a, junction)
        loss = p_0 + p_1 * inv.REFERENCE_V * (voltage_v / inv.REFERENCE_V) ** r.exponent
        t = settled_temperatures(thermal, Heat(copper, 0.0, 0.0, loss, inverter.standing_w), inlet_c, 8.0, AIR_C)
        winding, at_loss, junction = t.winding_c, junction, t.junction_c
    return TrueState(current_a, voltage_v, frequency_hz, at_loss, (inlet_c, t.coolant_c), copper, loss, 0.0, 0.0)


def measured(r: Rig, states: list[TrueState], rng: np.random.Generator, prefix: str) -> LossData:
    """The states as the stand measures them: errors of its instruments, scatter, means with their uncertainty."""
    parts = []
    for frequency in dict.fromkeys(s.frequency_hz for s in states):
        stand = replace(r.stand, inverter=replace(r.stand.inverter, switching_frequency_hz=frequency))
        points = [
            _point(r, stand, index, state, rng) for index, state in enumerate(states) if state.frequency_hz == frequency
        ]
        parts.append(loss_data(stand, points, prefix=prefix))
    return joined(parts)


def _point(r: Rig, stand: Stand, index: int, s: TrueState, rng: np.random.Generator) -> OperatingPoint:
    power = s.ac_power_w + s.loss_w
    watts = math.hypot(SCATTER[0], SCATTER[1] * power)
    values = {
        Role.DC_VOLTAGE: (s.voltage_v, 0.002), Role.DC_CURRENT: (power / s.voltage_v, 0.7 * watts / s.voltage_v),
        Role.AC_POWER: (s.ac_power_w, 0.7 * watts), Role.PHASE_CURRENT: (s.current_a, 2e-4 * s.current_a),
        Role.JUNCTION_TEMP: (s.junction_c, 0.05), Role.SPEED: (s.speed_rpm, 0.05), Role.TORQUE: (s.torque_nm, 0.01),
        Role.COOLANT_INLET_TEMP: (s.coolant_c[0], 0.02), Role.COOLANT_OUTLET_TEMP: (s.coolant_c[1], 0.02),
    }  # fmt: skip
    means = {}
    for role, (value, scatter) in values.items():
        channel = stand.channels[stand.roles[role]]
        gain, zero = r.errors[channel.name]
        seen = value * (1.0 + gain) + zero + scatter * float(rng.standard_normal())
        u = channel.calibration.accuracy.standard_uncertainty(seen)
        means[channel.name] = combine(seen, scatter, SCATTER_DOF, u, unit=channel.unit, name=channel.name)
    return OperatingPoint(index, "rack", 0, 10, 0.0, 10.0, means)


def small_campaign(r: Rig) -> list[TrueState]:
    """The runs on the small motor: loaded at two speeds, and current without power up to the largest."""
    largest = SMALL_SHARE * _stand("airboat_map.toml").motor.rated_current_a
    states = []
    for frequency in FREQUENCIES:
        for voltage in VOLTAGES:
            states += [
                locked(r, share * largest, voltage, frequency, inlet)
                for inlet in (20.0, 55.0)
                for share in (0.2, 0.45, 0.75, 1.0)
            ]
            states += [
                loaded(r, speed, torque, voltage, frequency, 40.0) for speed, torque in ((1000.0, 12.0), (1800.0, 35.0))
            ]
    return states


BIG_LOADS = ((2200.0, 80.0, 400.0, 16_000.0), (2600.0, 120.0, 390.0, 16_000.0), (3000.0, 155.0, 380.0, 12_000.0))
"""Speed, torque, voltage and frequency of the loads of the big motor; the last has 2.4 times the measured current."""


def transfer(seed: int) -> dict[str, Any]:
    """One transfer: is the truth of each load inside its interval, how wide is that, and is the poor model refused?"""
    rng = np.random.default_rng([seed, 67])
    inverter, exponent = drawn_inverter(rng)
    small = rig("airboat_small.toml", inverter, exponent, drawn_errors(rng))
    big = rig("airboat_map.toml", inverter, exponent, drawn_errors(rng))
    data = measured(small, small_campaign(small), rng, "small ")
    separated = separate_losses(data, seed=seed)
    poor = separate_losses(data, [name for name in INVERTER if name not in SWITCHING], draws=0 + 10)
    truths = [loaded(big, *load, 50.0) for load in BIG_LOADS]
    loads = {
        CURRENT: np.array([t.current_a for t in truths]), VOLTAGE: np.array([t.voltage_v for t in truths]),
        FREQUENCY: np.array([t.frequency_hz for t in truths]),
        COOLANT: np.array([0.5 * sum(t.coolant_c) for t in truths]),
    }  # fmt: skip
    predicted = predict(separated, loads)
    first_run = check_transfer(separated, measured(big, truths, rng, "big "))
    intervals = [p.loss_w.interval95 or (math.nan, math.nan) for p in predicted]
    return {
        "inside": [low <= t.loss_w <= high for (low, high), t in zip(intervals, truths, strict=True)],
        "half_width": [0.5 * (high - low) / t.loss_w for (low, high), t in zip(intervals, truths, strict=True)],
        "error": [p.loss_w.value / t.loss_w - 1.0 for p, t in zip(predicted, truths, strict=True)],
        "extrapolated": [p.is_extrapolated for p in predicted],
        "current": [t.current_a for t in truths],
        "poor_refused": poor.is_refused,
        "full_refused": separated.is_refused,
        "run_agrees": first_run.agrees,
        "at_bound": int(separated.fit.at_bound.sum()),
    }


def study(transfers: int, first_seed: int = 1, progress: Callable[[], None] | None = None) -> dict[str, Any]:
    """Shares over ``transfers`` seeded transfers."""
    rows = []
    for seed in range(first_seed, first_seed + transfers):
        rows.append(transfer(seed))
        if progress:
            progress()
    inside = np.array([row["inside"] for row in rows])
    width, error = (np.array([row[name] for row in rows]) for name in ("half_width", "error"))
    return {
        "transfers": transfers,
        "currents_a": np.mean([row["current"] for row in rows], axis=0).round(1).tolist(),
        "inside_percent": (100.0 * inside.mean(axis=0)).tolist(),
        "median_half_width_percent": (100.0 * np.median(width, axis=0)).tolist(),
        "rms_error_percent": (100.0 * np.sqrt(np.mean(error**2, axis=0))).tolist(),
        "without_switching_refused_percent": 100.0 * float(np.mean([row["poor_refused"] for row in rows])),
        "full_model_refused_percent": 100.0 * float(np.mean([row["full_refused"] for row in rows])),
        "first_run_agrees_percent": 100.0 * float(np.mean([row["run_agrees"] for row in rows])),
        "all_marked_extrapolated": bool(np.all([row["extrapolated"][-1] for row in rows])),
        "with_a_term_at_its_bound_percent": 100.0 * float(np.mean([row["at_bound"] > 0 for row in rows])),
    }


if __name__ == "__main__":
    print(json.dumps(study(int(sys.argv[1]) if len(sys.argv) > 1 else 200), indent=2))
