"""GUM (JCGM 100:2008) example H.2, resistance and reactance from simultaneous readings: tables H.2, H.3, H.4."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.uncertainty import correlation_of_means, propagate_many
from benchkit.model.results import Estimate

# table H.2: V volt, I ampere, phi radian
READINGS = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def impedance(v, i, phi):
    return v / i * math.cos(phi), v / i * math.sin(phi), v / i


def inputs():
    # the five readings are taken as independent of each other, as H.2 does: s / sqrt(5), 4 degrees of freedom
    mean = READINGS.mean(axis=0)
    u = READINGS.std(axis=0, ddof=1) / math.sqrt(5)
    return [Estimate(float(m), float(s), unit, 4.0) for m, s, unit in zip(mean, u, ("V", "A", "rad"), strict=True)]


def test_resistance_reactance_impedance(published):
    r = correlation_of_means(READINGS)
    published("r(V, I)", r[0, 1], "-0.36")
    published("r(V, phi)", r[0, 2], "0.86")
    published("r(I, phi)", r[1, 2], "-0.65")
    result = propagate_many(impedance, inputs(), r, ["V", "I", "phi"], units=("Ω", "Ω", "Ω"))
    resistance, reactance, total = result.estimates
    published("R ohm", resistance.value, "127.732")
    published("u(R) ohm", resistance.u, "0.071")
    published("X ohm", reactance.value, "219.847")
    # exact arithmetic on the printed readings gives 0.29558, with the library uncertainties too (below): the table cuts
    published("u(X) ohm", reactance.u, "0.295", tolerance=0.001)
    published("Z ohm", total.value, "254.260")
    published("u(Z) ohm", total.u, "0.236")
    out = result.correlation()
    published("r(R, X)", out[0, 1], "-0.588")
    published("r(R, Z)", out[0, 2], "-0.485")
    published("r(X, Z)", out[1, 2], "0.993")


def test_readings_are_those_of_the_table(reference):
    np.testing.assert_array_equal(np.loadtxt(reference("gum/h2.csv"), delimiter=",", skiprows=1), READINGS)


def test_same_with_the_library_uncertainties():
    import uncertainties
    from uncertainties import umath

    ours = propagate_many(impedance, inputs(), correlation_of_means(READINGS))
    u = np.array([e.u for e in inputs()])
    v, i, phi = uncertainties.correlated_values(
        [e.value for e in inputs()], correlation_of_means(READINGS) * np.outer(u, u)
    )
    theirs = [v / i * umath.cos(phi), v / i * umath.sin(phi), v / i]
    np.testing.assert_allclose(ours.covariance, uncertainties.covariance_matrix(theirs), rtol=1e-6)
    assert [e.value for e in ours.estimates] == pytest.approx([e.nominal_value for e in theirs], rel=1e-12)
