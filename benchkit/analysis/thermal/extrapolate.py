"""The steady temperature of a heat run before it is reached, and whether the rest of the wait still pays.

A heat run holds one load. Its end is extrapolated with a network fitted to what has been seen (losses and coolant
included where they are measured), and with the growth of the loss itself: resistance loss rises with temperature,
so a winding that is 15 K from its end will be heated more there than it is now.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.settled import change_label
from benchkit.analysis.thermal.fit import NetworkFit, ThermalRun, fit_network, part_of
from benchkit.analysis.thermal.lags import decays
from benchkit.analysis.uncertainty import combine, expanded, propagate
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, Settled, SteadyLabel
from benchkit.model.stand import ThermalSteadiness

FloatArray = npt.NDArray[np.float64]

STEADY_K = 1.0
STEADY_OVER_S = 1800.0
"""Thermal equilibrium of IEC 60034-1: a change of 1 K per half hour (from memory)."""
ENOUGH_K = 1.5
"""A prediction is enough where its 95 % interval reaches no further than this to either side."""
MOST_ORDER = 3
_BLOCKS = 500
_F = 6.0
"""A further node is taken where it lowers the sum of squares by this many times the variance, for each of its two
parameters (beyond 99 % of Fisher's distribution)."""
_LEAST_CURVED = 0.6
"""A record shorter than this many of its longest time constant is nearly straight: no end is told from it."""


@dataclass(frozen=True, slots=True)
class SteadyPrediction:
    """What a heat run so far says about its end.

    ``final_c`` is NaN while no end can be told; ``reason`` then says why. ``now_c`` is the fitted temperature at
    ``time_s``. ``remaining_s`` is the wait that is left until the change falls below the steady criterion; 0 when
    it is met. ``pays`` says whether that wait would still tell more than is wanted.
    """

    time_s: float
    now_c: float
    final_c: Estimate
    order: int
    remaining_s: float
    pays: bool
    reason: str


def predict_steady(
    run: ThermalRun,
    *,
    reference_c: float | None = None,
    u_sensor_k: float = 0.0,
    enough_k: float = ENOUGH_K,
    most_order: int = MOST_ORDER,
) -> SteadyPrediction:
    """Steady temperature [°C] of a run at its load, from the readings so far.

    ``T_end = (T_ref + sum_j R_j p_j)/(1 - sum_j R_j s_j)`` (1): R_j total resistance of loss j, ``p_j + s_j T`` the loss
    as a line over the temperature that was measured with it. Where a loss does not rise with temperature beyond two
    standard errors, or is constant, s_j = 0 and p_j is its mean.

    A node is added while it lowers the sum of squares more than chance would, to be on the safe side: one node too few
    stops short of the end.

    Args:
        run: readings so far, at one load. Losses that are not known: any constant, such as 1 W.
        reference_c: coolant (or air) for which the end is wanted [°C]; None: mean of the last fifth.
        u_sensor_k: standard uncertainty of the sensor [K].
        enough_k: half-width of the 95 % interval that is wanted [K].
        most_order: most nodes.
    """
    folded = _folded(run)
    now_s = float(run.time_s[-1] - run.time_s[0])
    try:
        fit = _fitted(folded, most_order)
    except UsageError as error:
        return _untold(now_s, math.nan, 0, str(error))
    now_c = float(folded.temp_c[-1] - fit.residuals[0][-1])
    slowest = fit.tau(fit.order - 1)
    if slowest.u > 0.5 * slowest.value or now_s < _LEAST_CURVED * slowest.value:
        return _untold(now_s, now_c, fit.order, "the record is still nearly straight: no end can be told yet")
    fifth = folded.time_s >= folded.time_s[-1] - 0.2 * now_s
    reference = float(np.mean(folded.reference_c[fifth])) if reference_c is None else reference_c
    final = _end(folded, fit, reference, u_sensor_k)
    if not final.is_measured:
        return _untold(now_s, now_c, fit.order, "the loss grows faster with temperature than the cooling: no end")
    remaining = remaining_wait_s(final.value - now_c, slowest.value)
    half = expanded(final)
    if remaining == 0.0:
        return SteadyPrediction(now_s, now_c, final, fit.order, 0.0, False, "the steady criterion is met")
    if half <= enough_k:
        reason = f"the end is known to ± {half:.2g} K (95 %): {remaining / 60.0:.0f} min more would tell little"
        return SteadyPrediction(now_s, now_c, final, fit.order, remaining, False, reason)
    reason = f"± {half:.2g} K (95 %) is more than the ± {enough_k:g} K that are wanted: go on"
    return SteadyPrediction(now_s, now_c, final, fit.order, remaining, True, reason)


def _untold(now_s: float, now_c: float, order: int, reason: str) -> SteadyPrediction:
    unknown = Estimate(math.nan, math.nan, "°C")
    return SteadyPrediction(now_s, now_c, unknown, order, math.nan, True, reason)


def _folded(run: ThermalRun) -> ThermalRun:
    """Means over blocks of equally many rows: noise averages out, the search is quick."""
    length = run.time_s.size // _BLOCKS
    if length < 2:
        return run
    rows = run.time_s.size // length * length

    def mean(column: FloatArray) -> FloatArray:
        return np.asarray(column[:rows].reshape(rows // length, length, *column.shape[1:]).mean(axis=1))

    return ThermalRun(
        mean(run.time_s), mean(run.temp_c), mean(run.reference_c), mean(run.loss_w), run.name, run.u_temp_k
    )


def _fitted(run: ThermalRun, most_order: int) -> NetworkFit:
    best = fit_network([run], 1)
    for order in range(2, most_order + 1):
        try:
            more = fit_network([run], order)
        except UsageError:
            break
        gain = more.dof * ((best.residual_rms_k / max(more.residual_rms_k, 1e-12)) ** 2 - 1.0)
        slow = more.tau(order - 1)
        if gain < 2.0 * _F or (best.order > 1 and slow.u > 0.5 * slow.value):
            break
        best = more
    return best


def _end(run: ThermalRun, fit: NetworkFit, reference_c: float, u_sensor_k: float) -> Estimate:
    totals = [fit.total(j) for j in range(fit.kinds)]
    lines = [_loss_line(run.temp_c, run.loss_w[:, j]) for j in range(fit.kinds)]
    at = float(np.nanmean(run.temp_c))

    def end(*x: float) -> float:
        R, p, s = x[: fit.kinds], x[fit.kinds : 2 * fit.kinds], x[2 * fit.kinds :]
        below = 1.0 - sum(a * b for a, b in zip(R, s, strict=True))
        # the line of the loss goes through its mean at the mean temperature
        above = reference_c + sum(a * (b - c * at) for a, b, c in zip(R, p, s, strict=True))
        return above / below if below > 0.0 else math.nan

    inputs = [*totals, *(mean for mean, _ in lines), *(slope for _, slope in lines)]
    names = [f"{what} {j + 1}" for what in ("resistance", "loss", "growth of loss") for j in range(fit.kinds)]
    order = fit.order
    rows = np.zeros((fit.kinds, fit.parameters.size))
    for j in range(fit.kinds):
        rows[j, order + j * order : order + (j + 1) * order] = 1.0
    correlation = np.eye(len(inputs))
    together = rows @ fit.covariance @ rows.T
    spread = np.sqrt(np.diag(together))
    if np.all(spread > 0.0):
        correlation[: fit.kinds, : fit.kinds] = np.clip(together / np.outer(spread, spread), -1.0, 1.0)
    found = propagate(end, inputs, correlation if fit.kinds > 1 else None, names, unit="°C")
    return combine(found.value, found.u, min(found.dof, fit.dof), u_sensor_k, unit="°C", name="end")


def _loss_line(temp_c: FloatArray, loss_w: FloatArray) -> tuple[Estimate, Estimate]:
    """Mean of a loss and its slope over temperature; the slope is 0 where it is not shown."""
    from benchkit.analysis.uncertainty import correlation_time

    good = np.isfinite(temp_c)
    x, y = temp_c[good] - temp_c[good].mean(), loss_w[good]
    square = float(x @ x)
    mean = float(y.mean())
    slope = float(x @ y) / square if square > 0.0 else 0.0
    left = y - mean - slope * x
    memory = correlation_time(left) if float(np.ptp(left)) > 0.0 else 1.0
    s = math.sqrt(float(left @ left) / max(y.size / memory - 2.0, 1.0) / memory)
    dof = max(y.size / memory - 2.0, 1.0)
    u_mean, u_slope = s * math.sqrt(memory / y.size), s * math.sqrt(memory / square) if square > 0.0 else 0.0
    if slope <= 2.0 * u_slope:
        slope, u_slope = 0.0, 0.0
    return Estimate(mean, u_mean, "W", dof), Estimate(slope, u_slope, "W/K", dof)


def remaining_wait_s(left_k: float, tau_s: float, change_k: float = STEADY_K, over_s: float = STEADY_OVER_S) -> float:
    """Wait [s] until a last lag moves less than ``change_k`` in ``over_s``: ``tau ln(|left| (e^x - 1)/change) - over`` (2).

    The criterion looks back over ``over_s`` with x = over/tau: it is met at the time t at which
    ``|left| e^(-t/tau) (e^x - 1) = change``.

    >>> round(remaining_wait_s(20.0, 1800.0), 0)
    6366.0
    """
    size = abs(left_k) * math.expm1(min(over_s / tau_s, 700.0)) / change_k
    return tau_s * math.log(size) if size > 1.0 else 0.0


def running_prediction(
    run: ThermalRun, at_s: Sequence[float], *, u_sensor_k: float = 0.0, enough_k: float = ENOUGH_K
) -> tuple[SteadyPrediction, ...]:
    """Predictions with what had been seen at each of ``at_s`` [s from the first reading]; too few readings are left
    out."""
    found = []
    for seconds in at_s:
        seen = run.time_s - run.time_s[0] <= seconds
        if np.count_nonzero(seen & np.isfinite(run.temp_c)) >= 20:
            found.append(predict_steady(part_of(run, seen), u_sensor_k=u_sensor_k, enough_k=enough_k))
    return tuple(found)


def is_steady(
    time_s: npt.ArrayLike,
    temps_c: Mapping[str, npt.ArrayLike],
    change_k: float = STEADY_K,
    over_s: float = STEADY_OVER_S,
) -> SteadyLabel:
    """Whether all named channels are in thermal equilibrium: the label of the one that is furthest from it.

    After IEC 60034-1 (from memory) by a change of at most 1 K in half an hour; each channel is judged with its
    uncertainty (:func:`~benchkit.analysis.settled.change_label`), and one that is not steady decides.

    Raises:
        UsageError: no channel was named.
    """
    if not temps_c:
        raise UsageError("a steady criterion needs channels", expected="the temperatures that must stand still")
    t = np.asarray(time_s, dtype=np.float64)
    rule = ThermalSteadiness(tuple(temps_c), change_k, over_s)
    labels = [change_label(t, np.asarray(y, dtype=np.float64), rule, channel=name) for name, y in temps_c.items()]
    worst = (Settled.NOT_STEADY, Settled.NOT_SHOWN, Settled.STEADY)
    return min(labels, key=lambda label: (worst.index(label.state), -abs(label.change.value)))


def hot_spot(measured: Estimate, reference_c: float, share: Estimate) -> Estimate:
    """Hottest place [°C] of a part of which a sensor, or its resistance, gives another: ``T + share (T - T_ref)`` (3).

    ``share`` is what the rise of the hot spot exceeds the measured rise by, from a trial with several sensors or from
    a calculation; for windings judged by their mean 0.05 to 0.15 is usual (common practice, no source).
    """
    return propagate(
        lambda temp, more: temp + more * (temp - reference_c),
        (measured, share),
        names=("reading", "hot spot"),
        unit="°C",
    )


def start_parts(fit: NetworkFit, run: ThermalRun) -> FloatArray:
    """Rises (order,) [K] that each lag of the first loss carries at the end of a fitted run: where a forecast begins."""
    from benchkit.analysis.thermal.lags import lag

    parts = np.zeros(fit.order)
    for i, tau in enumerate(fit.tau_s):
        parts[i] = fit.starts[0][i] * decays(run.time_s, float(tau))[-1]
        for j in range(fit.kinds):
            parts[i] += fit.resistance_k_w[j, i] * lag(run.time_s, run.loss_w[:, j], float(tau), start=0.0)[-1]
    return parts
