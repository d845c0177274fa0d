"""Winding temperature by resistance, formula of IEEE 112 and IEC 60034-1 (K 234.5 and 235, from memory; derived)."""

from __future__ import annotations

import math

import pytest

from benchkit.analysis.thermal import COPPER_IEC, COPPER_IEEE, winding_by_resistance


def test_80_to_100_ohm(published):
    published("winding °C, K 234.5", winding_by_resistance(100.0, 80.0, 20.0, COPPER_IEEE), "83.625")
    # exact: 1.25 (235 + 20) - 235
    assert float(winding_by_resistance(100.0, 80.0, 20.0, COPPER_IEC)) == pytest.approx(83.75, rel=1e-15)


def test_no_resistance_is_no_temperature():
    assert math.isnan(float(winding_by_resistance(0.0, 80.0, 20.0, COPPER_IEEE)))
    assert math.isnan(float(winding_by_resistance(100.0, -1.0, 20.0, COPPER_IEEE)))
