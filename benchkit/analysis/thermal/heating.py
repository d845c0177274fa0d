"""Heating of winding, magnet and semiconductors, and the load that may be held for ever.

A heating curve is fitted with one time constant, or with two where the record clearly shows them (winding to iron,
iron to coolant): a single exponential on such a curve stops short of the final temperature, on the unsafe side.

Source: heat balance of one or two lumps, ``C dT/dt = P - G (T - T_ref)`` (derived); resistance method of IEC 60034-1
(from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import Fit, fit_nonlinear
from benchkit.analysis.uncertainty import combine, correlation_time, propagate
from benchkit.errors import UsageError
from benchkit.model.results import ContinuousRating, Estimate, HeatingFit

FloatArray = npt.NDArray[np.float64]

COPPER_IEC = 235.0
"""Constant of copper for :func:`winding_by_resistance`, IEC 60034-1 (from memory)."""
COPPER_IEEE = 234.5
"""Constant of copper for :func:`winding_by_resistance`, IEEE 112 (from memory)."""
TESTED_LOSS = (0.5, 1.5)
"""Share of the tested loss within which a rating is not an extrapolation (a rule of this project)."""
_MOST_BLOCKS = 400
_SHOWN = 0.5
"""Two time constants are shown where they leave at most this share of the residual of one."""
_GRID_ALLOWANCE = 1.8  # the best of the grid is not yet the best: do not give up on it too early


def first_order(t_s: npt.ArrayLike, start_c: float, final_c: float, tau_s: float) -> FloatArray:
    """Temperature [°C] of a body with one time constant at time t [s] after a step of loss.

    ``T(t) = T_inf - (T_inf - T_start) exp(-t / tau)`` (1).

    >>> round(float(first_order(60.0, 0.0, 100.0, 60.0)), 2)
    63.21
    """
    t = np.asarray(t_s, dtype=np.float64)
    if not tau_s > 0.0:
        return np.full(t.shape, np.nan)
    return np.asarray(final_c - (final_c - start_c) * np.exp(-t / tau_s))


def rise_time_10_90(tau_s: npt.ArrayLike) -> FloatArray:
    """Time from 10 % to 90 % of a first-order rise [s]: ``ln 9 tau`` (2), exact.

    >>> round(float(rise_time_10_90(1.0)), 6)
    2.197225
    """
    return np.asarray(math.log(9.0) * np.asarray(tau_s, dtype=np.float64))


def winding_by_resistance(
    hot_ohm: npt.ArrayLike, cold_ohm: npt.ArrayLike, cold_c: npt.ArrayLike, constant_k: float
) -> FloatArray:
    """Mean winding temperature [°C] from its resistance, hot and cold: ``(R_2/R_1)(K + t_1) - K`` (3).

    ``constant_k`` is :data:`COPPER_IEC` or :data:`COPPER_IEEE`, as agreed for the test. NaN for a resistance that is
    not positive.

    >>> round(float(winding_by_resistance(100.0, 80.0, 20.0, COPPER_IEEE)), 3)
    83.625
    """
    hot, cold = np.asarray(hot_ohm, dtype=np.float64), np.asarray(cold_ohm, dtype=np.float64)
    ratio = np.where(hot > 0.0, hot, np.nan) / np.where(cold > 0.0, cold, np.nan)
    return np.asarray(ratio * (constant_k + np.asarray(cold_c, dtype=np.float64)) - constant_k)


def fit_heating(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    *,
    channel: str = "temperature",
    reference_c: float = math.nan,
    u_sensor_k: float = 0.0,
    order: int | None = None,
) -> HeatingFit:
    """Final temperature and time constant of one heating (or cooling) under steady load.

    Fits (1), and ``T(t) = T_inf - a_1 exp(-t/tau_1) - a_2 exp(-t/tau_2)`` (4). The two-constant fit is taken where it
    has at most half the residual, its constants are at least a factor 2 apart, both parts heat (or cool), and the
    record covers at least 1.5 of the slow one; ``tau_s`` is then the slow constant and ``fast_tau_s`` the fast one
    with its part ``fast_rise_k`` of the whole rise.

    Residuals of a heating curve are not independent (the model is never exact): the covariance is multiplied by their
    correlation time, and the degrees of freedom are those of as many independent readings.

    Args:
        time_s: sample times (n,) [s], rising.
        temp_c: temperature (n,) [°C]; NaN is left out.
        channel: name for the result.
        reference_c: temperature of coolant or air over the stretch [°C].
        u_sensor_k: standard uncertainty of the sensor's calibration [K]: it shifts start and end, not tau.
        order: 1 or 2 time constants; None: two where the record shows them.

    Raises:
        UsageError: fewer than 20 good samples, a flat record, or a record from which no end can be told.
    """
    t, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    good = ~(np.isnan(t) | np.isnan(temp))
    t, temp = t[good], temp[good]
    if t.size < 20 or t[-1] <= t[0]:
        raise UsageError("too few samples for a heating fit", where=channel, got=int(t.size), expected="at least 20")
    x, y = _block_means(t - t[0], temp)
    chosen = _fit_exponentials(x, y, order or 1)
    if order is None:
        chosen = _two_if_shown(x, y, chosen) or chosen
    return _heating_fit(chosen, x, channel, (float(t[0]), float(t[-1])), reference_c, u_sensor_k)


@dataclass(frozen=True, slots=True, eq=False)
class _Exponentials:
    """Final value, amplitudes a_i (start is final minus their sum), natural logarithms of the time constants."""

    fit: Fit
    order: int

    @property
    def taus(self) -> FloatArray:
        return np.exp(self.fit.parameters[1 + self.order :])

    @property
    def amplitudes(self) -> FloatArray:
        return self.fit.parameters[1 : 1 + self.order]

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.fit.residuals**2)))


def _block_means(t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    length = -(-t.size // _MOST_BLOCKS)
    count = t.size // length
    shape = (count, length)
    return t[: count * length].reshape(shape).mean(axis=1), y[: count * length].reshape(shape).mean(axis=1)


def _start(t: FloatArray, y: FloatArray, order: int) -> tuple[float, FloatArray]:
    """Best fit over a grid of time constants (linear in the rest): rms and parameters."""
    span = float(t[-1])
    grid = np.geomspace(span / 60.0, span * 4.0, 28)
    picks = [(a,) for a in grid] if order == 1 else [(a, b) for i, a in enumerate(grid) for b in grid[i + 3 :]]
    best: tuple[float, FloatArray] | None = None
    for taus in picks:
        X = np.stack([np.ones(t.size), *(-np.exp(-t / tau) for tau in taus)], axis=1)
        b, _, rank, _ = np.linalg.lstsq(X, y, rcond=1e-9)
        if rank < order + 1:
            continue
        rms = float(np.sqrt(np.mean((y - X @ b) ** 2)))
        if best is None or rms < best[0]:
            best = (rms, np.concatenate([b, np.log(taus)]))
    if best is None or float(np.ptp(y)) == 0.0:
        raise UsageError("the record does not heat", got=f"{float(np.ptp(y)):.3g} K between its extremes")
    return best


def _fit_exponentials(t: FloatArray, y: FloatArray, order: int, start: FloatArray | None = None) -> _Exponentials:
    first = _start(t, y, order)[1] if start is None else start

    def model(p: FloatArray) -> FloatArray:
        # a trial step may leave any time scale of the record: keep its exponential finite
        exponents = np.exp(-t[:, None] / np.exp(np.clip(p[1 + order :], -30.0, 30.0)))
        return np.asarray(p[0] - exponents @ p[1 : 1 + order])

    return _Exponentials(fit_nonlinear(model, first.tolist(), y), order)


def _two_if_shown(t: FloatArray, y: FloatArray, one: _Exponentials) -> _Exponentials | None:
    try:
        rms, start = _start(t, y, 2)
        if rms > _GRID_ALLOWANCE * _SHOWN * one.rms:
            return None
        two = _fit_exponentials(t, y, 2, start)
    except UsageError:
        return None
    fast, slow = np.sort(two.taus)
    a, b = two.amplitudes
    shown = two.rms <= _SHOWN * one.rms and slow >= 2.0 * fast and a * b > 0.0 and t[-1] >= 1.5 * slow
    return two if shown else None


def _heating_fit(
    found: _Exponentials,
    t: FloatArray,
    channel: str,
    ends_s: tuple[float, float],
    reference_c: float,
    u_sensor_k: float,
) -> HeatingFit:
    fit, order = found.fit, found.order
    memory = correlation_time(fit.residuals)
    covariance = fit.covariance * memory
    dof = max(t.size / memory - fit.parameters.size, 1.0)
    u = np.sqrt(np.diag(covariance))
    slow = 1 + order + int(np.argmax(found.taus))
    fast = 1 + order + int(np.argmin(found.taus))
    at_start = np.zeros(fit.parameters.size)
    at_start[0], at_start[1 : 1 + order] = 1.0, -1.0
    start_c = float(at_start @ fit.parameters)
    u_start = math.sqrt(max(0.0, float(at_start @ covariance @ at_start)))  # rounding of a nearly singular covariance
    final_c = float(fit.parameters[0])
    tau = math.exp(fit.parameters[slow])
    fast_tau = math.exp(fit.parameters[fast])
    return HeatingFit(
        channel=channel,
        time_start_s=ends_s[0],
        time_end_s=ends_s[1],
        tau_s=Estimate(tau, tau * float(u[slow]), "s", dof),
        final_c=combine(final_c, float(u[0]), dof, u_sensor_k, unit="°C", name=channel),
        start_c=combine(start_c, u_start, dof, u_sensor_k, unit="°C", name=channel),
        reference_c=reference_c,
        residual_rms_k=found.rms,
        covered=(ends_s[1] - ends_s[0]) / tau,
        fast_tau_s=None if order == 1 else Estimate(fast_tau, fast_tau * float(u[fast]), "s", dof),
        fast_rise_k=None if order == 1 else float(found.amplitudes[int(np.argmin(found.taus))]),
    )


def continuous_rating(
    fit: HeatingFit,
    limit_c: float,
    speed: Estimate,
    torque: Estimate,
    current: Estimate,
    reference: Estimate,
) -> ContinuousRating:
    """Load that brings ``fit.channel`` to ``limit_c`` [°C] after a long time, at the tested speed and cooling.

    ``P_allowed / P_tested = (T_limit - T_ref) / (T_inf - T_ref)`` (5), and with loss ~ torque² at that speed
    ``torque = torque_tested sqrt(P_allowed / P_tested)`` (6); the current scales like the torque, shaft power is
    ``2 pi n/60 torque``.

    Validity: loss ~ torque² holds where resistance loss prevails and its rise with temperature is small between test
    and limit; iron and friction loss make the true rating higher below the tested load and lower above it.
    ``is_extrapolated`` is True beyond :data:`TESTED_LOSS`. NaN where the channel did not end above the reference, or
    the limit is not above it.
    """

    def scale(final: float, ref: float) -> float:
        rise = final - ref
        return math.sqrt((limit_c - ref) / rise) if rise > 0.0 and limit_c > ref else math.nan

    names = [f"{fit.channel} end", "reference temperature"]
    factor = propagate(scale, [fit.final_c, reference], names=names)
    allowed = propagate(
        lambda f, r, T: scale(f, r) * T, [fit.final_c, reference, torque], names=[*names, "torque"], unit="N·m"
    )
    amps = propagate(
        lambda f, r, i: scale(f, r) * i, [fit.final_c, reference, current], names=[*names, "current"], unit="A"
    )
    power = propagate(
        lambda f, r, T, n: scale(f, r) * T * 2.0 * math.pi / 60.0 * n,
        [fit.final_c, reference, torque, speed],
        names=[*names, "torque", "speed"],
        unit="W",
    )
    loss_ratio = factor.value**2
    return ContinuousRating(
        channel=fit.channel,
        limit_c=limit_c,
        speed_rpm=speed.value,
        reference_c=reference.value,
        torque_nm=allowed,
        current_a=amps,
        shaft_power_w=power,
        is_extrapolated=not TESTED_LOSS[0] <= loss_ratio <= TESTED_LOSS[1],
    )


def coolant_heat_w(
    flow_lpm: npt.ArrayLike, rise_k: npt.ArrayLike, density_kgm3: npt.ArrayLike, heat_jkgk: npt.ArrayLike
) -> FloatArray:
    """Heat carried off by a coolant [W]: ``rho c q dT`` (7), flow [L/min], density and specific heat of the coolant.

    >>> round(float(coolant_heat_w(8.0, 2.0, 1037.06, 3524.0)), 1)
    974.6
    """
    flow = np.asarray(flow_lpm, dtype=np.float64) / 60e3
    return np.asarray(np.multiply(density_kgm3, heat_jkgk) * flow * np.asarray(rise_k, dtype=np.float64))
