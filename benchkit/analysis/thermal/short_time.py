"""How long a load may be held, what may be held for a time or in turns, and how long a part must rest.

Source: (1) and (2) derived here from the modes of :mod:`benchkit.analysis.thermal.networks`; duties S1 to S3 in the
words of IEC 60034-1 (from memory); trials after JCGM 101:2008.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.fit import NetworkFit
from benchkit.analysis.thermal.loss_law import LossLaw
from benchkit.analysis.thermal.networks import (
    Cauer,
    cauer_of,
    foster_of,
    modes_of,
    network_of,
    steady_c,
    with_loss_slope,
)
from benchkit.analysis.thermal.ratings import Part
from benchkit.analysis.uncertainty import propagate, propagate_many
from benchkit.errors import UsageError
from benchkit.model.results import Contribution, Estimate

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Temperature of the heated node at a constant load: ``T(t) = base + sum_i part_i e^(-rate_i t)`` (1).

    A negative rate is thermal runaway; the sum then has no end.
    """

    base_c: float
    part_k: FloatArray
    rate_per_s: FloatArray

    def at(self, time_s: npt.ArrayLike) -> FloatArray:
        """Temperatures [°C] at times [s] after the load began."""
        t = np.asarray(time_s, dtype=np.float64)
        exponents = np.clip(-t[..., None] * self.rate_per_s, -700.0, 700.0)
        return np.asarray(self.base_c + np.exp(exponents) @ self.part_k)

    @property
    def final_c(self) -> float:
        """Temperature in the end [°C]; infinite where it runs away."""
        return self.base_c if np.all(self.rate_per_s > 0.0) else math.inf

    def first_above(self, limit_c: float) -> float:
        """First time [s] at the limit: 0 where it starts there, infinite where it never comes."""
        return _first(lambda t: self.at(t) - limit_c, self.rate_per_s)

    def first_below(self, limit_c: float) -> float:
        """First time [s] at or below a temperature; infinite where it never comes."""
        return _first(lambda t: limit_c - self.at(t), self.rate_per_s)


def _first(excess: Callable[[FloatArray], FloatArray], rates: FloatArray) -> float:
    """First root of a sum of exponentials that starts negative: scanned over the scales of all rates, then halved."""
    from scipy.optimize import brentq

    if float(excess(np.zeros(1))[0]) >= 0.0:
        return 0.0
    sizes = np.abs(rates[rates != 0.0])
    t = np.concatenate([[0.0], np.geomspace(1e-3 / sizes.max(), 60.0 / sizes.min(), 240)])
    values = excess(t)
    if not np.any(values >= 0.0):
        return math.inf
    k = int(np.argmax(values >= 0.0))
    return float(brentq(lambda x: float(excess(np.array([x]))[0]), t[k - 1], t[k], xtol=1e-9, rtol=1e-12))


def course(
    cauer: Cauer, law: LossLaw, current_a: float, speed_rpm: float, coolant_c: float, start_c: npt.ArrayLike
) -> Course:
    """Course (1) of the heated node of a ladder from any start temperatures, growth of the loss included.

    Current [A], speed [rpm], temperatures [°C].

    ``start_c`` is one temperature for all nodes, or (nodes,); see :func:`steady_start` for the start after a long load.
    """
    slope = law.square_w_a2 * current_a**2 * law.alpha_per_k
    network = with_loss_slope(network_of(cauer), slope)
    nodes = cauer.capacity_j_k.size
    # above the coolant: a reference of zero, and the loss at the temperature of the coolant
    heat = np.zeros(nodes)
    heat[0] = law.loss_w(current_a, speed_rpm, coolant_c)
    modes = modes_of(network)
    rates = np.where(np.abs(modes.rate_per_s) < 1e-12, 1e-12, modes.rate_per_s)
    start = np.broadcast_to(np.asarray(start_c, dtype=np.float64), (nodes,)) - coolant_c
    first = modes.shape.T @ (network.capacity_j_k * start)
    ends = (modes.shape.T @ heat) / rates
    return Course(
        float(coolant_c + modes.shape[0] @ ends), np.asarray(modes.shape[0] * (first - ends)), np.asarray(rates)
    )


def steady_start(cauer: Cauer, law: LossLaw, current_a: float, speed_rpm: float, coolant_c: float) -> FloatArray:
    """Temperatures (nodes,) [°C] after a long load; NaN where it runs away."""
    slope = law.square_w_a2 * current_a**2 * law.alpha_per_k
    heat = np.zeros(cauer.capacity_j_k.size)
    heat[0] = law.loss_w(current_a, speed_rpm, coolant_c)
    rise = steady_c(with_loss_slope(network_of(cauer), slope), heat, 0.0)
    return np.asarray(rise + coolant_c)


