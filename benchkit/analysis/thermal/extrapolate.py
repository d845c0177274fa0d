"""The steady temperature of a heat run before it is reached, and whether the rest of the wait still pays.

A heat run holds one load. Its end is extrapolated with a network fitted to what has been seen (losses and coolant
included where they are measured), and with the growth of the loss itself: resistance loss rises with temperature,
so a winding that is 15 K from its end will be heated more there than it is now.

Source: (1) to (3) derived here; thermal equilibrium after IEC 60034-1 (from memory); shares of hot spots, common
practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.settled import change_label
from benchkit.analysis.thermal.fit import At, NetworkFit, Problem, ThermalRun, fit_network, part_of
from benchkit.analysis.thermal.lags import decays
from benchkit.analysis.uncertainty import combine, coverage_factor, expanded, interval, propagate
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
MOST_NODES_SHOWN = 3
_F = 10.0
"""A further node is taken where it lowers the sum of squares by this many times the variance for each of its two
parameters (beyond 99.9 % of Fisher's distribution)."""
_APART_TAU = 1.4
"""Neighbouring time constants of three must be further apart than this factor."""
_MOST_U = 0.5
"""An end that is uncertain by more than this share of the rise (k = 1) is not told."""
_EARLIER = (0.9, 0.8)
"""Shares of the record whose own predictions must agree with that of the whole."""
_APART = 6.0
"""Squares of standard uncertainties by which they may differ by chance."""


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


def predict_steady(  # noqa: PLR0911  one return for each answer
    run: ThermalRun,
    *,
    reference_c: float | None = None,
    u_sensor_k: float = 0.0,
    enough_k: float = ENOUGH_K,
    least_s: float = LEAST_S,
) -> SteadyPrediction:
    """Steady temperature [°C] of a run at its load, from the readings so far.

    ``T_end = (T_ref + sum_j R_j p_j)/(1 - sum_j R_j s_j)`` (1): R_j total resistance of loss j, ``p_j + s_j T`` that
    loss as a line over the temperature measured with it, through its mean over the last fifth: the load that counts is
    the one that runs now. Where a loss does not rise with temperature beyond two standard errors, or is constant,
    s_j = 0.

    Up to three nodes are taken while each lowers the sum of squares more than chance would, to be on the safe side: one
    node too few stops short of the end. The uncertainty has four parts: scatter (for one loss by the profile of the sum
    of squares over the time constants, as an early end is far less certain upwards than downwards), the sensor, what of
    the residuals is no noise (a network that misses the curve by that much may miss the end by as much), and how far
    the predictions of the first 90 % and 80 % of the record lie off, where chance does not explain it.

    Args:
        run: readings so far, at one load. Losses that are not known: any constant, such as 1 W.
        reference_c: coolant (or air) for which the end is wanted [°C]; None: mean of the last fifth.
        u_sensor_k: standard uncertainty of the sensor [K].
        enough_k: half-width of the 95 % interval that is wanted [K].
        least_s: earliest time at which an end is told [s].
    """
    folded = _folded(run)
    now_s = float(run.time_s[-1] - run.time_s[0])
    if now_s < least_s:
        return _untold(now_s, math.nan, 0, f"no end is told from less than {least_s / 60.0:.3g} min")
    try:
        fit = _fitted(folded)
    except UsageError as error:
        return _untold(now_s, math.nan, 0, str(error))
    now_c = float(folded.temp_c[-1] - fit.residuals[0][-1])
    fifth = folded.time_s >= folded.time_s[-1] - 0.2 * now_s
    reference = float(np.mean(folded.reference_c[fifth])) if reference_c is None else reference_c
    end = _End(folded, fit, reference)
    final = end.estimate(u_sensor_k)
    if not final.is_measured:
        return _untold(now_s, now_c, fit.order, "the loss grows faster with temperature than the cooling: no end")
    if not final.u <= _MOST_U * abs(final.value - reference):
        return _untold(now_s, now_c, fit.order, "the record is still nearly straight: no end can be told yet")
    remaining = remaining_wait_s(final.value - now_c, float(fit.tau_s[-1]))
    low, high = interval(final)
    half = max(final.value - low, high - final.value)
    told = f"{final.value:.1f} °C, 95 % interval {low:.1f} … {high:.1f} °C"
    if remaining == 0.0:
        return SteadyPrediction(now_s, now_c, final, fit.order, 0.0, False, f"the steady criterion is met: {told}")
    if half <= enough_k:
        reason = f"{told}: {remaining / 60.0:.0f} min more would tell little"
        return SteadyPrediction(now_s, now_c, final, fit.order, remaining, False, reason)
    reason = f"{told}: wider than the ± {enough_k:g} K that are wanted, go on"
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


def _fitted(run: ThermalRun) -> NetworkFit:
    """The fewest nodes that chance could explain, the scatter being that about the most nodes that can be fitted."""
    fits: list[NetworkFit] = []
    for order in range(1, MOST_NODES_SHOWN + 1):
        try:
            fit = fit_network([run], order)
        except UsageError:
            break
        if _told_apart(fit):
            fits.append(fit)
    if not fits:
        raise UsageError("no network could be fitted yet")
    most = fits[-1]
    for fit in fits:
        gain = most.dof * ((fit.residual_rms_k / max(most.residual_rms_k, 1e-12)) ** 2 - 1.0)
        if gain <= 2.0 * _F * (most.order - fit.order):
            return fit
    return most


def _told_apart(fit: NetworkFit) -> bool:
    """Whether the slowest of three nodes is known and no two are neighbours: else the third only bends with the
    residuals of a network that is none, and its end lies anywhere."""
    slow = fit.tau(fit.order - 1)
    return fit.order < 3 or bool(slow.u <= _MOST_U * slow.value and np.min(fit.tau_s[1:] / fit.tau_s[:-1]) > _APART_TAU)


class _End:
    """Where a run ends at its load, and how sure that is."""

    def __init__(self, run: ThermalRun, fit: NetworkFit, reference_c: float) -> None:
        self.run, self.fit, self.reference_c = run, fit, reference_c
        lines = [_loss_line(run.temp_c, run.loss_w[:, j]) for j in range(fit.kinds)]
        self.lines = [(line.now_w, line.slope) for line in lines]
        self.moves_w = [line.moves_w for line in lines]
        self.at_c = float(np.nanmean(run.temp_c[-(run.time_s.size // _FIFTHS) :]))

    def of(self, R: Sequence[float], p: Sequence[float], s: Sequence[float]) -> float:
        """Equation (1); the line of a loss goes through its mean over the last fifth."""
        below = 1.0 - sum(a * b for a, b in zip(R, s, strict=True))
        above = self.reference_c + sum(a * (b - c * self.at_c) for a, b, c in zip(R, p, s, strict=True))
        return above / below if below > 0.0 else math.nan

    def estimate(self, u_sensor_k: float) -> Estimate:
        fit, kinds = self.fit, self.fit.kinds
        totals = [fit.total(j) for j in range(kinds)]
        inputs = [*totals, *(mean for mean, _ in self.lines), *(slope for _, slope in self.lines)]
        names = [f"{what} {j + 1}" for what in ("resistance", "loss", "growth of loss") for j in range(kinds)]
        found = propagate(
            lambda *x: self.of(x[:kinds], x[kinds : 2 * kinds], x[2 * kinds :]),
            inputs,
            _correlation(fit, len(inputs)) if kinds > 1 else None,
            names,
            unit="°C",
        )
        if not found.is_measured:
            return found
        u_model = math.hypot(_structure(fit), self._drift(found))
        u_load = self._load_k(found.value)
        rest = math.hypot(u_sensor_k, u_model, u_load)
        whole = combine(found.value, found.u, min(found.dof, fit.dof), rest, unit="°C", name="end")
        parts = (
            Contribution("fit", found.u),
            Contribution("sensor", u_sensor_k),
            Contribution("misfit of the network", u_model),
            Contribution("load that moves", u_load),
        )
        budget = tuple(sorted((line for line in parts if line.u > 0.0), key=lambda line: -line.u))
        whole = replace(whole, budget=budget)
        if kinds > 1:
            return whole
        low, high = self._profile()
        k = expanded(replace(whole, interval95=None)) / whole.u if whole.u > 0.0 else 2.0
        # the ends of the profile in quadrature with what the profile does not know
        down = math.hypot(max(found.value - low, 0.0), k * rest)
        up = math.hypot(max(high - found.value, 0.0), k * rest)
        u = max(whole.u, 0.5 * (up + down) / k)
        return replace(whole, u=u, interval95=(found.value - down, found.value + up))

    def _load_k(self, end_c: float) -> float:
        """What the end moves by if each loss moves off its line again as far as it did of late [K]."""
        R = [self.fit.total(j).value for j in range(self.fit.kinds)]
        means, slopes = zip(*self.lines, strict=True)
        p, s = _values(means), _values(slopes)
        shifted = (
            self.of(R, [x + (self.moves_w[j] if j == i else 0.0) for i, x in enumerate(p)], s) - end_c
            for j in range(self.fit.kinds)
        )
        return math.hypot(*shifted)

    def _drift(self, found: Estimate) -> float:
        """How far earlier predictions lie off, beyond chance [K]."""
        worst = 0.0
        for share in _EARLIER:
            seen = part_of(self.run, slice(int(share * self.run.time_s.size)))
            try:
                fit = fit_network([seen], self.fit.order, start_tau_s=self.fit.tau_s.tolist())
            except UsageError:
                continue
            means, slopes = zip(*self.lines, strict=True)
            before = self.of([fit.total(j).value for j in range(fit.kinds)], *(_values(x) for x in (means, slopes)))
            u_before = sum(fit.total(j).u * abs(means[j].value) for j in range(fit.kinds))
            chance = max(u_before**2 - found.u**2, 0.0)
            off = (before - found.value) ** 2
            if off > _APART * chance:
                worst = max(worst, off - chance)
        return math.sqrt(worst)

    def _profile(self) -> tuple[float, float]:
        """95 % interval of the end: the ends that time constants and resistances give which fit nearly as well.

        ``n_ind (S/S_min - 1) + ((T - T_hat)/u)² <= t²`` (2) over a grid of time constants about the best, S the sum
        of squares with the rest solved for, T_hat and u of the end for given time constants, n_ind readings that are
        independent.
        """
        fit = self.fit
        order = fit.order
        k = coverage_factor(max(fit.dof, 1.0))
        problem = Problem([self.run])
        best = float(np.sum(At(problem, fit.tau_s).left ** 2))
        variance = best / max(fit.dof * fit.readings_per_independent, 1.0) * fit.readings_per_independent
        u_slow = min(math.sqrt(max(fit.covariance[order - 1, order - 1], 1e-12)), 1.0)
        slow = np.linspace(-k * u_slow, 1.5 * k * u_slow, 15)
        var = max(float(fit.covariance[order - 1, order - 1]), 1e-12)
        # the faster ones follow the slowest along the ridge of the sum of squares, a little to either side of it
        ridge = fit.covariance[: order - 1, order - 1] / var
        apart = np.sqrt(np.maximum(np.diag(fit.covariance)[: order - 1] - ridge**2 * var, 0.0))
        sides = [np.zeros(order - 1)]
        sides += [sign * apart[i] * np.eye(order - 1)[i] for i in range(order - 1) for sign in (-1.5, -0.5, 0.5, 1.5)]
        grid = [
            np.exp(fit.parameters[:order] + np.append(np.clip(ridge * a, -2.0, 2.0) + side, a))
            for a in slow
            for side in sides
        ]
        ((mean, growth),) = self.lines
        low, high = math.inf, -math.inf
        for tau in grid:
            if order > 1 and not float(np.min(tau[1:] / tau[:-1])) > 1.05:
                continue
            at = At(problem, tau)
            room = k**2 - fit.dof * (float(at.left @ at.left) / best - 1.0)
            if room < 0.0:
                continue
            R = float(at.c[:, 0].sum())
            row = np.zeros(at.X.shape[1])
            row[:: problem.width] = 1.0
            row = row / at.length
            half = math.sqrt(max(float(row @ at.inverse @ row) * variance, 0.0) * room)
            for side in (R - half, R + half):
                end = self.of([side], [mean.value], [growth.value])
                if math.isnan(end):
                    continue
                low, high = min(low, end), max(high, end)
        return low, high


def _values(estimates: Sequence[Estimate]) -> list[float]:
    return [estimate.value for estimate in estimates]


def _structure(fit: NetworkFit) -> float:
    """What of the residuals is no noise: their RMS less that of the differences from row to row [K]."""
    e = fit.residuals[0][np.isfinite(fit.residuals[0])]
    noise = float(np.mean(np.diff(e) ** 2)) / 2.0
    return math.sqrt(max(float(np.mean(e**2)) - noise, 0.0))


def _correlation(fit: NetworkFit, size: int) -> FloatArray:
    order = fit.order
    rows = np.zeros((fit.kinds, fit.parameters.size))
    for j in range(fit.kinds):
        rows[j, order + j * order : order + (j + 1) * order] = 1.0
    together = rows @ fit.covariance @ rows.T
    spread = np.sqrt(np.diag(together))
    correlation = np.eye(size)
    if np.all(spread > 0.0):
        correlation[: fit.kinds, : fit.kinds] = np.clip(together / np.outer(spread, spread), -1.0, 1.0)
        np.fill_diagonal(correlation, 1.0)
    return correlation


@dataclass(frozen=True, slots=True)
class _LossLine:
    """A loss over temperature: its mean over the last fifth, its slope (0 where it is not shown), and how far it has
    moved off the line through all from fifth to fifth of the last three, beyond chance [W, rms]."""

    now_w: Estimate
    slope: Estimate
    moves_w: float


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
    return _LossLine(now, Estimate(slope, u_slope, "W/K", dof), moves)


def remaining_wait_s(left_k: float, tau_s: float, change_k: float = STEADY_K, over_s: float = STEADY_OVER_S) -> float:
    """Wait [s] until a lag has moved less than ``change_k`` in ``over_s``: ``tau ln(|left| (e^x - 1)/change)`` (3).

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
    """Hottest place [°C] of a part of which a sensor, or its resistance, gives another: ``T + share (T - T_ref)`` (4).

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
