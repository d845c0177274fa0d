"""NIST StRD, analysis of variance: AtmWtAg (file beside the project), SiRstv (data from memory, proven by its F), and
the Simon-Lesage sets SmLs01, 04, 07 (rebuilt from their definition: 9 groups of 21; leading digits 0, 1e6, 1e12)."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.compare.statistics import one_way

SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""


def test_sirstv(published):
    y = np.array(SIRSTV.split(), dtype=float)
    found = one_way(y, np.repeat(np.arange(5), 5))
    published("F statistic", found.f, "1.18046237440255E+00", tolerance=1e-12)
    published("residual standard deviation", found.residual_sd, "1.04076068334656E-01", tolerance=1e-13)


def test_atmwtag(published, reference):
    rows = [line.split() for line in reference("nist_strd/AtmWtAg.dat").read_text(encoding="utf-8").splitlines()[60:]]
    values = np.array([[float(x) for x in row[:2]] for row in rows if len(row) == 2])
    assert values.shape == (48, 2)
    found = one_way(values[:, 1], values[:, 0])
    published("residual standard deviation", found.residual_sd, "1.51048314446410E-05", tolerance=1e-14)
    # the data have ten digits of which seven are alike, and a double sixteen: nine are left at best
    published("F statistic", found.f, "1.59467335677930E+01", tolerance=1e-8)


@pytest.mark.parametrize(("lead", "tolerance"), [(0.0, 1e-11), (1e6, 1e-7), (1e12, 0.5)])
def test_simon_lesage(published, lead, tolerance):
    # Mean .4 in the first group, then .3 and .5 in turns; in each group the mean once, then ∓ 0.1 ten times each.
    means = [0.4, *[0.3, 0.5] * 4]
    y = np.concatenate([[m, *[m - 0.1, m + 0.1] * 10] for m in means]) + 1.0
    found = one_way(y + lead if lead else y, np.repeat(np.arange(9), 21))
    # at 1e12 a double holds steps of 1.2e-4: its .1 is off by a thousandth, and so is F by more
    published("F statistic", found.f, "2.10000000000000E+01", tolerance=tolerance)
