"""NIST StRD, univariate summary statistics, dataset Michelso (speed of light, Michelson 1879): certified values."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.uncertainty import autocorrelation, correlation_time, type_a

Y_TEXT = """
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65
299.76 299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88
299.90 299.84 299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88
299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85 299.87 299.84 299.84
299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76
299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81
299.76 299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80
299.81 299.87
"""
Y = np.array(Y_TEXT.split(), dtype=float)


def test_certified(published):
    assert Y.size == 100
    mean, u, dof = type_a(Y)
    published("mean", mean, "299.852400000000")
    published("lag-1 autocorrelation", autocorrelation(Y)[1], "0.535199668621283", tolerance=1e-12)
    # our u of the mean, taken back to the standard deviation of one reading (exact: equation 3 of type_a)
    worth = 100 / correlation_time(Y)
    s = u * np.sqrt(worth - 1.0) * np.sqrt(100 / 99)
    published("standard deviation", s, "0.0790105478190518", tolerance=1e-13)
    # readings that remember are worth less than their number
    assert worth < 60
    assert dof < 60
