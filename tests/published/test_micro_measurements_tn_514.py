"""Micro-Measurements Tech Note TN-514, Shunt calibration: 350 ohm gauge, 100 kohm shunt, gauge factor 2."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.model.sensors import QuarterBridge, shunt_output_mv_per_v, shunt_strain


def test_strain_of_a_shunt(published):
    published("simulated strain, microstrain", 1e6 * shunt_strain(350.0, 100e3, 2.0), "1743.9")


def test_the_bridge_curve_reads_the_same_strain(published):
    """The shunt is compression: the output is negative."""
    output = -shunt_output_mv_per_v(350.0, 100e3)
    published("strain read, microstrain", -1e6 * QuarterBridge(2.0).apply(np.array(output)), "1743.9")


def test_output_of_the_shunted_bridge_from_its_four_resistors():
    # exact: voltage divider of the shunted arm beside one of two equal arms
    shunted = 350.0 * 100e3 / (350.0 + 100e3)
    divider = shunted / (shunted + 350.0) - 0.5
    assert shunt_output_mv_per_v(350.0, 100e3) == pytest.approx(-1e3 * divider, rel=1e-12)
