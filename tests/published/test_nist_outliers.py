"""NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 (Grubbs) and 1.3.5.17.3 (generalized ESD, Rosner's data).

Second-hand: readings and printed statistics as carried in the tests of several public projects. The statistics of
1.3.5.17.3 are printed cut to three decimals, not rounded.
"""

from __future__ import annotations

import pytest

from benchkit.analysis.outliers import generalized_esd, grubbs, outliers_of
from benchkit.errors import UsageError

MASS_SPECTROMETER = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
    1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
    2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip
STEPS = [
    ("3.118", "3.158"), ("2.942", "3.151"), ("3.179", "3.143"), ("2.810", "3.136"), ("2.815", "3.128"),
    ("2.848", "3.120"), ("2.279", "3.111"), ("2.310", "3.103"), ("2.101", "3.094"), ("2.067", "3.085"),
]  # fmt: skip


def test_grubbs(published):
    found = grubbs(MASS_SPECTROMETER, two_sided=False)
    published("G", found.statistic, "2.4687", tolerance=1e-4)
    published("critical G", found.critical, "2.032")
    assert found.is_outlier
    assert found.index == 7
    assert not grubbs(MASS_SPECTROMETER[:7]).is_outlier


def test_rosner(published):
    found = generalized_esd(ROSNER, 10)
    assert len(ROSNER) == 54
    for k, (suspect, (statistic, critical)) in enumerate(zip(found, STEPS, strict=True)):
        published(f"R_{k + 1}", suspect.statistic, statistic, tolerance=1e-3)
        published(f"lambda_{k + 1}", suspect.critical, critical, tolerance=1e-3)
        assert suspect.statistic >= float(statistic)  # cut, so never above ours
        assert suspect.critical >= float(critical)
    # the first two do not pass alone: they hide each other; the third does, so there are three
    assert [ROSNER[i] for i in outliers_of(found)] == [6.01, 5.42, 5.34]


def test_equal_readings_have_no_outlier():
    assert not grubbs([2.0] * 5).is_outlier
    assert outliers_of(generalized_esd([2.0] * 20, 2)) == ()


def test_refusals():
    with pytest.raises(UsageError, match="enough readings"):
        grubbs([1.0, 2.0])
    with pytest.raises(UsageError, match="1 of them not measured"):
        generalized_esd([1.0, float("nan"), 2.0, 3.0, 4.0], 1)
