"""NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, individuals chart of flow rates (from memory)."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.compare.history import control_chart

FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])


def test_flow_rates(published):
    chart = control_chart(FLOW)
    published("centre", chart.centre, "50.81")
    published("mean moving range", chart.range_mean, "1.8778")
    # the handbook takes d2 = 1.128 where 2/sqrt(pi) = 1.12838: 3.4e-4 of the 4.99 to a limit
    published("upper limit", chart.high, "55.8041", tolerance=0.0018)
    published("lower limit", chart.low, "45.8159", tolerance=0.0018)
    assert chart.outside == ()
