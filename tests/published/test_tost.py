"""Two one-sided tests: a worked case of a statistics manual (corn yields), values as the tests of the R package TOSTER
quote them: difference -8.1154, bounds ±110. The yields themselves are from memory; their difference is checked."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.compare.statistics import equivalence, two_samples

A = np.array([452, 874, 554, 447, 356, 754, 558, 574, 664, 682, 547, 435, 245], dtype=float)
B = np.array([546, 547, 774, 465, 459, 665, 467, 365, 589, 534, 456, 651, 654, 665, 546, 537], dtype=float)


def test_pooled(published):
    found = two_samples(B, A, equal_variance=True)
    published("difference", found.difference, "-8.1154")
    both = equivalence(found.difference, found.u, found.dof, 110.0)
    published("p against the lower margin", both.p_low, "0.02821")
    published("p against the upper margin", both.p_high, "0.01436")
    assert both.p_value == both.p_low


def test_welch(published):
    found = two_samples(B, A)
    published("degrees of freedom", found.dof, "19.169")
    both = equivalence(found.difference, found.u, found.dof, 110.0)
    published("p against the lower margin", both.p_low, "0.03628")
    published("p against the upper margin", both.p_high, "0.02002")
