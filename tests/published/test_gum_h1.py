"""GUM (JCGM 100:2008) example H.1, end-gauge calibration: table H.1 and sections H.1.2-H.1.6."""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.uncertainty import coverage_factor, expanded, propagate
from benchkit.model.results import Estimate

# l_S, d, delta_alpha, theta, alpha_S, delta_theta with standard uncertainties and degrees of freedom of table H.1
INPUTS = [
    Estimate(50_000_623.0, 25.0, "nm", 18.0),
    Estimate(215.0, 9.7, "nm", 25.6),
    Estimate(0.0, 0.58e-6, "1/K", 50.0),
    Estimate(-0.1, 0.41, "K"),
    Estimate(11.5e-6, 1.2e-6, "1/K"),
    Estimate(0.0, 0.029, "K", 2.0),
]
NAMES = ["l_S", "d", "delta_alpha", "theta", "alpha_S", "delta_theta"]


def length(*x):
    l_s, d, delta_alpha, theta, alpha_s, delta_theta = x
    return l_s + d - l_s * (delta_alpha * theta + alpha_s * delta_theta)


def test_end_gauge(published):
    result = propagate(length, INPUTS, names=NAMES, unit="nm")
    published("length nm", result.value, "50000838")
    published("combined standard uncertainty nm", result.u, "32")
    published("effective degrees of freedom", math.floor(result.dof), "16")
    published("t99(16)", coverage_factor(result.dof, 0.99), "2.92")
    published("U99 nm", expanded(result, 0.99), "93")
    parts = {line.name: line.u for line in result.budget}
    published("contribution of l_S nm", parts["l_S"], "25")
    published("contribution of d nm", parts["d"], "9.7")
    published("contribution of delta_alpha nm", parts["delta_alpha"], "2.9")
    # u(delta_theta) is printed as 0.029 K: half its last digit is 0.29 nm here
    published("contribution of delta_theta nm", parts["delta_theta"], "16.6", tolerance=0.29)
    assert result.budget[0].name == "l_S"


def test_same_with_the_library_uncertainties():
    from uncertainties import ufloat

    ours = propagate(length, INPUTS, names=NAMES)
    theirs = length(*(ufloat(e.value, e.u) for e in INPUTS))
    assert ours.value == pytest.approx(theirs.nominal_value, rel=1e-12)
    assert ours.u == pytest.approx(theirs.std_dev, rel=1e-9)
