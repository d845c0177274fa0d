"""Exact intervals of a Poisson mean, 95 %: F. Garwood, Biometrika 28 (1936) 437; as tabulated in Pearson and Hartley,
Biometrika Tables for Statisticians I, table 40 (values from memory)."""

from __future__ import annotations

import pytest

from benchkit.analysis.signals.counts import poisson_interval


@pytest.mark.parametrize(("events", "low", "high"), [(0, "0.00", "3.69"), (1, "0.0253", "5.57"), (10, "4.80", "18.39")])
def test_table(published, events, low, high):
    found = poisson_interval(events)
    published(f"lower end of {events}", found[0], low)
    published(f"upper end of {events}", found[1], high)
