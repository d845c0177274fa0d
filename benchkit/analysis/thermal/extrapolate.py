"""The steady temperature of a heat run before it is reached, and whether the rest of the wait still pays.

A heat run holds one load. Its end is extrapolated by all networks that what has been seen allows (losses and coolant
included where they are measured), and with the growth of the loss itself: resistance loss rises with temperature,
so a winding that is 15 K from its end will be heated more there than it is now.

Source: derived here; thermal equilibrium after IEC 60034-1 (from memory); shares of hot spots, common
practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.settled import change_label
from benchkit.analysis.thermal.averaging import (
    ORDERS,
    Columns,
    Ends,
    HeldRun,
    average_ends,
    left_over,
    weighted_quantile,
)
from benchkit.analysis.thermal.fit import NetworkFit
from benchkit.analysis.thermal.lags import decays
from benchkit.analysis.thermal.memory import Memory, memory_of
from benchkit.analysis.thermal.runs import ThermalRun, part_of
from benchkit.analysis.uncertainty import coverage_factor, interval, propagate
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate, Settled, SteadyLabel
from benchkit.model.stand import ThermalSteadiness

FloatArray = npt.NDArray[np.float64]

STEADY_K = 1.0
STEADY_OVER_S = 1800.0
"""Thermal equilibrium of IEC 60034-1: a change of 1 K per half hour (from memory)."""
ENOUGH_K = 1.5
"""A prediction is enough where its 95 % interval reaches no further than this to either side."""
LEAST_S = 900.0
"""No end is told earlier: a slow part that has not shown itself yet is in no fit (a rule of this project)."""
_BLOCKS = 500
_FIFTHS = 5
_RECENT = 3
_WIDEST = 1.0
"""An end is not told while its 95 % interval is wider than this share of the change (a rule of this project)."""
_LONG = 2.0
"""Nor while the slowest part more likely than not takes longer than so many records: the end would be that of the
longest time constant that is allowed for, not of the readings."""
_PARTS = 20
_SHOWN = 3.0
"""A load moves where the variance of twenty means over its record is so many times that of chance (beyond 99.99 %)."""
_WINDOWS = 40
"""A load that moves is followed by its means over so many parts of the record."""
_LEAST_NOISE = 1e-4
"""Noise of readings is never taken for less than this share of the rise."""
_NORMAL = 1.959964


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
    least_s: float = LEAST_S,
) -> SteadyPrediction:
    """Steady temperature [°C] of a run at its load, from the readings so far.

    At a held load the loss is a line over the temperature, so the curve is that of a network of other time constants
    under a constant drive: (1) and (2) of :mod:`~benchkit.analysis.thermal.averaging`. Several losses count by their
    sum. The line goes through the mean over the last fifth: the load that counts is the one that runs now. What a load
    has moved off its line drives the network as it was.

    The number of nodes is not chosen: networks of one to three are weighed by how probable the readings make each, and
    the estimate is the median of their average. The interval has five parts: scatter, and what not knowing the number
    of nodes adds to it (2.5 % to either side of the average, as an early end is far less certain upwards than
    downwards), the sensor, what of the residuals is no noise (a network that misses the curve by that much may miss the
    end by as much), and a load that moved of late and may move as far again.

    Args:
        run: readings so far, at one load. Losses that are not known: any constant, such as 1 W.
        reference_c: coolant (or air) for which the end is wanted [°C]; None: mean of the last fifth.
        u_sensor_k: standard uncertainty of the sensor [K].
        enough_k: half-width of the 95 % interval that is wanted [K].
        least_s: earliest time at which an end is told [s].
    """
    folded = _folded(run)
    now_s = float(run.time_s[-1] - run.time_s[0])
    fifth = folded.time_s >= folded.time_s[-1] - 0.2 * now_s
    if now_s < least_s:
        return _untold(now_s, math.nan, 0, f"no end is told from less than {least_s / 60.0:.3g} min")
    reference = float(np.mean(folded.reference_c[fifth])) if reference_c is None else reference_c
    held = _Held(folded, reference)
    final, ends, now_c = _end(held, u_sensor_k)
    order = max(ends.probability, key=lambda n: ends.probability[n])
    low, high = interval(final)
    began_c = held.first_c + float(held.run.rise_k[np.isfinite(held.run.rise_k)][0])
    long = float(ends.weight[ends.slow_s > _LONG * now_s].sum() / ends.weight.sum())
    if long > 0.5 or not high - low <= _WIDEST * abs(final.value - began_c):
        return _untold(now_s, now_c, order, "the record is still nearly straight: no end can be told yet")
    remaining = remaining_wait_s(final.value - now_c, weighted_quantile(ends.slow_s, ends.weight, 0.5))
    half = max(final.value - low, high - final.value)
    told = f"{final.value:.1f} °C, 95 % interval {low:.1f} … {high:.1f} °C"
    if remaining == 0.0:
        return SteadyPrediction(now_s, now_c, final, order, 0.0, False, f"the steady criterion is met: {told}")
    if half <= enough_k:
        reason = f"{told}: {remaining / 60.0:.0f} min more would tell little"
        return SteadyPrediction(now_s, now_c, final, order, remaining, False, reason)
    reason = f"{told}: wider than the ± {enough_k:g} K that are wanted, go on"
    return SteadyPrediction(now_s, now_c, final, order, remaining, True, reason)


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


class _Held:
    """A folded run at a held load, as (1) of :mod:`~benchkit.analysis.thermal.averaging` sees it."""

    def __init__(self, run: ThermalRun, reference_c: float) -> None:
        loss = run.loss_w.sum(axis=1)
        fifth = slice(-(run.time_s.size // _FIFTHS), None)
        self.first_c = float(run.reference_c[0])
        line = _loss_line(run.temp_c, loss)
        slope, now_w = line.slope.value, line.now_w.value
        above = float(np.nanmean(run.temp_c[fifth])) - self.first_c
        self.cold_w = now_w - slope * above  # the loss that the line has at the first reference
        if not self.cold_w > 0.0:
            slope, self.cold_w = 0.0, now_w
        self.growth = 1.0 + slope * above / self.cold_w
        self.drive = np.ones(run.time_s.size)
        if line.moves:
            rise = np.where(np.isfinite(run.temp_c), run.temp_c, np.nanmean(run.temp_c)) - self.first_c
            self.drive = _running_mean(loss - slope * rise) / self.cold_w
        self.u_end = float(np.mean(self.drive[fifth]))
        self.moves = line.moves_w / self.cold_w
        self.run = HeldRun(
            run.time_s, run.temp_c - self.first_c, self.drive, self.growth * (run.reference_c - self.first_c)
        )
        self.offset_c = self.first_c + self.growth * (reference_c - self.first_c)


def _running_mean(values: FloatArray) -> FloatArray:
    length = max(values.size // _WINDOWS, 1)
    total = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    low, high = np.maximum(at - length // 2, 0), np.minimum(at + length - length // 2, values.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _end(held: _Held, u_sensor_k: float) -> tuple[Estimate, Ends, float]:
    """Where the run ends, the average that says so, and the curve at the last reading [°C]."""
    columns = Columns(held.run)
    whole, begin = left_over(columns)
    left = whole[np.isfinite(whole)]
    memory = memory_of(left)
    least = (_LEAST_NOISE * columns.seen_k) ** 2
    if not memory.gamma[0] > least:
        memory = Memory(left.size, np.full(1, least), 1.0)
    worth = memory.size / memory.time
    unknown = 2 * ORDERS[-1] + 1
    dof = max(worth - unknown, 1.0)
    ends = average_ends(columns, memory, held.u_end, begin, inflate=(dof + unknown) / dof)
    middle, low, high = (ends.quantile(share) for share in (0.5, 0.025, 0.975))
    value = held.offset_c + middle
    u_model, u_load = _structure(left), abs(middle * held.moves)
    rest = math.hypot(u_sensor_k, u_model, u_load)
    k = coverage_factor(dof)
    # the shape of the average, for a noise that is known from so many readings, in quadrature with the rest
    down, up = (math.hypot(k / _NORMAL * side, _NORMAL * rest) for side in (middle - low, high - middle))
    between = ends.between_k()
    u_all = 0.5 * (high - low) / _NORMAL
    parts = (
        Contribution("fit", math.sqrt(max(u_all**2 - between**2, 0.0))),
        Contribution("number of nodes", min(between, u_all)),
        Contribution("sensor", u_sensor_k),
        Contribution("misfit of the network", u_model),
        Contribution("load that moves", u_load),
    )
    budget = tuple(sorted((line for line in parts if line.u > 0.0), key=lambda line: -line.u))
    u = 0.5 * (up + down) / k
    now_c = held.first_c + float(columns.run.rise_k[columns.good][-1] - left[-1])
    return Estimate(value, u, "°C", dof, budget=budget, interval95=(value - down, value + up)), ends, now_c


def _structure(e: FloatArray) -> float:
    """What of residuals is no noise: their RMS less that of the differences from row to row [K]."""
    noise = float(np.mean(np.diff(e) ** 2)) / 2.0
    return math.sqrt(max(float(np.mean(e**2)) - noise, 0.0))


@dataclass(frozen=True, slots=True)
class _LossLine:
    """A loss over temperature: its mean over the last fifth, its slope (0 where it is not shown), how far it has moved
    off the line through all from fifth to fifth of the last three, beyond chance [W, rms], and whether it moved off it
    at all."""

    now_w: Estimate
    slope: Estimate
    moves_w: float
    moves: bool


def _loss_line(temp_c: FloatArray, loss_w: FloatArray) -> _LossLine:
    from benchkit.analysis.uncertainty import correlation_time

    good = np.isfinite(temp_c)
    fifth = temp_c.size // _FIFTHS
    x, y = temp_c[good] - temp_c[good].mean(), loss_w[good]
    square = float(x @ x)
    slope = float(x @ y) / square if square > 0.0 else 0.0
    left = y - y.mean() - slope * x
    noise = float(np.mean(np.diff(left) ** 2)) / 2.0  # from row to row: what moves slowly is counted apart
    parts = np.array([part.mean() for part in np.array_split(left, _FIFTHS)])
    moved = float(np.mean(np.diff(parts[-_RECENT:]) ** 2)) - 2.0 * noise * _FIFTHS / y.size
    moves = math.sqrt(max(moved, 0.0))
    memory = correlation_time(left) if float(np.ptp(left)) > 0.0 else 1.0
    s = math.sqrt(float(left @ left) / max(y.size / memory - 2.0, 1.0) / memory)
    dof = max(y.size / memory - 2.0, 1.0)
    u_slope = s * math.sqrt(memory / square) if square > 0.0 else 0.0
    if slope <= 2.0 * u_slope:
        slope, u_slope = 0.0, 0.0
    now = Estimate(float(np.mean(loss_w[-fifth:])), math.sqrt(noise / fifth), "W", dof)
    twenty = np.array([part.mean() for part in np.array_split(loss_w - slope * temp_c, _PARTS)])
    wanders = float(np.nanvar(twenty, ddof=1)) > _SHOWN * noise * _PARTS / y.size
    return _LossLine(now, Estimate(slope, u_slope, "W/K", dof), moves, wanders)


def remaining_wait_s(left_k: float, tau_s: float, change_k: float = STEADY_K, over_s: float = STEADY_OVER_S) -> float:
    """Wait [s] until a lag has moved less than ``change_k`` in ``over_s``: ``tau ln(|left| (e^x - 1)/change)`` (1).

    The criterion looks back over ``over_s`` with x = over/tau: it is met at the time t at which
    ``|left| e^(-t/tau) (e^x - 1) = change``.

    >>> round(remaining_wait_s(20.0, 1800.0), 0)
    6367.0
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
    """Whether all named channels [°C] are in thermal equilibrium: the label of the one that is furthest from it.

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
    """Hottest place [°C] of a part of which a sensor, or its resistance, gives another: ``T + share (T - T_ref)`` (2).

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
    """Rises (order,) [K] that each lag carries at the end of a fitted run, of all losses: where a forecast begins."""
    from benchkit.analysis.thermal.lags import lag

    parts = np.zeros(fit.order)
    for i, tau in enumerate(fit.tau_s):
        parts[i] = fit.starts[0][i] * decays(run.time_s, float(tau))[-1]
        for j in range(fit.kinds):
            parts[i] += fit.resistance_k_w[j, i] * lag(run.time_s, run.loss_w[:, j], float(tau), start=0.0)[-1]
    return parts
