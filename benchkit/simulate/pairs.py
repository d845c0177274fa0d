"""Simulated comparisons at the level of operating points: runs of two firmwares, with all that makes runs differ.

Losses are those of the simulated drive; what a bench adds is drawn: errors of calibration common to all runs of a
comparison, effects of the day, of the run, drift over the day, set-points missed by a little, scatter of the points.
One comparison takes milliseconds, so hundreds of them tell how often a verdict is right.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from math import pi

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.data import RestZero, RunData
from benchkit.analysis.compare.planning import order_of_days
from benchkit.model.calibration import GainOffset
from benchkit.model.stand import Role, Stand
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Drive, drive_of
from benchkit.simulate.truth import settled

FloatArray = npt.NDArray[np.float64]
SPEEDS_RPM = (1000.0, 1800.0, 2600.0, 3400.0)
TORQUES_NM = (25.0, 60.0, 95.0, 130.0)
POINT_S, WARM_UP_S = 60.0, 1200.0
_QUANTITIES = (
    "dc_voltage_v", "dc_current_a", "ac_power_w", "phase_current_a", "winding_c", "magnet_c", "junction_c",
)  # fmt: skip


class Hidden(StrEnum):
    """What is different on side B beside the firmware."""

    NOTHING = "nothing"
    COOLANT = "coolant 8 K warmer"
    BUS = "bus 5 % lower"
    CALIBRATION = "calibration changed"
    CALIBRATION_UNSAID = "torque gain 0.5 % off, not said"
    ZERO = "torque zero drifts"


@dataclass(frozen=True, slots=True)
class Bench:
    """Standard deviations of what makes runs differ (invented, of a size that is common on such benches)."""

    day_torque_gain: float = 2e-4
    day_current_gain: float = 1e-4
    day_zero_nm: float = 0.03
    run_zero_nm: float = 0.012
    run_loss: float = 0.004
    """Share of the loss: bearings, seals, current regulation of this start."""
    drift_nm_per_h: float = 0.02
    day_inlet_k: float = 0.5
    run_inlet_k: float = 0.15
    day_voltage: float = 1.5e-3
    run_voltage: float = 3e-4
    speed_rpm: float = 0.6
    torque_nm: float = 0.15
    point_current_a: float = 0.008
    point_voltage_v: float = 0.006
    point_ac_w: float = 1.5
    point_torque_nm: float = 0.012
    point_speed_rpm: float = 0.04
    point_temp_k: float = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class _Surface:
    """True quantities at the set-points (points, quantities) and their slopes: per rpm, N·m, K of inlet, share of U."""

    at: FloatArray
    slopes: FloatArray


def simulated_comparison(
    stand: Stand,
    seed: int,
    *,
    days: int = 3,
    planted: float = 0.0,
    hidden: Hidden = Hidden.NOTHING,
    bench: Bench | None = None,
    pattern: str = "ABBA",
) -> tuple[tuple[RunData, ...], tuple[RunData, ...]]:
    """Runs of side A and of side B.

    Args:
        stand: profile of the drive on the load machine; its accuracies are those of the calibrations.
        seed: everything that is drawn follows from it.
        days: blocks, each with ``pattern`` ("ABBA" turned round every other day).
        planted: share of the input power by which B loses more at every point (negative: less).
        hidden: what else is different on side B.
    """
    b, rng = bench or Bench(), np.random.default_rng([seed, 7])
    order = order_of_days(days, pattern, (WARM_UP_S + 18 * POINT_S) / 3600.0)
    drive = drive_of(stand)
    gain = {
        role: rng.standard_normal() * _accuracy(stand, role)
        for role in (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.SPEED, Role.TORQUE)
    }
    day = {
        name: rng.standard_normal(days) * sd
        for name, sd in (
            ("torque", b.day_torque_gain), ("current", b.day_current_gain), ("zero", b.day_zero_nm),
            ("drift", b.drift_nm_per_h), ("inlet", b.day_inlet_k), ("voltage", b.day_voltage),
        )
    }  # fmt: skip
    sides: tuple[list[RunData], list[RunData]] = ([], [])
    for k, is_b in enumerate(order.is_b.tolist()):
        d = int(order.block[k])
        effects = {name: float(values[d]) for name, values in day.items()}
        run = _run(
            stand, drive, rng, b, gain, effects, float(order.time_h[k]), float(order.time_h[order.block == d].mean()),
            label=f"{'B' if is_b else 'A'}{len(sides[is_b]) + 1}",
            planted=planted if is_b else 0.0,
            hidden=hidden if is_b else Hidden.NOTHING,
        )  # fmt: skip
        sides[is_b].append(run)
    return tuple(sides[0]), tuple(sides[1])


def _run(
    stand: Stand,
    drive: Drive,
    rng: np.random.Generator,
    b: Bench,
    gain: Mapping[Role, float],
    day: Mapping[str, float],
    start_h: float,
    middle_h: float,
    *,
    label: str,
    planted: float,
    hidden: Hidden,
) -> RunData:
    points = [(n, t) for i, n in enumerate(SPEEDS_RPM) for t in (TORQUES_NM if i % 2 == 0 else TORQUES_NM[::-1])]
    reference = 5
    visits = np.array([reference, *range(len(points)), reference])
    surface = _surface(drive, hidden is Hidden.COOLANT, hidden is Hidden.BUS)
    count = visits.size
    n = np.array([points[v][0] for v in visits]) + b.speed_rpm * rng.standard_normal(count)
    torque = np.array([points[v][1] for v in visits]) + b.torque_nm * rng.standard_normal(count)
    off = np.stack([
        n - [points[v][0] for v in visits],
        torque - [points[v][1] for v in visits],
        np.full(count, day["inlet"] + b.run_inlet_k * rng.standard_normal()),
        np.full(count, day["voltage"] + b.run_voltage * rng.standard_normal()),
    ], axis=1)  # fmt: skip
    true = surface.at[visits] + np.einsum("pqs,ps->pq", surface.slopes[visits], off)
    q = {name: true[:, i] for i, name in enumerate(_QUANTITIES)}
    shaft = 2.0 * pi / 60.0 * n * torque
    loss = q["dc_voltage_v"] * q["dc_current_a"] - shaft
    extra = planted * q["dc_voltage_v"] * q["dc_current_a"] + b.run_loss * rng.standard_normal() * loss
    dc_true = shaft + loss + extra
    ac_true = q["ac_power_w"] + (extra - planted * q["dc_voltage_v"] * q["dc_current_a"])
    time_h = start_h + (WARM_UP_S + POINT_S * (np.arange(count) + 0.5)) / 3600.0
    moved = 0.35 * np.linspace(0.0, 1.0, count) if hidden is Hidden.ZERO else np.zeros(count)
    zero = day["zero"] + day["drift"] * (time_h - middle_h) + b.run_zero_nm * rng.standard_normal()
    torque_gain = (
        (1.0 + gain[Role.TORQUE]) * (1.0 + day["torque"]) * (1.005 if hidden is Hidden.CALIBRATION_UNSAID else 1.0)
    )

    def read(values: FloatArray, share: float, sd: float) -> FloatArray:
        return np.asarray(values * (1.0 + share) + sd * rng.standard_normal(count))

    voltage = read(q["dc_voltage_v"], gain[Role.DC_VOLTAGE], b.point_voltage_v)
    current = read(dc_true / q["dc_voltage_v"], gain[Role.DC_CURRENT] + day["current"], b.point_current_a)
    ac = read(ac_true, gain[Role.AC_POWER], b.point_ac_w)
    speed = read(n, gain[Role.SPEED], b.point_speed_rpm)
    read_torque = read(torque, torque_gain - 1.0, b.point_torque_nm) + zero + moved
    dc, read_shaft = voltage * current, 2.0 * pi / 60.0 * speed * read_torque
    u_dc = np.hypot(voltage * b.point_current_a, current * b.point_voltage_v)
    u_shaft = 2.0 * pi / 60.0 * np.hypot(speed * b.point_torque_nm, read_torque * b.point_speed_rpm)
    inlet = np.full(count, 40.0 + (8.0 if hidden is Hidden.COOLANT else 0.0)) + off[:, 2]
    firmware = "C.02" if label.startswith("B") else "B.14"
    own = replace(
        stand,
        inverter=replace(
            stand.inverter, firmware_revision=firmware, firmware_sha256=hashlib.sha256(firmware.encode()).hexdigest()
        ),
    )
    if hidden is Hidden.CALIBRATION:
        own = _recalibrated(own, Role.TORQUE, 1.0008)
    zero_u = 0.01
    ends = zero + moved
    zeros = tuple(
        RestZero(float(ends[i] + zero_u * rng.standard_normal()), zero_u, float(time_h[i]) * 3600.0) for i in (0, -1)
    )
    temp = b.point_temp_k * rng.standard_normal((4, count))
    return RunData(
        label=label,
        stand=own,
        software="simulated",
        time_s=np.asarray(time_h * 3600.0, dtype=np.float64),
        speed_rpm=speed,
        torque_nm=read_torque,
        input_w=dc,
        loss_w={"drive": dc - read_shaft, "inverter": dc - ac, "motor": ac - read_shaft},
        u_loss_w={
            "drive": np.hypot(u_dc, u_shaft),
            "inverter": np.hypot(u_dc, b.point_ac_w),
            "motor": np.hypot(u_shaft, b.point_ac_w),
        },
        conditions={
            Role.WINDING_TEMP: q["winding_c"] + temp[0],
            Role.MAGNET_TEMP: q["magnet_c"] + temp[1],
            Role.JUNCTION_TEMP: q["junction_c"] + temp[2],
            Role.COOLANT_INLET_TEMP: inlet + temp[3],
            Role.DC_VOLTAGE: voltage,
            Role.PHASE_CURRENT: q["phase_current_a"] + 0.01 * rng.standard_normal(count),
        },
        zeros=zeros,
    )


def _accuracy(stand: Stand, role: Role) -> float:
    channel = stand.channel_for(role)
    return 0.0 if channel is None else channel.calibration.accuracy.of_reading


def _recalibrated(stand: Stand, role: Role, by: float) -> Stand:
    """The stand with the calibration of one channel changed, as its profile would say."""
    name = stand.roles[role]
    channel = stand.channels[name]
    curve = channel.calibration.curve
    assert isinstance(curve, GainOffset)
    changed = replace(
        channel, calibration=replace(channel.calibration, curve=GainOffset(curve.gain * by, curve.offset))
    )
    return replace(stand, channels={**stand.channels, name: changed})


@cache
def _surface(drive: Drive, warm: bool, low_bus: bool) -> _Surface:
    base = Conditions(inlet_c=48.0 if warm else 40.0)
    steps = (5.0, 1.0, 1.0, 0.005)
    rows, slopes = [], []
    for i, n in enumerate(SPEEDS_RPM):
        for t in TORQUES_NM if i % 2 == 0 else TORQUES_NM[::-1]:
            args = np.array([n, t, 0.0, 0.95 - 1.0 if low_bus else 0.0])
            at = _true(drive, base, args)
            rows.append(at)
            slopes.append(
                np.stack(
                    [
                        (_true(drive, base, args + e) - _true(drive, base, args - e)) / (2.0 * e.sum())
                        for e in np.diag(steps)
                    ],
                    axis=1,
                )
            )
    return _Surface(np.array(rows), np.array(slopes))


def _true(drive: Drive, base: Conditions, args: FloatArray) -> FloatArray:
    n, t, warmer, bus = (float(v) for v in args)
    supply = replace(drive.supply, open_circuit_v=drive.supply.open_circuit_v * (1.0 + bus))
    truth, _ = settled(replace(drive, supply=supply), n, t, replace(base, inlet_c=base.inlet_c + warmer))
    return np.array([getattr(truth, name) for name in _QUANTITIES])
