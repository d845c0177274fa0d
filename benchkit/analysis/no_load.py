"""No-load losses by their way with speed, and the inertia from a coast-down.

As torques: dry friction and hysteresis do not change with speed (power ~ n), viscous friction and eddy currents rise
with it (power ~ n²), windage with its square (power ~ n³). One sweep of speed therefore gives three sums, never five
parts: **hysteresis cannot be told from dry friction, nor eddy currents from viscous friction, by speed alone.** They
come apart by flux, which only the iron part feels (with its square): either from runs with warm and cold magnets, or
from a run with a rotor without magnets.

Source: equation of motion of the shaft; separation by powers of the speed is common practice (no single source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_linear, fit_nonlinear
from benchkit.analysis.uncertainty import correlation_time
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate

FloatArray = npt.NDArray[np.float64]

RPM = 2.0 * math.pi / 60.0
SUMS = ("hysteresis and dry friction", "eddy currents and viscous friction", "windage")
PARTS = ("dry friction", "viscous friction", "windage", "hysteresis", "eddy currents")
POWERS = (0, 1, 2, 0, 1)
"""Power of the angular speed in the torque of each part."""
RESOLVED = 2.0
"""A part is told apart where it is more than so many standard uncertainties from zero."""
MOST_COUPLED = 300.0
"""Largest variance inflation that still counts as told apart: what the model leaves out is then blown up less than
twenty times (rule of this project; a sweep over a decade of speed has about 60)."""


@dataclass(frozen=True, slots=True)
class LossPart:
    """One term of the drag: torque ``coefficient · w^power``, w in rad/s [N·m (s/rad)^power]."""

    name: str
    power: int
    coefficient: Estimate
    inflation: float
    """Variance inflation: 1 where the other terms do not look like this one."""

    @property
    def is_identified(self) -> bool:
        """True where the data tell this term from zero and from the others."""
        return abs(self.coefficient.value) > RESOLVED * self.coefficient.u and self.inflation < MOST_COUPLED


@dataclass(frozen=True, slots=True, eq=False)
class NoLoad:
    """Drag torque over speed, as a sum of parts, at flux ratio 1 (that of the reference)."""

    parts: tuple[LossPart, ...]
    fit: Fit

    def torque_nm(self, speed_rpm: npt.ArrayLike, flux_ratio: float = 1.0) -> FloatArray:
        """Drag [N·m] at speeds [rpm]."""
        return np.asarray(self._design(speed_rpm, flux_ratio) @ self.fit.parameters)

    def u_torque_nm(self, speed_rpm: npt.ArrayLike, flux_ratio: float = 1.0) -> FloatArray:
        """Its standard uncertainty [N·m] from the fit, correlations of the terms counted."""
        x = self._design(speed_rpm, flux_ratio)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", x, self.fit.covariance, x)))

    def power_w(self, speed_rpm: npt.ArrayLike) -> dict[str, FloatArray]:
        """Loss of each part [W] at speeds [rpm]."""
        w = np.asarray(speed_rpm, dtype=np.float64) * RPM
        return {p.name: np.asarray(p.coefficient.value * w ** (p.power + 1)) for p in self.parts}

    def _design(self, speed_rpm: npt.ArrayLike, flux_ratio: npt.ArrayLike) -> FloatArray:
        return _design(speed_rpm, flux_ratio if len(self.parts) > len(SUMS) else None)


def separate_no_load(
    speed_rpm: npt.ArrayLike,
    drag_nm: npt.ArrayLike,
    u_drag_nm: npt.ArrayLike | None = None,
    *,
    flux_ratio: npt.ArrayLike | None = None,
) -> NoLoad:
    """Split the drag of a motor that idles into terms by their way with speed, and with flux where it was changed.

    ``T = c_0 + c_1 w + c_2 w²`` (1); with ``flux_ratio`` f (flux over its reference)
    ``T = (c_0 + c_1 w + c_2 w²) + f² (h + e w)`` (2).

    Args:
        speed_rpm: speeds [rpm], shape (n,), above zero: at standstill friction has no direction.
        drag_nm: drag torque [N·m], shape (n,): of a driving machine, or electrical power less copper loss over w.
        u_drag_nm: standard uncertainties that differ from point to point [N·m], shape (n,).
        flux_ratio: f, shape (n,); 0 for a rotor without magnets.

    Returns:
        Terms of (1) under the names of the sums they are, or of (2) one by one; each says whether it is identified.

    Raises:
        UsageError: too few points, speeds not above zero, or a flux that hardly changed.

    >>> n = np.linspace(500.0, 4000.0, 8)
    >>> found = separate_no_load(n, 0.2 + 1e-3 * n * RPM + 2e-6 * (n * RPM) ** 2)
    >>> [round(p.coefficient.value, 9) for p in found.parts]
    [0.2, 0.001, 2e-06]
    """
    n = np.asarray(speed_rpm, dtype=np.float64)
    if n.size == 0 or not np.all(n > 0.0):
        raise UsageError("drag is separated for speeds above zero", got=float(n.min()) if n.size else "no points")
    if flux_ratio is not None and float(np.ptp(np.asarray(flux_ratio, dtype=np.float64))) < 0.02:
        raise UsageError(
            "iron and friction cannot be told apart: the flux hardly changed",
            got=f"{100.0 * float(np.ptp(np.asarray(flux_ratio, dtype=np.float64))):.2g} %",
            expected="2 % or more",
            remedy="Repeat the sweep with warm magnets or without magnets, or take the sums.",
        )
    X = _design(n, flux_ratio)
    fit = fit_linear(X, drag_nm, u_drag_nm)
    names = SUMS if flux_ratio is None else PARTS
    inflation = _inflation(X, u_drag_nm)
    parts = tuple(
        LossPart(name, power, Estimate(float(b), float(s), _unit(power), float(fit.dof)), float(v))
        for name, power, b, s, v in zip(names, POWERS, fit.parameters, fit.u, inflation, strict=False)
    )
    return NoLoad(parts, fit)


def _design(speed_rpm: npt.ArrayLike, flux_ratio: npt.ArrayLike | None) -> FloatArray:
    w = np.asarray(speed_rpm, dtype=np.float64) * RPM
    columns = [np.ones_like(w), w, w**2]
    if flux_ratio is not None:
        f2 = np.asarray(flux_ratio, dtype=np.float64) ** 2 * np.ones_like(w)
        columns += [f2, f2 * w]
    return np.stack(columns, axis=-1)


def _unit(power: int) -> str:
    return ("N·m", "N·m·s/rad", "N·m·s²/rad²")[power]


def _inflation(X: FloatArray, u: npt.ArrayLike | None) -> FloatArray:
    """How many times larger the variance of each coefficient is than if it were fitted alone."""
    weighted = X if u is None else X / np.asarray(u, dtype=np.float64)[:, None]
    scaled = weighted / np.linalg.norm(weighted, axis=0)
    return np.asarray(np.diag(np.linalg.inv(scaled.T @ scaled)))


def iron_by_difference(with_magnets: NoLoad, without: NoLoad) -> tuple[LossPart, LossPart]:
    """Hysteresis and eddy currents: the sums of a sweep with magnets less those of one without, same bearings.

    ``h = c_0 - c_0'``, ``e = c_1 - c_1'`` (3), uncertainties independent of each other.
    """
    found = []
    for name, a, b in zip(("hysteresis", "eddy currents"), with_magnets.parts, without.parts, strict=False):
        u = math.hypot(a.coefficient.u, b.coefficient.u)
        estimate = Estimate(a.coefficient.value - b.coefficient.value, u, a.coefficient.unit)
        found.append(LossPart(name, a.power, estimate, max(a.inflation, b.inflation)))
    return found[0], found[1]


# ------------------------------------------------------------------------------------------------ coast-down
@dataclass(frozen=True, slots=True)
class CoastDown:
    """Inertia of everything that turned, and how well the drag explains the way down."""

    inertia_kgm2: Estimate
    residual_rms_rpm: float
    time_s: float
    """Length of the record that was used."""


def coast_down(
    time_s: npt.ArrayLike, speed_rpm: npt.ArrayLike, drag: NoLoad, *, flux_ratio: float = 1.0, u_drag_gain: float = 0.0
) -> CoastDown:
    """Inertia [kg m²] of the whole shaft line from its speed while nothing drives or brakes it.

    ``J dw/dt = -T_loss(w)`` (4): the speed follows from ``t = J ∫ dw/T_loss`` between speeds; J and the first speed are
    fitted to the record. The inertia is as good as the drag: ``u(J)² = u_fit² + u_drag²``, u_drag from the covariance
    of the drag's terms and its gain.

    Args:
        time_s: times [s] with the gates off and the load free, shape (n,).
        speed_rpm: speeds [rpm], shape (n,), falling, within the speeds of the no-load sweep.
        drag: of :func:`separate_no_load`, of the same line (motor, coupling, load machine).
        flux_ratio: of the magnets during the coast-down, where ``drag`` knows about it.
        u_drag_gain: relative standard uncertainty common to all drag torques [1], such as the gain of the torque cell.

    Raises:
        UsageError: fewer than ten rows, a speed that hardly falls, or a drag that is not positive on the way.

    Source: retardation method of IEC 60034-2-1 (from memory).
    """
    t, n = np.asarray(time_s, dtype=np.float64), np.asarray(speed_rpm, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(n)
    t, n = t[good] - (t[good][0] if np.any(good) else 0.0), n[good]
    if t.size < 10 or not n[-1] < 0.9 * n[0]:
        raise UsageError("no coast-down: the speed must fall by a tenth or more over ten rows", got=f"{t.size} rows")
    low, high = max(0.5 * float(n.min()), 1.0), 1.1 * float(n.max())
    grid = np.linspace(low, high, 400) * RPM

    def fitted(shift: FloatArray) -> Fit:
        torque = drag._design(grid / RPM, flux_ratio) @ (drag.fit.parameters + shift)
        if not np.all(torque > 0.0):
            raise UsageError(
                "the drag is not positive at every speed of the coast-down",
                got=f"{float(torque.min()):.3g} N·m",
                remedy="Measure the drag over all these speeds, or cut the coast-down.",
            )
        return _fit_inertia(t, n, grid, torque)

    best = fitted(np.zeros(drag.fit.parameters.size))
    inertia = float(best.parameters[0])
    memory = math.sqrt(correlation_time(best.residuals))
    u_fit = float(best.u[0]) * memory
    values, vectors = np.linalg.eigh(drag.fit.covariance)  # independent directions of the drag's uncertainty
    u_drag = 0.0
    for value, direction in zip(values, vectors.T, strict=True):
        if value > 0.0:
            step = 0.5 * math.sqrt(float(value)) * direction
            change = float(fitted(step).parameters[0] - fitted(-step).parameters[0])
            u_drag = math.hypot(u_drag, change)
    lines = [("drag", u_drag), ("speed readings", u_fit), ("gain of the drag", inertia * u_drag_gain)]
    budget = tuple(Contribution(*line) for line in sorted(lines, key=lambda line: -line[1]) if line[1] > 0.0)
    u = math.hypot(*(line[1] for line in lines))
    rms = float(np.sqrt(np.mean(best.residuals**2)))
    return CoastDown(Estimate(inertia, u, "kg·m²", float(drag.fit.dof), budget), rms, float(t[-1]))


def _fit_inertia(t: FloatArray, n: FloatArray, grid: FloatArray, torque: FloatArray) -> Fit:
    """Fit J and the first speed: speed over the time that inertia 1 needs, from the top of ``grid`` [rad/s]."""
    from scipy.integrate import cumulative_simpson
    from scipy.interpolate import CubicHermiteSpline

    falling, drag = grid[::-1], torque[::-1]
    needed = cumulative_simpson(1.0 / drag, x=-falling, initial=0.0)
    speed_at = CubicHermiteSpline(needed, falling / RPM, -drag / RPM)
    needed_at = CubicHermiteSpline(falling[::-1] / RPM, needed[::-1], -RPM / drag[::-1])

    def model(b: FloatArray) -> FloatArray:
        return np.asarray(speed_at(t / b[0] + needed_at(b[1])))

    guess = float(t[-1]) / float(needed_at(n[-1]) - needed_at(n[0]))
    return fit_nonlinear(model, [guess, float(n[0])], n)
