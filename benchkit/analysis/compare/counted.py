"""Two counts compared exactly: shares (Fisher) and rates (conditional binomial).

    (1) k1 of n1 against k2 of n2: given k = k1 + k2, k1 is hypergeometric where the shares are equal.
    (2) k1 in T1 against k2 in T2: given k, k1 is binomial with T1 / (T1 + T2) where the rates are equal.

The two-sided p-value is the probability of all outcomes that are no likelier than the one seen. With (2), the exact
interval of the share of k1 (Clopper and Pearson) gives that of the ratio of the rates.

Source: R. A. Fisher, J. R. Stat. Soc. 98 (1935) 39, doi:10.2307/2342435; J. Przyborowski and H. Wilenski, Biometrika
31 (1940) 313, doi:10.1093/biomet/31.3-4.313.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchkit.analysis.coverage import clopper_pearson
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

TIE = 1e-9
"""Outcomes whose probabilities agree to this (relative) are equally likely: rounding must not decide."""


def equal_shares(k1: int, n1: int, k2: int, n2: int) -> float:
    """Two-sided p-value [1] that two shares are the same, equation (1).

    Raises:
        UsageError: not counts out of counts.
    """
    for k, n in ((k1, n1), (k2, n2)):
        if not 0 <= k <= n or n == 0:
            raise UsageError("not a count out of a count", got=f"{k} of {n}")
    total = k1 + k2
    places = np.arange(max(0, total - n2), min(total, n1) + 1, dtype=np.float64)
    return _no_likelier(_log_choose(n1, places) + _log_choose(n2, total - places), int(k1 - places[0]))


def equal_rates(k1: int, t1: float, k2: int, t2: float) -> float:
    """Two-sided p-value [1] that two rates are the same, equation (2); both times in one unit.

    Raises:
        UsageError: not counts in times.
    """
    if min(k1, k2) < 0 or not min(t1, t2) > 0.0:
        raise UsageError("not a count in a time", got=f"{k1} in {t1:g}, {k2} in {t2:g}")
    total, share = k1 + k2, t1 / (t1 + t2)
    places = np.arange(total + 1, dtype=np.float64)
    log_p = _log_choose(total, places) + places * math.log(share) + (total - places) * math.log1p(-share)
    return _no_likelier(log_p, k1)


def ratio_of_rates(k1: int, t1: float, k2: int, t2: float, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval of rate 2 over rate 1 [1]; 0 … ∞ where nothing was counted."""
    if k1 + k2 == 0:
        return 0.0, math.inf
    low, high = clopper_pearson(k2, k1 + k2, confidence)
    return low / (1.0 - low) * t1 / t2, math.inf if high >= 1.0 else high / (1.0 - high) * t1 / t2


def _log_choose(n: float, k: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    return np.asarray(gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0))


def _no_likelier(log_p: FloatArray, seen: int) -> float:
    p = np.exp(log_p - log_p.max())
    return min(1.0, float(p[p <= p[seen] * (1.0 + TIE)].sum() / p.sum()))
