"""Benches on which a map is measured point by point: true losses, scatter, the time and the heat of each point.

Drives are those of the simulated stand with their parameters drawn anew, or the other forms of ``map_truths``. Time is
that of a bench run by common practice (no source): the load follows a ramp, what is left of the thermal approach has to
settle, then the point is taken; a winding that would get too hot rests first. Data are simulated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from benchkit.analysis.efficiency_map import MapFit, fit_map
from benchkit.analysis.map_certainty import Watched, looked, verdict
from benchkit.analysis.map_points import MapPoints
from benchkit.analysis.next_point import FIRST_POINTS, Places, first_points, next_point
from benchkit.model.stand import Role
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import truth_at
from tests.analysis.map_truths import OMEGA, OTHER_FORMS, SCATTER, stand_of_maps

FloatArray = npt.NDArray[np.float64]
Loss = Callable[[FloatArray, FloatArray], FloatArray]
SPEEDS, TORQUES = (900.0, 3400.0), (20.0, 130.0)
COOLANT_C, LIMIT_C = 30.0, 140.0
DWELL_S = 20.0
VOLTAGE = 400.0


def grid(columns: int, rows: int) -> Places:
    """Places over the whole envelope, line by line, there and back (there are no two far ones in a row)."""
    n, T = np.linspace(*SPEEDS, columns), np.linspace(*TORQUES, rows)
    lines = [(n if k % 2 == 0 else n[::-1], np.full(columns, torque)) for k, torque in enumerate(T)]
    return Places(np.concatenate([a for a, _ in lines]), np.concatenate([b for _, b in lines]))


NODES, ASKED, EVEN = grid(17, 13), grid(26, 18), grid(10, 6)


@dataclass
class Bench:
    """One drive on its stand. ``measure`` goes to a set-point and takes it; ``minutes`` is what has gone by."""

    seed: int
    form: str = ""
    minutes: float = 0.0
    winding_c: float = COOLANT_C
    at: tuple[float, float] = (0.0, 0.0)
    rows: list[dict[Role, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 55])
        self.loss = _drawn_form(self.form, rng) if self.form else _drawn_drive(rng)
        self.k_per_w, self.tau_s = rng.uniform(0.05, 0.075), rng.uniform(120.0, 300.0)
        self._rng = rng

    def cost(self, to: Places) -> tuple[FloatArray, FloatArray]:
        """Minutes and heating [K] of a point at each place from here (k,), by the drive's own losses."""
        moving = np.abs(to.speed_rpm - self.at[0]) / 200.0 + np.abs(to.torque_nm - self.at[1]) / 20.0
        end = COOLANT_C + self.k_per_w * self.loss(to.speed_rpm, to.torque_nm)
        # who stays where they are has settled: a second point costs its dwell alone
        settling = (moving > 0.0) * (10.0 + 15.0 * np.log(np.maximum(1.0, np.abs(end - self.winding_c) / 5.0)))
        busy = settling + DWELL_S
        after = end + (self.winding_c - end) * np.exp(-busy / self.tau_s)
        # rest without load until the winding stays below its limit to the end of the dwell
        start = end + (LIMIT_C - end) * np.exp(busy / self.tau_s)
        with np.errstate(divide="ignore", invalid="ignore"):
            rest = self.tau_s * np.log((self.winding_c - COOLANT_C) / (start - COOLANT_C))
        rest = np.where(after > LIMIT_C, np.maximum(np.nan_to_num(rest), 0.0), 0.0)
        after = np.minimum(after, LIMIT_C)
        return (moving + busy + rest) / 60.0, after - self.winding_c

    def allowed(self, to: Places) -> Places:
        """The places that the winding can be brought to at all."""
        end = COOLANT_C + self.k_per_w * self.loss(to.speed_rpm, to.torque_nm)
        can = end + (COOLANT_C - end) * np.exp(-120.0 / self.tau_s) < LIMIT_C
        return Places(to.speed_rpm[can], to.torque_nm[can])

    def measure(self, n: float, T: float) -> None:
        """Go there, wait, take the point."""
        minutes, heating = self.cost(Places(np.array([n]), np.array([T])))
        self.minutes += float(minutes[0])
        self.winding_c += float(heating[0])
        if (n, T) != self.at:  # what is left of the approach stays with the stay
            self._warm = 1.0 + 0.001 * self._rng.uniform(-1.0, 1.0)
        self.at = (n, T)
        loss = float(self.loss(np.array([n]), np.array([T]))[0]) * self._warm
        true = {
            Role.DC_VOLTAGE: VOLTAGE,
            Role.DC_CURRENT: (OMEGA * n * T + loss) / VOLTAGE,
            Role.AC_POWER: OMEGA * n * T + 0.6 * loss,
            Role.SPEED: n,
            Role.TORQUE: T,
        }
        self.rows.append({role: value + SCATTER[role] * self._rng.standard_normal() for role, value in true.items()})

    @property
    def points(self) -> MapPoints:
        """What has been measured, as a map takes it; calibration is left out: no point lowers it."""
        means = {role: np.array([row[role] for row in self.rows]) for role in self.rows[0]}
        volts, amps, n, T = (means[r] for r in (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.SPEED, Role.TORQUE))
        u_dc = np.hypot(SCATTER[Role.DC_CURRENT] * volts, SCATTER[Role.DC_VOLTAGE] * amps)
        u_shaft = OMEGA * np.hypot(SCATTER[Role.TORQUE] * n, SCATTER[Role.SPEED] * T)
        u_ac = np.full(n.shape, SCATTER[Role.AC_POWER])
        u = {"drive": np.hypot(u_dc, u_shaft), "inverter": np.hypot(u_dc, u_ac), "motor": np.hypot(u_ac, u_shaft)}
        return MapPoints(means, u, {})

    def fit(self) -> MapFit:
        """The map of the drive so far."""
        return fit_map(self.points, "drive")

    def error(self, over: Places) -> float:
        """Root mean square of what the map's efficiency is off the truth [1]."""
        from benchkit.analysis import surface as smooth
        from benchkit.analysis.efficiency_map import places_of
        from benchkit.analysis.losses import design_at

        part = self.fit().parts["drive"]
        X, P = (
            design_at(part.fit.model, over.speed_rpm, over.torque_nm),
            places_of(over.speed_rpm, over.torque_nm, part.span),
        )
        shaft = OMEGA * over.speed_rpm * over.torque_nm
        true = shaft / (shaft + self.loss(over.speed_rpm, over.torque_nm))
        return float(np.sqrt(np.mean((shaft / (shaft + smooth.mean_at(part.surface, X, P)) - true) ** 2)))


