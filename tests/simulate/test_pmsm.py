"""The motor equations: voltage limit, currents, temperature."""

from __future__ import annotations

from math import hypot, pi, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from benchkit.simulate import pmsm
from benchkit.simulate.drives import HERON_60, WREN_12

RPM = 2.0 * pi / 60.0


@settings(max_examples=200, deadline=None)
@given(speed=st.floats(0.0, 4500.0), torque=st.floats(-180.0, 180.0), flux=st.floats(0.048, 0.056))
def test_torque_and_voltage_limit_hold_wherever_there_is_an_answer(speed: float, torque: float, flux: float) -> None:
    limit = 0.95 * 395.0 / sqrt(3.0)
    found = pmsm.currents(HERON_60, torque, speed * RPM, resistance_ohm=0.02, flux_wb=flux, voltage_limit_v=limit)
    if found is None:
        assert speed > 3000.0
        return
    i_d, i_q = found
    assert 1.5 * HERON_60.pole_pairs * flux * i_q == pytest.approx(torque, abs=1e-9)
    voltage = pmsm.phase_voltage(HERON_60, i_d, i_q, speed * RPM, resistance_ohm=0.02, flux_wb=flux)
    assert voltage <= limit * (1.0 + 1e-9)
    if i_d != 0.0:  # no more field weakening than needed
        assert i_d < 0.0
        assert voltage == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize(("speed", "torque"), [(4200.0, 0.0), (4200.0, 120.0), (4100.0, -100.0), (3900.0, 150.0)])
def test_field_weakening_current_against_a_numerical_root(speed: float, torque: float) -> None:
    limit, flux, r = 215.0, 0.054, 0.022
    omega = speed * RPM
    i_q = torque / (1.5 * 10 * flux)

    def excess(i_d: float) -> float:  # the two voltage equations, written out here
        w = 10 * omega
        return hypot(r * i_d - w * 0.110e-3 * i_q, r * i_q + w * (0.110e-3 * i_d + flux)) - limit

    root = brentq(excess, -flux / 0.110e-3, 0.0, xtol=1e-12)
    found = pmsm.currents(HERON_60, torque, omega, resistance_ohm=r, flux_wb=flux, voltage_limit_v=limit)
    assert found is not None
    assert found[0] == pytest.approx(root, rel=1e-9)


def test_out_of_reach_is_none() -> None:
    assert pmsm.currents(WREN_12, 60.0, 8000 * RPM, resistance_ohm=0.06, flux_wb=0.056, voltage_limit_v=150.0) is None


def test_temperature_coefficients() -> None:
    # exact: -0.10 % per K over 50 K; (234.5 + 120)/(234.5 + 20)
    assert pmsm.magnet_flux(HERON_60, 70.0) == pytest.approx(HERON_60.flux_20_wb * 0.95, rel=1e-12)
    assert pmsm.copper_resistance(1.0, 120.0) == pytest.approx(354.5 / 254.5, rel=1e-12)


def test_iron_loss_rises_with_speed_and_its_square() -> None:
    # exact: loss = (k_h w + k_e w²) ψ²; twice the speed gives 2 and 4 times the two parts
    def loss(speed: float) -> float:
        return pmsm.iron_torque(HERON_60, 0.0, 0.0, speed * RPM, 0.05) * speed * RPM

    w = 10 * 1000.0 * RPM
    assert loss(1000.0) == pytest.approx((18.0 * w + 0.0085 * w * w) * 0.05**2, rel=1e-12)
    assert loss(2000.0) == pytest.approx((18.0 * 2 * w + 0.0085 * 4 * w * w) * 0.05**2, rel=1e-12)


def test_nothing_drags_at_standstill() -> None:
    assert pmsm.iron_torque(HERON_60, 0.0, 100.0, 0.0, 0.05) == 0.0
    assert pmsm.friction_torque(HERON_60, 0.0) == 0.0
