"""Readings brought back to switch-off, against curves whose start is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.thermal.heating import COPPER_IEC
from benchkit.analysis.thermal.networks import Foster, impedance
from benchkit.analysis.thermal.switch_off import (
    impedance_from_cooling,
    junction_at_switch_off,
    needs_extrapolation,
    winding_at_switch_off,
)
from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

COLD_OHM, COLD_C = Estimate(0.100, 0.0, "Ω"), Estimate(20.0, 0.0, "°C")


def ohms(temp_c):
    """exact: R = R_1 (K + T)/(K + t_1)."""
    return 0.100 * (COPPER_IEC + np.asarray(temp_c)) / (COPPER_IEC + 20.0)


def test_winding_of_one_time_constant_is_exact():
    t = np.array([12.0, 20.0, 30.0, 45.0, 60.0, 90.0])
    found = winding_at_switch_off(t, ohms(40.0 + 80.0 * np.exp(-t / 200.0)), COLD_OHM, COLD_C, COPPER_IEC, end_c=40.0)
    assert found.at_c.value == pytest.approx(120.0, abs=1e-6)
    assert found.first_c == pytest.approx(40.0 + 80.0 * math.exp(-12.0 / 200.0), abs=1e-9)
    assert found.order == 1


def test_winding_intervals_hold_the_truth():
    rng = np.random.default_rng(4)
    t = np.arange(10.0, 180.0, 5.0)
    true = 40.0 + 60.0 * np.exp(-t / 600.0) + 20.0 * np.exp(-t / 60.0)
    held = 0
    for _ in range(40):
        found = winding_at_switch_off(
            t, ohms(true) * (1.0 + 5e-4 * rng.standard_normal(t.size)), COLD_OHM, COLD_C, COPPER_IEC, end_c=40.0
        )
        low, high = interval(found.at_c)
        held += low <= 120.0 <= high
    assert held >= 35
    # first readings alone would be 3 K too low
    assert found.first_c < 118.0


def test_cold_resistance_moves_it():
    t = np.arange(10.0, 100.0, 5.0)
    R = ohms(40.0 + 80.0 * np.exp(-t / 200.0))
    found = winding_at_switch_off(t, R, Estimate(0.100, 1e-4, "Ω"), Estimate(20.0, 0.3, "°C"), COPPER_IEC, end_c=40.0)
    # exact: (235 + 120) hypot(1e-4/0.1, 0.3/255)
    assert found.at_c.u == pytest.approx(355.0 * math.hypot(1e-3, 0.3 / 255.0), rel=1e-4)


def test_a_winding_that_still_rises_is_not_taken_back():
    t = np.arange(10.0, 100.0, 5.0)
    found = winding_at_switch_off(t, ohms(100.0 + 0.05 * t), COLD_OHM, COLD_C, COPPER_IEC, end_c=40.0)
    assert found.at_c.value == pytest.approx(100.0 + 0.05 * t[-1], abs=1e-6)


def test_square_root_of_time_is_exact_in_a_half_space():
    """Carslaw and Jaeger 2.9: constant flux q into a half space heats its surface by (2 q/K) sqrt(a t/pi); switched off
    after a long time it cools by the same."""
    conductivity, diffusivity, area, loss = 150.0, 8.8e-5, 1e-4, 200.0
    t = np.geomspace(1e-6, 2e-2, 400)
    drop = 2.0 * loss / area / conductivity * np.sqrt(diffusivity * t / math.pi)
    found = junction_at_switch_off(t, 150.0 - drop, first_s=3e-5, last_s=1e-3)
    assert found.at_c.value == pytest.approx(150.0, abs=1e-9)
    curve = impedance_from_cooling(t, 150.0 - drop, Estimate(loss, 0.0, "W"), first_s=3e-5, last_s=1e-3)
    assert curve.impedance_k_w == pytest.approx(drop[t >= 3e-5] / loss, rel=1e-9)


def test_impedance_of_a_network_behind_a_disturbance():
    """The first 30 us are hidden by the switching; the curve is that of the network from there on."""
    rng = np.random.default_rng(2)
    # parts laid so that the early curve goes with sqrt(t): R_i ~ sqrt(tau_i)
    tau = np.geomspace(1e-6, 1.0, 25)
    foster = Foster(0.3 * np.sqrt(tau) / np.sqrt(tau).sum(), tau)
    t = np.geomspace(1e-6, 10.0, 500)
    temp = 140.0 - 300.0 * impedance(foster, t) + 0.02 * rng.standard_normal(t.size)
    temp[t < 3e-5] += 30.0 * np.exp(-t[t < 3e-5] / 1e-5)
    curve = impedance_from_cooling(t, temp, Estimate(300.0, 1.5, "W"), first_s=5e-5, last_s=3e-3)
    assert curve.at_switch_off.at_c.value == pytest.approx(140.0, abs=0.1)
    assert curve.impedance_k_w[-1] == pytest.approx(0.3, rel=2e-3)
    assert curve.u_k_w[-1] == pytest.approx(0.3 * 1.5 / 300.0, rel=0.05)
    assert np.all(np.abs(curve.impedance_k_w - impedance(foster, curve.time_s)) < 3.0 * curve.u_k_w + 1e-4)


def test_when_it_is_needed_and_refusals():
    assert [needs_extrapolation(60.0, p) for p in (30e3, 120e3, 6e6)] == [True, False, True]
    with pytest.raises(UsageError, match="too few readings"):
        winding_at_switch_off([1.0, 2.0], ohms([100.0, 99.0]), COLD_OHM, COLD_C, COPPER_IEC, end_c=40.0)
    with pytest.raises(UsageError, match="count from switch-off and rise"):
        winding_at_switch_off([-1.0, 2.0, 3.0, 4.0], ohms([90.0] * 4), COLD_OHM, COLD_C, COPPER_IEC, end_c=40.0)
    with pytest.raises(UsageError, match="window is out of order"):
        junction_at_switch_off([1.0], [1.0], first_s=2.0, last_s=1.0)
    with pytest.raises(UsageError, match="must be positive"):
        impedance_from_cooling(np.arange(9.0), np.arange(9.0), Estimate(0.0, 0.0, "W"), first_s=1.0, last_s=8.0)