def heat_evenly(fit: NetworkFit, kind: int, temp_c: float, coolant_c: float) -> FloatArray:
    """Start temperatures (nodes,) [°C] of a ladder whose heated node has ``temp_c`` and which was long at one load."""
    cauer = cauer_of(fit.foster(kind))
    from_end = np.cumsum(cauer.resistance_k_w[::-1])[::-1]
    return np.asarray(coolant_c + (temp_c - coolant_c) * from_end / from_end[0])


def time_to_limit(
    part: Part,
    current_a: float,
    speed_rpm: float,
    coolant: Estimate,
    start: Estimate,
    *,
    draws: int = 200,
    seed: int = 0,
) -> Estimate:
    """Time [s] until a part reaches its limit at a load, from a start temperature; infinite where it never does.

    Before the load the part was at ``start`` after a long time at a lighter one (its ladder evenly graded). The
    uncertainty is by drawing network, law, limit and start (Monte Carlo, JCGM 101): the time is far from linear in them
    near the continuous load, so ``interval95`` holds the 2.5 and 97.5 % points, infinite where a share of draws never
    arrives.
    """
    rng = np.random.default_rng(seed)

    def seconds(network: NetworkFit, law: LossLaw, limit: float, ref: float, first: float) -> float:
        try:
            cauer = cauer_of(network.foster(part.kind))
        except UsageError:  # a draw that is no ladder
            return math.nan
        from_end = np.cumsum(cauer.resistance_k_w[::-1])[::-1]
        grades = ref + (first - ref) * from_end / from_end[0]
        return course(cauer, law, current_a, speed_rpm, ref, grades).first_above(limit)

    best = seconds(part.network, part.law, part.limit_c.value, coolant.value, start.value)
    if math.isnan(best):
        raise UsageError("this network is no ladder: its heated node is not where the sensor sits", where=part.name)
    drawn = np.array([
        seconds(
            network,
            law,
            rng.normal(part.limit_c.value, part.limit_c.u or 0.0),
            rng.normal(coolant.value, coolant.u or 0.0),
            rng.normal(start.value, start.u or 0.0),
        )
        for network, law in _drawn(part, rng, draws)
    ])  # fmt: skip
    return _by_draws(best, drawn[~np.isnan(drawn)], "s")


def _drawn(part: Part, rng: np.random.Generator, draws: int) -> list[tuple[NetworkFit, LossLaw]]:
    fit, law = part.network, part.law
    networks = rng.multivariate_normal(fit.parameters, fit.covariance, size=draws, method="eigh")
    centre = np.array([law.square_w_a2, law.per_rpm_w, law.per_rpm2_w])
    laws = rng.multivariate_normal(centre, law.covariance, size=draws, method="eigh")
    return [
        (
            replace(fit, parameters=p),
            replace(law, square_w_a2=float(q[0]), per_rpm_w=float(q[1]), per_rpm2_w=float(q[2])),
        )
        for p, q in zip(networks, laws, strict=True)
    ]


def _by_draws(best: float, drawn: FloatArray, unit: str) -> Estimate:
    if drawn.size < 20:
        return Estimate(best, math.nan, unit)
    low, high = (float(np.quantile(drawn, q, method="nearest")) for q in (0.025, 0.975))
    finite = drawn[np.isfinite(drawn)]
    # a share that never arrives has no spread: half the width of the middle 68 % of the rest
    u = float(np.std(finite)) if finite.size == drawn.size else math.inf
    return Estimate(best, u, unit, budget=(Contribution("network, loss, limit and start", u),), interval95=(low, high))


