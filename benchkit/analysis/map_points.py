"""What a map is made of: operating points as arrays, their scatter, and the errors that all of them share.

Source: rules of this project; propagation after JCGM 100:2008.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchkit.analysis.power import INPUT_ROLES, RESULT_UNITS, propagate_balance
from benchkit.analysis.uncertainty import scatter_only
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]
Means = Mapping[Role, FloatArray]

LEAST_SPEED = 0.01
"""Points slower than this share of the motor's top speed are standstill: no map point."""
CONDITIONS: Mapping[Role, float] = {
    Role.WINDING_TEMP: 1.0,
    Role.MAGNET_TEMP: 1.0,
    Role.JUNCTION_TEMP: 1.0,
    Role.DC_VOLTAGE: 0.003,
}
"""Conditions of a point, and how far they must scatter about what is usual before a loss term is tried for them:
kelvin, and for the voltage a share of its mean."""
LEAST_FOR_CONDITIONS = 12
"""Points that it takes to tell what is usual at a load."""
_LOSS_INDEX = {"inverter": 3, "motor": 4, "drive": 5}


@dataclass(frozen=True, slots=True, eq=False)
class MapPoints:
    """Measured means by role (n,) in the order taken, scatter of the losses, and the errors common to the run.

    ``u_loss_w`` holds by subject the standard uncertainty of the loss from scatter alone (n,) [W]. ``common`` holds by
    name the shift of the means (by role) for one standard uncertainty of one cause. ``conditions`` holds by name how
    far each point was from the temperature or voltage usual at its load (n,) [K, or share of the mean voltage].
    ``other_rotation`` counts the points left out because the shaft turned the other way.
    """

    means: Means
    u_loss_w: Mapping[str, FloatArray]
    common: Mapping[str, Means]
    conditions: Mapping[str, FloatArray] = field(default_factory=dict)
    other_rotation: int = 0


def map_points(stand: Stand, points: Sequence[OperatingPoint], roles: Sequence[Role]) -> MapPoints:
    """Collect the operating points that carry all of ``roles``, are not at standstill and turn the usual way."""
    channels = {role: stand.channels[stand.roles[role]] for role in roles}
    slowest = LEAST_SPEED * stand.motor.max_speed_rpm
    moving: list[tuple[OperatingPoint, dict[Role, Estimate]]] = []
    for point in points:
        row = {role: point.means[c.name] for role, c in channels.items() if c.name in point.means}
        complete = len(row) == len(channels) and all(e.is_measured for e in row.values())
        if complete and abs(row[Role.SPEED].value) >= slowest:
            moving.append((point, row))
    forward = sum(row[Role.SPEED].value > 0.0 for _, row in moving)
    usual = 1.0 if 2 * forward >= len(moving) else -1.0
    kept = [(point, row) for point, row in moving if usual * row[Role.SPEED].value > 0.0]
    means = {role: np.array([row[role].value for _, row in kept]) for role in roles}
    scatter = np.array(
        [
            [e.u for e in propagate_balance({r: scatter_only(row[r], channels[r].name) for r in roles}).estimates]
            for _, row in kept
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
    conditions = _conditions(stand, [point for point, _ in kept], means)
    return MapPoints(means, u_loss, common, conditions, len(moving) - len(kept))


def losses_of(means: Means) -> dict[str, FloatArray]:
    """Losses by subject [W] (n,), as far as their powers are measured; NaN else."""
    missing = np.full(means[Role.SPEED].shape, np.nan)
    u, i, p_ac, n, T = (means.get(role, missing) for role in INPUT_ROLES)
    p_shaft = 2.0 * math.pi / 60.0 * n * T
    return {"inverter": u * i - p_ac, "motor": p_ac - p_shaft, "drive": u * i - p_shaft}


def off_usual(values: npt.ArrayLike, speed: npt.ArrayLike, torque: npt.ArrayLike) -> FloatArray:
    """``values`` less the parabola over speed and torque that fits them best (n,), in the unit of the values.

    That is what the load does not explain. A temperature that settles with the load goes with the map; only what is
    off that is a condition of its own.
    """
    y, n, T = (np.asarray(v, dtype=np.float64) for v in (values, speed, torque))
    a, b = n / (float(np.max(np.abs(n))) or 1.0), T / (float(np.max(np.abs(T))) or 1.0)
    X = np.stack([np.ones(a.size), a, b, a * b, a * a, b * b], axis=1)
    return np.asarray(y - X @ np.linalg.lstsq(X, y, rcond=None)[0])


def _conditions(stand: Stand, points: Sequence[OperatingPoint], means: Means) -> dict[str, FloatArray]:
    found: dict[str, FloatArray] = {}
    if len(points) < LEAST_FOR_CONDITIONS or Role.TORQUE not in means:  # over speed alone there are none to tell apart
        return found
    nowhere = Estimate(math.nan, math.nan, "")
    for role, least in CONDITIONS.items():
        channel = stand.channel_for(role)
        if channel is None:
            continue
        values = np.array([point.means.get(channel.name, nowhere).value for point in points])
        if not np.all(np.isfinite(values)):
            continue
        if role is Role.DC_VOLTAGE:
            values = values / float(np.mean(values)) if float(np.mean(values)) > 0.0 else values
        off = off_usual(values, means[Role.SPEED], means[Role.TORQUE])
        if float(np.std(off)) > least:
            found[role.value] = off
    return found
