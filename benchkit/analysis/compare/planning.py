"""How many runs, in which order, to show a difference that matters, given the noise that was seen.

A plan is days of ABBA: four runs, A B B A, so that a straight drift over the day falls out of the difference, and a
reference point at the beginning and the end of each run, from which drift is measured. More days give more blocks and
more degrees of freedom; more points a run make only the scatter of the points smaller, not what differs between runs.

Source: power by drawing the test of the comparison, derived here; ABBA and reference points, common practice, no
source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare import blocked
from benchkit.analysis.compare.blocked import Order
from benchkit.analysis.compare.comparison import Comparison
from benchkit.analysis.compare.statistics import ALPHA, POWER, p_two_sided
from benchkit.analysis.compare.verdict import adjusted
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

MOST_DAYS = 30
DRAWS = 4000
PATTERNS = {"ABBA": "ABBA", "AB": "AB"}


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """How runs of one firmware differ, by region (k,) [% of the input power].

    ``run`` is the standard deviation from run to run beside the scatter of points, ``point`` that scatter in the mean
    of a region, for the points of the runs seen. ``correlation`` is that between regions of the same run. ``dof``
    says how well they are known.
    """

    run: FloatArray
    point: FloatArray
    correlation: FloatArray
    dof: float

    def sd(self, points_factor: float = 1.0) -> FloatArray:
        """Standard deviation of the value of a run (k,) [% of the input power] with so many times the points:
        ``sqrt(run² + point²/factor)``."""
        return np.asarray(np.sqrt(self.run**2 + self.point**2 / points_factor))


def noise_of(found: Comparison, subject: str = "drive") -> Noise:
    """Noise as a comparison saw it.

    Raises:
        UsageError: no such loss, or no repeated runs in it.
    """
    loss = next((x for x in found.losses if x.subject == subject), None)
    if loss is None or not loss.found.dof >= 1.0:
        raise UsageError(
            "the runs do not tell how much two runs of one firmware differ",
            where=subject,
            remedy="Give two runs or more of one firmware on each side, or state the noise.",
        )
    slopes = loss.found.slopes > 0
    rest, dof = blocked.residuals(loss.values[:, :-1], found.order, slopes=slopes)
    covariance = rest.T @ rest / max(dof, 1)
    sd = np.sqrt(np.diag(covariance))
    point = np.minimum(np.sqrt(np.mean(loss.scatter[:, :-1] ** 2, axis=0)), sd)
    correlation = covariance / np.outer(sd, sd)
    return Noise(np.sqrt(np.maximum(sd**2 - point**2, 0.0)), point, correlation, float(dof))


def assumed_noise(run: float, point: float, regions: int, correlation: float = 0.5) -> Noise:
    """Noise that is stated, the same in all regions: ``run``, ``point`` [% of the input power], ``correlation`` [1]."""
    matrix = np.full((regions, regions), correlation) + (1.0 - correlation) * np.eye(regions)
    return Noise(np.full(regions, run), np.full(regions, point), matrix, math.inf)


def order_of_days(days: int, pattern: str = "ABBA", hours_a_run: float = 1.0) -> Order:
    """Runs of a plan: so many days with the same pattern; AB is turned round every other day. ``hours_a_run`` [h]."""
    letters, blocks, times = [], [], []
    for day in range(days):
        own = PATTERNS[pattern] if day % 2 == 0 else PATTERNS[pattern][::-1]
        if pattern == "ABBA" and day % 2:
            own = "BAAB"
        letters += list(own)
        blocks += [day] * len(own)
        times += [24.0 * day + hours_a_run * k for k in range(len(own))]
    return Order(np.array([x == "B" for x in letters]), np.array(blocks), np.array(times))


def promised_power(
    noise: Noise,
    order: Order,
    difference: float,
    *,
    points_factor: float = 1.0,
    rule: str = "holm",
    slopes: bool = True,
    seed: int = 1,
    draws: int = DRAWS,
) -> FloatArray:
    """Probability (k,) [1] that a true difference, the same in all regions, gets a verdict in each of them.

    Drawn: residuals of runs are normal with the covariance of the noise, the test is that of the comparison with the
    degrees of freedom of the plan, and the rule for many regions is applied to every draw.

    Args:
        difference: the true one [% of the input power].
        slopes: a straight drift is fitted in every balanced day of four runs, as the comparison does.
    """
    size = float(np.sum(_beside_blocks(order, slopes) ** 2))
    free = blocked.residuals(order.is_b.astype(np.float64)[:, None], order, slopes=slopes)[1]
    if free < 1 or size < 1e-9:
        return np.zeros(noise.run.shape)
    sd = noise.sd(points_factor)
    root = np.linalg.cholesky(np.outer(sd, sd) * noise.correlation + 1e-12 * np.diag(sd**2))
    rng = np.random.default_rng(seed)
    k = sd.size
    d = difference + rng.standard_normal((draws, k)) @ root.T / math.sqrt(size)
    squares = np.sum((rng.standard_normal((draws, free, k)) @ root.T) ** 2, axis=1)
    t = d / np.sqrt(squares / free / size)
    p = p_two_sided(t, float(free))
    p = adjusted(p, rule)
    return np.asarray(np.mean((p < ALPHA) & (d * difference > 0.0), axis=0))


def _beside_blocks(order: Order, slopes: bool) -> FloatArray:
    """What blocks and drift leave of the side: its square is the weight of the difference."""
    columns, _ = order.nuisance(slopes)
    q = np.linalg.svd(columns, full_matrices=False)[0]
    side = order.is_b.astype(np.float64)
    return np.asarray(side - q @ (q.T @ side))


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Days, pattern and points of a comparison, with what it promises.

    ``power`` (k,) by region and ``mean_power``; ``hours`` on the stand. ``reached`` is False where even the largest
    plan does not reach the wanted power.
    """

    days: int
    pattern: str
    points_factor: int
    difference: float
    power: FloatArray
    wanted: float
    hours: float
    rule: str
    reached: bool

    @property
    def runs(self) -> int:
        """Runs in all."""
        return self.days * len(self.pattern)

    @property
    def mean_power(self) -> float:
        """Mean of ``power`` over the regions [1]."""
        return float(self.power.mean())


