"""Do stated intervals hold the truth as often as they say? For estimates whose true values are known.

Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404, doi 10.1093/biomet/26.4.404.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many of ``count`` intervals held the truth; ``low`` and ``high`` bound the true share at ``confidence``."""

    count: int
    inside: int
    stated: float
    low: float
    high: float
    confidence: float

    @property
    def fraction(self) -> float:
        """Share of intervals that held the truth [1]; NaN of none."""
        return self.inside / self.count if self.count else math.nan

    @property
    def agrees(self) -> bool:
        """True where the stated probability lies within the bounds."""
        return self.low <= self.stated <= self.high


def coverage(
    estimates: Sequence[Estimate], truths: Sequence[float], probability: float = 0.95, confidence: float = 0.95
) -> Coverage:
    """Count the intervals that hold their truth, with the bounds of Clopper and Pearson for the true share [1].

    Pairs with a NaN on either side are left out and not counted. Estimates must be independent of each other.

    Raises:
        UsageError: different numbers of estimates and truths.

    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404, doi 10.1093/biomet/26.4.404.

    >>> from benchkit.model.results import Estimate
    >>> found = coverage([Estimate(1.0, 0.1, "W"), Estimate(2.0, 0.1, "W")], [1.1, 2.5])
    >>> found.inside, found.count
    (1, 2)
    """
    if len(estimates) != len(truths):
        raise UsageError("one truth for each estimate", got=len(truths), expected=str(len(estimates)))
    inside = count = 0
    for estimate, truth in zip(estimates, truths, strict=True):
        if math.isnan(estimate.value) or math.isnan(estimate.u) or math.isnan(truth):
            continue
        low, high = interval(estimate, probability)
        count += 1
        inside += low <= truth <= high
    return Coverage(count, inside, probability, *clopper_pearson(inside, count, confidence), confidence)


def clopper_pearson(successes: int, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact bounds of a share [1] from a count; (0, 1) of nothing.

    >>> [round(x, 4) for x in clopper_pearson(0, 10)]
    [0.0, 0.3085]
    """
    from scipy.special import betaincinv

    if not 0 <= successes <= count:
        raise UsageError("a count of successes lies between 0 and the count", got=successes, expected=f"0 to {count}")
    if count == 0:
        return 0.0, 1.0
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if successes == 0 else float(betaincinv(successes, count - successes + 1, tail))
    high = 1.0 if successes == count else float(betaincinv(successes + 1, count - successes, 1.0 - tail))
    return low, high
