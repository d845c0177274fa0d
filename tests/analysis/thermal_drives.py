"""Simulated drives whose networks are known: ladders of two or three nodes, copper loss that grows with temperature.

All drives run side by side through one loop over time. Between samples current and coolant run straight; loss follows
the temperature of the winding. What is measured carries noise that remembers, and calibration errors that stay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.loss_law import ALPHA_COPPER_20
from benchkit.analysis.thermal.networks import Cauer, modes_of, network_of
from benchkit.analysis.thermal.runs import ThermalRun, thermal_run

FloatArray = npt.NDArray[np.float64]
COOLANT_C = 40.0
LIMIT_C = 150.0
U_SENSOR_K = 0.3
U_LOSS = 0.005
SAMPLES = 3000
LEVELS = ((0.45, 1.0), (0.65, 0.5), (0.85, 0.8), (1.0, 0.2))
"""Share of the time until which a share of the current is held."""


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """Truth of one drive: ladder, loss ``k I² (1 + alpha (T - 20)) + standing`` [W], and the current of its tests."""

    cauer: Cauer
    k_w_a2: float
    standing_w: float
    current_a: float

    @property
    def tau_s(self) -> FloatArray:
        return np.asarray(1.0 / modes_of(network_of(self.cauer)).rate_per_s[::-1])

    def final_c(self, current_a: float) -> float:
        """exact: T (1 - R k I² alpha) = T_ref + R (k I² (1 - 20 alpha) + P_0)."""
        R, square = self.cauer.total_k_w, self.k_w_a2 * current_a**2
        above = COOLANT_C + R * (square * (1.0 - 20.0 * ALPHA_COPPER_20) + self.standing_w)
        return above / (1.0 - R * square * ALPHA_COPPER_20)

    def continuous_a(self) -> float:
        """exact: the loss at the limit carries the rise to the limit."""
        loss = (LIMIT_C - COOLANT_C) / self.cauer.total_k_w - self.standing_w
        return float(np.sqrt(loss / (self.k_w_a2 * (1.0 + ALPHA_COPPER_20 * (LIMIT_C - 20.0)))))


@dataclass(frozen=True, slots=True, eq=False)
class Test:
    """One measured test of one drive, the current that flowed, and the winding without any error."""

    __test__ = False  # no case of pytest
    run: ThermalRun
    current_a: FloatArray
    winding_c: FloatArray


def drives(count: int, nodes: int, seed: int) -> list[Drive]:
    """Ladders with time constants of about one to sixty minutes, rises of 60 to 110 K."""
    rng = np.random.default_rng(seed)
    found: list[Drive] = []
    while len(found) < count:
        C = np.exp(rng.uniform(np.log([900.0, 9e3, 4e4][:nodes]), np.log([2.5e3, 2.5e4, 9e4][:nodes])))
        R = rng.uniform([0.015, 0.02, 0.015][:nodes], [0.04, 0.06, 0.03][:nodes])
        cauer = Cauer(C, R)
        tau = 1.0 / modes_of(network_of(cauer)).rate_per_s[::-1]
        if np.min(tau[1:] / tau[:-1]) < 3.0 or not 600.0 <= tau[-1] <= 3600.0:
            continue
        rise, share = rng.uniform(60.0, 110.0), rng.uniform(0.6, 0.9)
        loss, current = rise / cauer.total_k_w, rng.uniform(60.0, 200.0)
        k = share * loss / current**2 / (1.0 + ALPHA_COPPER_20 * (COOLANT_C + rise - 20.0))
        found.append(Drive(cauer, k, (1.0 - share) * loss, current))
    return found


def heat_runs(known: list[Drive], seed: int, lengths: float = 8.0) -> list[Test]:
    """One test each: a constant current from cold, for so many of the slowest time constants."""
    return _measure(known, np.ones(SAMPLES), lengths, seed)


def load_runs(known: list[Drive], seed: int, lengths: float = 6.0) -> list[Test]:
    """One test each: the load of :data:`LEVELS`, from cold."""
    share = np.linspace(0.0, 1.0, SAMPLES)
    level = np.array([next(value for until, value in LEVELS if x <= until) for x in share])
    return _measure(known, level, lengths, seed)


def _measure(known: list[Drive], level: FloatArray, lengths: float, seed: int) -> list[Test]:
    rng = np.random.default_rng(seed)
    count = len(known)
    dt = np.array([lengths * drive.tau_s[-1] / (SAMPLES - 1) for drive in known])
    current = level[None, :] * np.array([drive.current_a for drive in known])[:, None]
    coolant = COOLANT_C + _wander(rng, count, dt, 300.0, 0.4)
    winding, loss = _run(known, dt, current, coolant)
    sensor = U_SENSOR_K * _scores(rng.standard_normal(count))
    gain = 1.0 + U_LOSS * _scores(rng.standard_normal(count))
    # a sample is the mean of the readings since the last one, taken every second
    white = 1.0 / np.sqrt(np.maximum(dt, 1.0))[:, None]
    noise = 0.05 * white * rng.standard_normal((count, SAMPLES)) + _wander(rng, count, dt, 15.0, 0.05)
    power_noise = 1.0 + 0.01 * white * rng.standard_normal((count, SAMPLES))
    tests = []
    for i in range(count):
        run = thermal_run(
            np.arange(SAMPLES) * dt[i],
            winding[i] + sensor[i] + noise[i],
            coolant[i],
            loss[i] * gain[i] * power_noise[i],
            name=f"drive {i + 1}",
        )
        tests.append(Test(run, current[i], winding[i]))
    return tests


def _scores(drawn: FloatArray) -> FloatArray:
    """Normal numbers (count,) as the normal scores of their ranks: errors of calibration, of which each drive has one,
    are then as large over all drives as their uncertainty says, by no luck of the seed.

    Source: stratified sampling, textbook.
    """
    from scipy.special import ndtri

    return np.asarray(ndtri((np.argsort(np.argsort(drawn)) + 0.5) / drawn.size))


def _wander(rng: np.random.Generator, count: int, dt: FloatArray, tau_s: float, sd: float) -> FloatArray:
    """First-order noise (count, samples) of a standard deviation."""
    phi = np.exp(-dt / tau_s)
    steps = rng.standard_normal((count, SAMPLES)) * np.sqrt(1.0 - phi**2)[:, None]
    out = np.empty_like(steps)
    out[:, 0] = rng.standard_normal(count)
    for k in range(1, SAMPLES):
        out[:, k] = phi * out[:, k - 1] + steps[:, k]
    return np.asarray(sd * out)


def _run(known: list[Drive], dt: FloatArray, current: FloatArray, coolant: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Winding temperature and loss (count, samples), the loss straight between samples.

    exact: ``x' = phi x + g0 q + g1 q'`` for each mode; q' holds the loss at the new temperature, which is linear in it.
    """
    modes = [modes_of(network_of(drive.cauer)) for drive in known]
    rate = np.stack([m.rate_per_s for m in modes])
    shape = np.stack([m.shape for m in modes])
    capacity = np.stack([drive.cauer.capacity_j_k for drive in known])
    sink = np.array([1.0 / drive.cauer.resistance_k_w[-1] for drive in known])
    k = np.array([drive.k_w_a2 for drive in known])
    standing = np.array([drive.standing_w for drive in known])
    z = rate * dt[:, None]
    phi, mean = np.exp(-z), -np.expm1(-z) / z
    g1 = dt[:, None] * (1.0 - mean) / z
    g0 = dt[:, None] * mean - g1
    heated, end = shape[:, 0, :], shape[:, -1, :]
    x = np.einsum("dnm,dn->dm", shape, capacity * coolant[:, :1])
    winding, loss = np.empty(current.shape), np.empty(current.shape)
    for j in range(current.shape[1]):
        square = k * current[:, j] ** 2
        if j:
            x = phi * x + g0 * (heated * loss[:, j - 1 : j] + end * (sink * coolant[:, j - 1])[:, None])
            x += g1 * end * (sink * coolant[:, j])[:, None]
            before = np.einsum("dm,dm->d", heated, x)
            push = np.einsum("dm,dm->d", heated, g1 * heated)
            cold = square * (1.0 - 20.0 * ALPHA_COPPER_20) + standing
            slope = square * ALPHA_COPPER_20
            winding[:, j] = (before + push * cold) / (1.0 - push * slope)
            loss[:, j] = cold + slope * winding[:, j]
            x += g1 * heated * loss[:, j : j + 1]
        else:
            winding[:, 0] = np.einsum("dm,dm->d", heated, x)
            loss[:, 0] = square * (1.0 + ALPHA_COPPER_20 * (winding[:, 0] - 20.0)) + standing
    return winding, loss


def usual_wait_s(test: Test, change_k: float = 1.0, over_s: float = 1800.0) -> float:
    """First time at which the winding has moved by no more than a kelvin in the half hour before."""
    t = test.run.time_s
    # the wander of the coolant is no heating: a mean over five minutes carries the criterion
    length = max(int(300.0 / (t[1] - t[0])), 1)
    smooth = np.convolve(test.winding_c, np.ones(length) / length, "same")
    before = np.interp(t - over_s, t, smooth)
    usable = (t >= over_s + 300.0) & (t <= t[-1] - 300.0)
    met = usable & (np.abs(smooth - before) <= change_k)
    return float(t[np.argmax(met)]) if np.any(met) else float(t[-1])