PARTS: Mapping[str, tuple[str, ...]] = {
    "motor": ("resistance_20_ohm", "hysteresis_per_h", "eddy_s_per_h", "coulomb_nm", "viscous_nms", "windage_nms2"),
    "inverter": ("standing_w", "conduction_v", "conduction_ohm", "switching_0_w", "switching_1_w_per_a"),
}
"""What differs from drive to drive, each by a factor of its own."""


def _drawn_drive(rng: np.random.Generator) -> Loss:
    """A drive of the kind of the simulated stand, by its equations, at one temperature of its parts."""
    drive = drive_of(stand_of_maps())
    changed = {}
    for part, names in PARTS.items():
        of = getattr(drive, part)
        changed[part] = replace(of, **{name: getattr(of, name) * rng.uniform(0.6, 1.6) for name in names})
    drawn = replace(drive, **changed)

    @cache
    def at(n: float, T: float) -> float:
        return truth_at(drawn, n, T, winding_c=80.0, magnet_c=60.0, junction_c=70.0).drive_loss_w

    return lambda n, T: np.array([at(float(a), float(b)) for a, b in zip(n, T, strict=True)])


def _drawn_form(name: str, rng: np.random.Generator) -> Loss:
    """A loss that is no sum of the terms of a loss model, its size and the place of its bend drawn."""
    size, shift = rng.uniform(0.7, 1.4), rng.uniform(0.9, 1.1)
    return lambda n, T: np.asarray(size * OTHER_FORMS[name](n * shift, T))


def walk(bench: Bench, order: Places, wanted: float = math.inf) -> Bench:
    """Measure the places in their order, to the end or until the map is as certain as wanted."""
    rule = _Rule(wanted, order)
    for k in range(len(order)):
        bench.measure(float(order.speed_rpm[k]), float(order.torque_nm[k]))
        if math.isfinite(wanted) and k + 1 >= FIRST_POINTS and rule.is_met(bench):
            break
    return bench


def adapt(bench: Bench, wanted: float, most: int = 120) -> Bench:
    """Measure where it is worth most, until the map is as certain as wanted."""
    asked = bench.allowed(ASKED)
    rule = _Rule(wanted, asked)
    first = first_points(asked)
    while first:  # the nearest in time of those that are left
        here = Places(asked.speed_rpm[first], asked.torque_nm[first])
        k = first.pop(int(np.argmin(bench.cost(here)[0])))
        bench.measure(float(asked.speed_rpm[k]), float(asked.torque_nm[k]))
    while not rule.is_met(bench) and len(bench.rows) < most:
        assert rule.watched is not None
        # a kelvin costs the rest that takes it off again, near the limit
        price = bench.tau_s / (LIMIT_C - COOLANT_C) / 60.0
        chosen = next_point(rule.watched.fit, "drive", NODES, asked, *bench.cost(asked), price)
        bench.measure(chosen.speed_rpm, chosen.torque_nm)
    return bench


class _Rule:
    """When to stop: looks at the map after each point."""

    def __init__(self, wanted: float, asked: Places) -> None:
        self._wanted, self._asked = wanted, asked
        self.watched: Watched | None = None

    def is_met(self, bench: Bench) -> bool:
        self.watched = looked(self.watched, "drive", NODES, bench.points)
        return verdict(self.watched, self._wanted, self._asked).is_certain
