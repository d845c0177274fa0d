"""Exact intervals of counts: starts that succeeded, faults that were answered, trips in an hour.

    (1) k of n, Clopper and Pearson:  p_low = B(α/2; k, n-k+1),   p_high = B(1-α/2; k+1, n-k)      B: quantile of beta
    (2) k in a time T, Garwood:       λ_low = χ²(α/2; 2k) / 2T,   λ_high = χ²(1-α/2; 2k+2) / 2T

Both hold at least what they state, for every k. Sources: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404,
doi:10.1093/biomet/26.4.404; F. Garwood, Biometrika 28 (1936) 437, doi:10.1093/biomet/28.3-4.437.

The standard uncertainty that goes with a count is for tables only: half the width of the 68.27 % interval of the same
kind. What is judged is the interval.
"""

from __future__ import annotations

from benchkit.analysis.coverage import clopper_pearson
from benchkit.errors import UsageError
from benchkit.model.metrics import Counted, Metric

ONE_SIGMA = 0.682689492137086
"""Share of a normal distribution within one standard deviation."""


def binomial_interval(successes: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share [1], equation (1).

    Raises:
        UsageError: not a count out of a count.
    """
    if not 0 <= successes <= trials or trials == 0:
        raise UsageError("not a count out of a count", got=f"{successes} of {trials}")
    return clopper_pearson(successes, trials, confidence)


def poisson_interval(events: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval of the mean of a count [1], equation (2) with T = 1.

    Raises:
        UsageError: not a count.
    """
    from scipy.special import gammaincinv

    if events < 0:
        raise UsageError("not a count", got=events)
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if events == 0 else float(gammaincinv(events, tail))
    return low, float(gammaincinv(events + 1, 1.0 - tail))


def share(name: str, successes: int, trials: int, *, region: str = "", confidence: float = 0.95) -> Metric:
    """A share [1] with its exact interval, such as ``start_reliability``; NaN without a trial."""
    if trials == 0:
        return Metric(name, float("nan"), float("nan"), "1", "no trial", region)
    narrow = binomial_interval(successes, trials, ONE_SIGMA)
    interval = binomial_interval(successes, trials, confidence)
    note = f"{successes} of {trials}; {100 * confidence:g} % interval after Clopper and Pearson"
    u = 0.5 * (narrow[1] - narrow[0])
    return Metric(name, successes / trials, u, "1", note, region, interval, Counted(successes, trials, True))


def rate_per_hour(name: str, events: int, hours: float, *, region: str = "", confidence: float = 0.95) -> Metric:
    """Events an hour [1/h] with their exact interval, such as ``trips_per_hour``; NaN without time.

    Events of one cause come in bunches: the interval holds for those that come one by one.
    """
    if not hours > 0.0:
        return Metric(name, float("nan"), float("nan"), "1/h", "no time", region)
    low, high = poisson_interval(events, ONE_SIGMA)
    interval = tuple(end / hours for end in poisson_interval(events, confidence))
    note = f"{events} in {hours:.4g} h; {100 * confidence:g} % interval after Garwood"
    u, counted = 0.5 * (high - low) / hours, Counted(events, hours, False)
    return Metric(name, events / hours, u, "1/h", note, region, (interval[0], interval[1]), counted)
