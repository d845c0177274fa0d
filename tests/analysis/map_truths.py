"""Loss surfaces whose truth is known, and runs that measure them: set-points, scatter, one calibration for the run.

Two kinds of truth: the simulated stand (its own equations and settled temperatures), and surfaces that no sum of the
terms of a loss model describes. Data are simulated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from benchkit.analysis.map_points import MapPoints
from benchkit.model.stand import Role, Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import settled

FloatArray = npt.NDArray[np.float64]
POINTS = 60
"""Points of one run: one in each of 10 x 6 fields of speed and torque."""
HELD_OUT = 40
OMEGA = 2.0 * math.pi / 60.0

SCATTER: Mapping[Role, float] = {
    Role.DC_VOLTAGE: 0.006,
    Role.DC_CURRENT: 0.007,
    Role.AC_POWER: 0.9,
    Role.SPEED: 0.05,
    Role.TORQUE: 0.015,
}
"""Standard deviation of the mean of a 20 s point of the simulated stand (white noise and wander of its sensors)."""


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """True operating points (m,): what one run picks from. ``field`` is the number of the field of a point."""

    speed: FloatArray
    torque: FloatArray
    drive_loss: FloatArray
    motor_loss: FloatArray
    voltage: FloatArray
    field: npt.NDArray[np.intp]


def _scattered(torque: tuple[float, float], per_field: int = 8) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """Places spread over 10 x 6 fields, ``per_field`` in each."""
    rng = np.random.default_rng(4)
    column, row = (x.ravel() for x in np.meshgrid(np.arange(10), np.arange(6)))
    column, row = np.repeat(column, per_field), np.repeat(row, per_field)
    n = 900.0 + 2500.0 * (column + rng.uniform(0, 1, column.size)) / 10
    T = torque[0] + (torque[1] - torque[0]) * (row + rng.uniform(0, 1, row.size)) / 6
    return n, T, (column * 6 + row).astype(np.intp)


@cache
def stand_of_maps() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


@cache
def stand_pool(low_nm: float = 20.0, high_nm: float = 130.0) -> Pool:
    """Settled points of the simulated stand."""
    drive = drive_of(stand_of_maps())
    n, T, field = _scattered((low_nm, high_nm))
    found = [settled(drive, float(a), float(b), Conditions())[0] for a, b in zip(n, T, strict=True)]
    return Pool(
        n,
        T,
        np.array([t.drive_loss_w for t in found]),
        np.array([t.motor_loss_w for t in found]),
        np.array([t.dc_voltage_v for t in found]),
        field,
    )


def _weakened(n: FloatArray, T: FloatArray) -> FloatArray:
    """Field weakening sets in at 2500 rpm with a kink: current that gives no torque."""
    beyond = np.maximum(n / 2500.0 - 1.0, 0.0)
    return 90.0 + 0.05 * n + 2.0 * T + 0.075 * T**2 + 900.0 * beyond * (1.0 + T / 130.0)


def _saturated(n: FloatArray, T: FloatArray) -> FloatArray:
    """Current rises faster than torque, iron loss with speed to the power of 1.6, friction with 0.7."""
    current = T * (1.0 + 0.2 * (T / 130.0) ** 4)
    return 60.0 + 250.0 * (n / 3000.0) ** 1.6 + 60.0 * (n / 3000.0) ** 0.7 + 0.085 * current**2 + 1.3 * current


def _two_frequencies(n: FloatArray, T: FloatArray) -> FloatArray:
    """The inverter raises its switching frequency between 1900 and 2300 rpm."""
    switched = 0.5 * (1.0 + np.tanh((n - 2100.0) / 200.0))
    return 80.0 + 0.08 * n + 0.06 * T**2 + (120.0 + 2.5 * T) * (1.0 + 0.5 * switched)


def _bump(n: FloatArray, T: FloatArray) -> FloatArray:
    """A resonance adds loss in one place."""
    base = 70.0 + 30.0 * (n / 1000.0) ** 1.5 + 0.07 * T**2 + 2.5 * T
    return base + 120.0 * np.exp(-(((n - 2200.0) / 500.0) ** 2) - ((T - 80.0) / 30.0) ** 2)


OTHER_FORMS: Mapping[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "field weakening with a kink": _weakened,
    "saturation and odd powers": _saturated,
    "two switching frequencies": _two_frequencies,
    "a resonance": _bump,
}


@cache
def other_pool(name: str) -> Pool:
    """Points of a surface that is not a sum of the terms of a loss model."""
    n, T, field = _scattered((20.0, 130.0))
    loss = OTHER_FORMS[name](n, T)
    return Pool(n, T, loss, 0.6 * loss, np.full(n.shape, 400.0), field)


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One run: what was measured, and the points of the pool that were not."""

    points: MapPoints
    picked: npt.NDArray[np.intp]
    held_out: npt.NDArray[np.intp]


def measure(pool: Pool, seed: int, calibrated: float = 1.0) -> Measured:
    """One point of each field with its scatter, all with the calibration errors that this run drew.

    ``calibrated`` scales these errors: 0 leaves the scatter alone, and what is stated stays the same.
    """
    stand = stand_of_maps()
    rng = np.random.default_rng([seed, 77])
    fields = np.unique(pool.field)
    picked = np.array([rng.choice(np.flatnonzero(pool.field == k)) for k in fields])
    rest = np.setdiff1d(np.arange(pool.speed.size), picked)
    held_out = rng.choice(rest, HELD_OUT, replace=False)
    n, T = pool.speed[picked], pool.torque[picked]
    shaft = OMEGA * n * T
    # what is left of a thermal approach: ±0.5 K of the winding change a loss by about a thousandth
    warm = 1.0 + 0.001 * rng.uniform(-1.0, 1.0, n.size)
    true = {
        Role.DC_VOLTAGE: pool.voltage[picked],
        Role.DC_CURRENT: (shaft + warm * pool.drive_loss[picked]) / pool.voltage[picked],
        Role.AC_POWER: shaft + warm * pool.motor_loss[picked],
        Role.SPEED: n,
        Role.TORQUE: T,
    }
    means: dict[Role, FloatArray] = {}
    common: dict[str, Mapping[Role, FloatArray]] = {}
    for role, value in true.items():
        accuracy = stand.channels[stand.roles[role]].calibration.accuracy
        gain, zero = calibrated * rng.standard_normal(2)
        seen = value * (1.0 + gain * accuracy.of_reading) + zero * accuracy.constant
        means[role] = seen + SCATTER[role] * rng.standard_normal(n.size)
        common[f"{role.value} gain"] = {role: accuracy.of_reading * means[role]}
        common[f"{role.value} zero"] = {role: np.full(n.size, accuracy.constant)}
    volts, amps = means[Role.DC_VOLTAGE], means[Role.DC_CURRENT]
    u_dc = np.hypot(SCATTER[Role.DC_CURRENT] * volts, SCATTER[Role.DC_VOLTAGE] * amps)
    u_shaft = OMEGA * np.hypot(SCATTER[Role.TORQUE] * n, SCATTER[Role.SPEED] * T)
    u_ac = np.full(n.shape, SCATTER[Role.AC_POWER])
    u_loss = {"drive": np.hypot(u_dc, u_shaft), "inverter": np.hypot(u_dc, u_ac), "motor": np.hypot(u_ac, u_shaft)}
    return Measured(MapPoints(means, u_loss, common), picked, held_out)
