"""Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289, section 3.2: fifteen p-values, level 0.05."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.compare.statistics import benjamini_hochberg, holm

P = np.array([
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
])  # fmt: skip


def test_rejected(published):
    published("Benjamini-Hochberg rejects", np.sum(benjamini_hochberg(P) <= 0.05), "4", tolerance=0.0)
    published("Bonferroni rejects", np.sum(P <= 0.05 / 15), "3", tolerance=0.0)
    # Holm on the same list (CHECKS: derived): 0.0095 > 0.05/12
    published("Holm rejects", np.sum(holm(P) <= 0.05), "3", tolerance=0.0)


def test_order_does_not_matter():
    order = np.random.default_rng(5).permutation(P.size)
    assert np.allclose(holm(P[order]), holm(P)[order])
    assert np.allclose(benjamini_hochberg(P[order]), benjamini_hochberg(P)[order])
