"""Constants of a permanent-magnet motor: flux and back-EMF, torque constant, phase resistance, each with temperature.

Peak-value (amplitude-invariant) dq quantities, star connection: phase EMF ``E = w_e psi`` (peak), ``w_e = p w``, torque
``T = 3/2 p psi i_q``; hence torque constant over the peak current ``3/2 p psi``, over the RMS current ``√2`` times
that, and peak line-to-line EMF ``√3 E``. Source: R. Krishnan, *Permanent Magnet Synchronous and Brushless DC Motor
Drives*, 2010 (from memory).

The uncertainties that go in are those that differ from point to point. A gain error of voltage, torque or current is
common to all points: it comes to the constant as a whole, see ``with_gain``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_linear
from benchkit.analysis.thermal import COPPER_IEEE
from benchkit.analysis.uncertainty import propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]

REFERENCE_C = 20.0
LEAST_SPAN_K = 10.0
"""Magnet temperatures must span so much before their effect is fitted (rule of this project)."""
_NOT_FITTED = Estimate(math.nan, math.nan, "1/K")


@dataclass(frozen=True, slots=True)
class WithTemperature:
    """``y(t) = at_20 (1 + per_k (t - 20 °C))``; ``per_k`` [1/K] is NaN where one temperature says nothing about it."""

    at_20: Estimate
    per_k: Estimate
    correlation: float = 0.0
    """Between ``at_20`` and ``per_k``."""

    def at(self, temp_c: float) -> Estimate:
        """The constant at a temperature [°C]; NaN away from 20 °C where ``per_k`` is not known."""
        r = [[1.0, self.correlation], [self.correlation, 1.0]]
        return propagate(
            lambda y, a: y * (1.0 + a * (temp_c - REFERENCE_C)),
            [self.at_20, self.per_k],
            r,
            ["at 20 °C", "temperature coefficient"],
            unit=self.at_20.unit,
        )


def copper_resistance(
    resistance_ohm: npt.ArrayLike, temp_c: npt.ArrayLike, to_c: npt.ArrayLike, constant_k: float = COPPER_IEEE
) -> FloatArray:
    """Resistance [Ω] of copper brought from one temperature [°C] to another: ``R_2 = R_1 (K + t_2)/(K + t_1)`` (1).

    NaN for a resistance that is not positive or a temperature at or below -K. Source: IEEE 112, K = 234.5
    (from memory).

    >>> round(float(copper_resistance(100.0, 83.625, 20.0)), 3)
    80.0
    """
    r, t = np.asarray(resistance_ohm, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    warm = np.where(constant_k + t > 0.0, constant_k + t, np.nan)
    return np.asarray(np.where(r > 0.0, r, np.nan) * (constant_k + np.asarray(to_c, dtype=np.float64)) / warm)


def phase_resistance(line_ohm: Estimate, winding: Estimate, to_c: float = REFERENCE_C) -> Estimate:
    """Phase resistance [Ω] at ``to_c`` [°C] of a star winding: half the line-to-line one, brought to that temperature.

    Args:
        line_ohm: resistance between two terminals [Ω], leads taken off (four wires).
        winding: temperature of the winding during that [°C].

    >>> found = phase_resistance(Estimate(0.0389, 1e-4, "Ω"), Estimate(40.0, 1.0, "°C"))
    >>> round(found.value, 5), found.budget[0].name
    (0.01803, 'winding temperature')
    """
    return propagate(
        lambda r, t: float(copper_resistance(0.5 * r, t, to_c)),
        [line_ohm, winding],
        names=["line resistance", "winding temperature"],
        unit="Ω",
    )


def flux_from_emf(
    speed_rpm: npt.ArrayLike,
    emf_peak_v: npt.ArrayLike,
    magnet_c: npt.ArrayLike,
    pole_pairs: int,
    u_emf_v: npt.ArrayLike | None = None,
    *,
    per_k: Estimate | None = None,
) -> WithTemperature:
    """Magnet flux linkage [Wb] from open-circuit voltage while something else turns the shaft.

    ``E = w_e psi_20 (1 + alpha (t - 20))`` (2), linear in psi_20 and psi_20·alpha: weighted least squares.

    Args:
        speed_rpm: speeds [rpm], shape (n,).
        emf_peak_v: peak phase EMF, fundamental [V], shape (n,).
        magnet_c: magnet temperatures [°C], shape (n,).
        pole_pairs: p.
        u_emf_v: standard uncertainties that differ from point to point [V], shape (n,).
        per_k: alpha [1/K] from elsewhere, where the magnets had about one temperature all the time.

    Returns:
        psi at 20 °C and alpha. Temperatures that span less than 10 K do not determine alpha: with ``per_k`` psi is
        brought to 20 °C with it; without, psi is that at the mean temperature and can only be used there, so
        it is refused.

    Raises:
        UsageError: temperatures that do not span 10 K, and no ``per_k``.

    >>> found = flux_from_emf([1000.0, 2000.0, 2000.0], [52.36, 104.72, 94.248], [20.0, 20.0, 120.0], 10)
    >>> round(found.at_20.value, 5), round(found.per_k.value, 5)
    (0.05, -0.001)
    """
    omega = np.asarray(speed_rpm, dtype=np.float64) * (2.0 * math.pi / 60.0) * pole_pairs
    return _fit_with_temperature(omega, emf_peak_v, magnet_c, u_emf_v, per_k, "Wb", "flux")


def torque_constant(
    i_q_peak_a: npt.ArrayLike,
    air_gap_torque_nm: npt.ArrayLike,
    magnet_c: npt.ArrayLike,
    u_torque_nm: npt.ArrayLike | None = None,
    *,
    per_k: Estimate | None = None,
) -> WithTemperature:
    """Torque over current [N·m/A] and its fall with magnet temperature.

    ``T + T_loss = k_20 (1 + alpha (t - 20)) i_q`` (3). What goes in is the air-gap torque: shaft torque plus the drag
    at that speed (:mod:`benchkit.analysis.no_load`). Without saturation k = 3/2 p psi; a constant that falls with
    current shows as lack of fit.

    Args:
        i_q_peak_a: torque-making current [A], peak, shape (n,).
        air_gap_torque_nm: shaft torque plus drag [N·m], shape (n,).
        magnet_c: magnet temperatures [°C], shape (n,).
        u_torque_nm: standard uncertainties that differ from point to point [N·m], shape (n,).
        per_k: as in :func:`flux_from_emf`; raises as that does.
    """
    return _fit_with_temperature(
        i_q_peak_a, air_gap_torque_nm, magnet_c, u_torque_nm, per_k, "N·m/A", "torque constant"
    )


def _fit_with_temperature(
    along: npt.ArrayLike,
    values: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    u: npt.ArrayLike | None,
    per_k: Estimate | None,
    unit: str,
    what: str,
) -> WithTemperature:
    x, warm = np.asarray(along, dtype=np.float64), np.asarray(temp_c, dtype=np.float64) - REFERENCE_C
    if warm.size and float(np.ptp(warm)) >= LEAST_SPAN_K:
        fit = fit_linear(np.stack([x, x * warm], axis=1), values, u)
        return _of(fit, unit)
    if per_k is None:
        raise UsageError(
            f"the fall of the {what} with temperature is not determined",
            got=f"magnet temperatures that span {float(np.ptp(warm)) if warm.size else 0.0:.1f} K",
            expected=f"{LEAST_SPAN_K:g} K or more",
            remedy="Repeat some points with warm magnets, or give the coefficient of the magnet material.",
        )

    def fitted(alpha: float) -> Fit:
        return fit_linear((x * (1.0 + alpha * warm))[:, None], values, u)

    fit = fitted(per_k.value)
    brought = 0.5 * float(fitted(per_k.value + per_k.u).parameters[0] - fitted(per_k.value - per_k.u).parameters[0])
    u_fit = float(fit.u[0])
    at_20 = propagate(
        lambda y, shift: y + shift,
        [Estimate(float(fit.parameters[0]), u_fit, unit, float(fit.dof)), Estimate(0.0, abs(brought), unit)],
        names=["fit", "temperature coefficient"],
        unit=unit,
    )
    return WithTemperature(at_20, per_k, brought / at_20.u if at_20.u > 0.0 else 0.0)


def _of(fit: Fit, unit: str) -> WithTemperature:
    """at_20 = b_0 and per_k = b_1/b_0 of a fit of two parameters."""
    b0, b1 = (float(b) for b in fit.parameters)
    gradient = np.array([[1.0, 0.0], [-b1 / b0**2, 1.0 / b0]])
    covariance = gradient @ fit.covariance @ gradient.T
    u0, u1 = (math.sqrt(max(float(v), 0.0)) for v in np.diag(covariance))
    r = float(covariance[0, 1]) / (u0 * u1) if u0 > 0.0 and u1 > 0.0 else 0.0
    dof = float(fit.dof)
    return WithTemperature(Estimate(b0, u0, unit, dof), Estimate(b1 / b0, u1, "1/K", dof), max(-1.0, min(1.0, r)))


def with_gain(constant: Estimate, u_gain: float, name: str) -> Estimate:
    """A constant with a relative gain error [1] of the instrument added, as a line ``name`` of the budget."""
    return propagate(
        lambda y, g: y * g, [constant, Estimate(1.0, u_gain, "1")], names=["fit", name], unit=constant.unit
    )


def torque_constant_of_flux(flux_wb: npt.ArrayLike, pole_pairs: int) -> FloatArray:
    """Torque over peak current [N·m/A] of a flux linkage [Wb]: ``3/2 p psi`` (4); over RMS current √2 times that.

    >>> round(float(torque_constant_of_flux(0.0548, 10)), 4)
    0.822
    """
    return np.asarray(1.5 * pole_pairs * np.asarray(flux_wb, dtype=np.float64))


def back_emf_constant(flux_wb: npt.ArrayLike, pole_pairs: int) -> FloatArray:
    """Peak line-to-line EMF over speed [V/rpm] of a flux linkage [Wb]: ``√3 p psi 2 pi/60`` (5).

    >>> round(float(back_emf_constant(0.0548, 10)), 5)
    0.0994
    """
    return np.asarray(math.sqrt(3.0) * pole_pairs * np.asarray(flux_wb, dtype=np.float64) * 2.0 * math.pi / 60.0)
