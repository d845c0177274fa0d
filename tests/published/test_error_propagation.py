"""GUM (JCGM 100:2008) 5.1.6, relative uncertainties of products of powers.

Applied to CT, CQ, CP and figure of merit (derived).
"""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.propeller import coefficients
from benchkit.model.results import Estimate

VALUES = {"T": 820.0, "Q": 118.0, "n": 2800.0, "D": 1.30, "rho": 1.19}
UNITS = {"T": "N", "Q": "N·m", "n": "rpm", "D": "m", "rho": "kg/m³"}


def made(relative):
    e = {k: Estimate(v, relative.get(k, 0.0) * v, UNITS[k]) for k, v in VALUES.items()}
    return coefficients(e["T"], e["Q"], e["n"], e["D"], e["rho"])


@pytest.mark.parametrize(
    ("name", "exponents"),
    [
        ("ct", {"T": 1.0, "rho": 1.0, "n": 2.0, "D": 4.0}),
        ("cq", {"Q": 1.0, "rho": 1.0, "n": 2.0, "D": 5.0}),
        ("cp", {"Q": 1.0, "rho": 1.0, "n": 2.0, "D": 5.0}),
        ("figure_of_merit", {"T": 1.5, "Q": 1.0, "rho": 0.5, "D": 1.0, "n": 1.0}),
    ],
)
def test_exponents(name, exponents, published):
    for key in VALUES:
        result = getattr(made({key: 1e-4}), name)
        factor = result.u / result.value / 1e-4
        published(f"factor of u({key}) in u({name})", factor, str(exponents.get(key, 0.0)), tolerance=1e-6)
    relative = {"T": 2e-3, "Q": 1e-3, "n": 3e-4, "D": 4e-4, "rho": 8e-4}
    result = getattr(made(relative), name)
    expected = math.sqrt(sum((exponents.get(k, 0.0) * relative[k]) ** 2 for k in relative))
    assert result.u / result.value == pytest.approx(expected, rel=1e-6)
