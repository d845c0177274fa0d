"""NIST StRD, analysis of variance: SiRstv, SmLs01 to SmLs09 (AtmWtAg: test_nist_atmwtag).

Second-hand: as carried, unchanged, in the test data of scipy. The sets SmLs are generated here as S. D. Simon and J. P.
Lesage (Computational Statistics & Data Analysis 8 (1989) 325) made them: nine groups about a middle value, one tenth
off in turn, and the readings of each group likewise.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.fitting import fit_linear

SIRSTV_TEXT = """
196.3052 196.1240 196.1890 196.2569 196.3403 196.3042 196.3825 196.1669 196.3257 196.0422 196.1303 196.2005 196.2889
196.0343 196.1811 196.2795 196.1748 196.1494 196.1485 195.9885 196.2119 196.1051 196.1850 196.0052 196.2090
"""


def one_way(y, groups):
    """F and residual standard deviation from a fit of one mean and a step for every other group."""
    group = np.repeat(np.arange(groups), y.size // groups)
    steps = (group[:, None] == np.arange(1, groups)).astype(float)
    fit = fit_linear(np.column_stack([np.ones(y.size), steps]), y)
    b, C = fit.parameters[1:], fit.covariance[1:, 1:]
    return float(b @ np.linalg.solve(C, b)) / (groups - 1), fit.residual_sd


def test_sirstv(published):
    F, sd = one_way(np.array(SIRSTV_TEXT.split(), dtype=float), 5)
    published("SiRstv F", F, "1.18046237440255E+00", tolerance=1e-11)
    published("SiRstv residual sd", sd, "1.04076068334656E-01", tolerance=1e-13)


def turns(n):
    return np.where(np.arange(n) == 0, 0, np.where(np.arange(n) % 2 == 1, -1, 1))


@pytest.mark.parametrize("number", range(1, 10))
def test_smls(number, published):
    count = (21, 201, 2001)[(number - 1) % 3]
    middle, allowed = ((14, 1e-12), (10_000_004, 1e-7), (10_000_000_000_004, 5e-3))[(number - 1) // 3]
    y = (middle + turns(9)[:, None] + turns(count)).ravel() / 10.0
    F, sd = one_way(y, 9)
    # after 6 or 12 equal leading digits a double holds the tenths to 1e-9 or 1e-3 only
    certified = (2.1e1, 2.01e2, 2.001e3)[(number - 1) % 3]
    published(f"SmLs0{number} F", F, f"{certified:.14e}", tolerance=allowed * certified)
    published(f"SmLs0{number} residual sd", sd, "1.00000000000000E-01", tolerance=allowed * 0.1)