def plan(
    noise: Noise,
    difference: float,
    *,
    wanted: float = POWER,
    rule: str = "holm",
    points: int = 16,
    dwell_s: float = 60.0,
    warm_up_s: float = 1200.0,
    most_days: int = MOST_DAYS,
) -> Plan:
    """The shortest plan (hours on the stand) whose mean power over the regions reaches ``wanted``.

    Args:
        noise: as seen, or as stated.
        difference: the one that matters [% of the input power].
        points: set-points a run, for which ``noise.point`` holds; once, twice and three times as many are tried.
        dwell_s, warm_up_s: time at a set-point, and of thermal preconditioning before each run [s].

    Raises:
        UsageError: a difference or a power that makes no sense.
    """
    if not difference > 0.0 or not 0.0 < wanted < 1.0:
        raise UsageError(
            "a plan needs a difference above zero and a power between 0 and 1", got=f"{difference}, {wanted}"
        )
    best: Plan | None = None
    for factor in (1, 2, 3):
        hours_a_run = (warm_up_s + factor * points * dwell_s) / 3600.0
        low, high = 1, most_days
        power = promised_power(noise, order_of_days(high), difference, points_factor=factor, rule=rule)
        reached = float(power.mean()) >= wanted
        while reached and low < high:  # power rises with the days
            middle = (low + high) // 2
            there = promised_power(noise, order_of_days(middle), difference, points_factor=factor, rule=rule)
            if float(there.mean()) >= wanted:
                high, power = middle, there
            else:
                low = middle + 1
        hours = 4 * high * hours_a_run
        found = Plan(high, "ABBA", factor, difference, power, wanted, hours, rule, reached)
        if best is None or (found.reached, -found.hours) > (best.reached, -best.hours):
            best = found
    assert best is not None
    return best