def short_time_current(part: Part, seconds: float, speed_rpm: float, coolant: Estimate, start: Estimate) -> Estimate:
    """Current [A] that brings a part from a start temperature to its limit in a given time (duty S2 from cold).

    NaN where it starts at the limit or beyond. Found by halving on :func:`course`; the uncertainty is propagated from
    resistance (all parts of the network alike), loss, limit, coolant and start.
    """
    from scipy.optimize import brentq

    law = part.law
    cauer = cauer_of(part.network.foster(part.kind))
    total = part.total_k_w()
    share_k = math.sqrt(max(float(law.covariance[0, 0]), 0.0))

    def current(limit: float, ref: float, first: float, R: float, k: float) -> float:
        scaled = Cauer(cauer.capacity_j_k * total.value / R, cauer.resistance_k_w * R / total.value)
        own = LossLaw(k, law.per_rpm_w, law.per_rpm2_w, law.alpha_per_k, law.covariance)
        from_end = np.cumsum(scaled.resistance_k_w[::-1])[::-1]
        grades = ref + (first - ref) * from_end / from_end[0]

        def excess(amps: float) -> float:
            return float(course(scaled, own, amps, speed_rpm, ref, grades).at(seconds)) - limit

        if first >= limit or not excess(0.0) < 0.0:
            return math.nan
        top = math.sqrt((limit - ref) / (k * R))
        for _ in range(60):
            if excess(top) > 0.0:
                return float(brentq(excess, 0.0, top, xtol=1e-9, rtol=1e-10))
            top *= 1.5
        return math.nan

    inputs = (part.limit_c, coolant, start, total, Estimate(law.square_w_a2, share_k, "W/A²"))
    names = (f"{part.name} limit", "coolant", "start", f"{part.name} thermal resistance", "loss by current")
    return propagate(current, inputs, names=names, unit="A")


def periodic_peak_c(
    cauer: Cauer, law: LossLaw, current_a: float, on_s: float, off_s: float, speed_rpm: float, coolant_c: float
) -> float:
    """Highest temperature [°C] of the heated node in a load that comes and goes for ever (duty S3).

    The loss while on is taken at the peak itself (on the safe side, and found by repetition): with ``e_i`` the decay
    of lag i, ``T = T_ref + P sum_i R_i (1 - e_i,on)/(1 - e_i,on e_i,off)`` (2). While off there is no loss.
    """
    foster = foster_of(cauer)
    on, off = np.exp(-on_s / foster.tau_s), np.exp(-off_s / foster.tau_s)
    effective = float(foster.resistance_k_w @ ((1.0 - on) / (1.0 - on * off)))
    slope = effective * law.square_w_a2 * current_a**2 * law.alpha_per_k
    if slope >= 1.0:
        return math.inf
    return coolant_c + effective * law.loss_w(current_a, speed_rpm, coolant_c) / (1.0 - slope)


def periodic_current(part: Part, on_s: float, off_s: float, speed_rpm: float, coolant: Estimate) -> Estimate:
    """Current [A] of a load in turns (duty S3) whose peaks just reach the limit of a part; see (2).

    ``off_s`` 0 is the continuous current (S1).
    """
    law = part.law
    cauer = cauer_of(part.network.foster(part.kind))
    foster = foster_of(cauer)
    on, off = np.exp(-on_s / foster.tau_s), np.exp(-off_s / foster.tau_s)
    share = float(foster.resistance_k_w @ ((1.0 - on) / (1.0 - on * off))) / foster.total_k_w
    lighter = Estimate(part.total_k_w().value * share, part.total_k_w().u * share, "K/W", part.total_k_w().dof)
    grown = 1.0 + law.alpha_per_k * (part.limit_c.value - 20.0)

    def current(limit: float, ref: float, R: float, k: float) -> float:
        left = (limit - ref) / R - law.constant_w(speed_rpm)
        return math.sqrt(left / (k * grown)) if left > 0.0 else math.nan

    k = Estimate(law.square_w_a2, math.sqrt(max(float(law.covariance[0, 0]), 0.0)), "W/A²")
    names = (f"{part.name} limit", "coolant", f"{part.name} thermal resistance", "loss by current")
    return propagate(current, (part.limit_c, coolant, lighter, k), names=names, unit="A")


def recovery_time(
    part: Part, current_a: float, speed_rpm: float, coolant: Estimate, start: Estimate, ready_c: float
) -> Estimate:
    """Time [s] until a part has cooled from ``start`` to ``ready_c`` at a lighter load; infinite if never."""
    law = part.law
    cauer = cauer_of(part.network.foster(part.kind))
    total = part.total_k_w()

    def seconds(ref: float, first: float, R: float) -> tuple[float]:
        scaled = Cauer(cauer.capacity_j_k * total.value / R, cauer.resistance_k_w * R / total.value)
        from_end = np.cumsum(scaled.resistance_k_w[::-1])[::-1]
        grades = ref + (first - ref) * from_end / from_end[0]
        return (course(scaled, law, current_a, speed_rpm, ref, grades).first_below(ready_c),)

    best = seconds(coolant.value, start.value, total.value)[0]
    if math.isinf(best) or best == 0.0:
        return Estimate(best, math.nan if math.isinf(best) else 0.0, "s")
    names = ("coolant", "start", f"{part.name} thermal resistance")
    return propagate_many(seconds, (coolant, start, total), names=names, units=("s",)).estimates[0]
