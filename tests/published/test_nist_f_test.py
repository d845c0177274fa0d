"""F-test for equality of two variances.

NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9, example "F-test for equality of two variances": ceramic
strength (JAHANMI2.DAT), two batches of 240 readings with standard deviations 65.54909 and 61.85425; test statistic
F = 1.123037, two-sided critical values at 5 % with 239 and 239 degrees of freedom 0.7756 and 1.2894. From memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.stats import f

from benchkit.analysis.pre_run import noise_ratio

Published = Callable[..., None]


def batch(s: float) -> np.ndarray:
    """240 readings with exactly this standard deviation."""
    x = np.linspace(-1.0, 1.0, 240)
    return s * x / x.std(ddof=1)


def test_the_statistic_and_its_probability(published: Published) -> None:
    one = noise_ratio(batch(61.85425), batch(65.54909))
    published("F", one.ratio**2, "1.123037")
    # at the upper critical value the one-sided probability is 2.5 %
    edge = noise_ratio(batch(1.0), batch(1.2894**0.5))
    published("F at 2.5 %", float(f.isf(edge.p, 239, 239)), "1.2894")
    published("probability there", edge.p, "0.025")
    published("lower critical value", float(f.ppf(0.025, 239, 239)), "0.7756")
