"""The closed-form answer: first law, and the same steady state as the plant that was stepped into it."""

from __future__ import annotations

from math import isnan, pi, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import UsageError
from benchkit.model.stand import Stand
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import HERON_60, REED_INV_03, SEDGE_130_2, Drive, Load, drive_of, propeller_of
from benchkit.simulate.plant import Plant
from benchkit.simulate.truth import settled, truth_at, truth_with_propeller

TEMPS = {"winding_c": 90.0, "magnet_c": 70.0, "junction_c": 85.0}


@settings(max_examples=150, deadline=None)
@given(speed=st.floats(50.0, 4000.0), torque=st.floats(-120.0, 150.0), winding=st.floats(0.0, 150.0))
def test_first_law(speed: float, torque: float, winding: float) -> None:
    from benchkit.simulate.drives import MOTORS, LoadMachineParameters, SupplyParameters

    motor, thermal = MOTORS["HERON-60"]
    supply, machine = SupplyParameters(400.0, 0.05), LoadMachineParameters(220.0, 150.0, 0.12)
    drive = Drive(motor, REED_INV_03, thermal, supply, machine, 400.0, 800.0)
    t = truth_at(drive, speed, torque, winding_c=winding, magnet_c=70.0, junction_c=80.0)
    assert t.shaft_power_w == pytest.approx(torque * speed * 2.0 * pi / 60.0, rel=1e-12)
    assert t.dc_power_w == pytest.approx(t.shaft_power_w + t.drive_loss_w, rel=1e-11, abs=1e-8)
    assert t.ac_power_w == pytest.approx(t.shaft_power_w + t.motor_loss_w, rel=1e-11, abs=1e-8)
    assert t.dc_power_w == pytest.approx(t.dc_voltage_v * t.dc_current_a, rel=1e-12)
    # The supply holds that voltage at that current.
    assert t.dc_voltage_v == pytest.approx(400.0 - 0.05 * t.dc_current_a, rel=1e-10)
    # Electrical power from the two voltage equations themselves.
    r = 0.0160 * (234.5 + winding) / 254.5
    w, psi = 10 * speed * 2.0 * pi / 60.0, HERON_60.flux_20_wb * 0.95
    v_d = r * t.i_d_a - w * 0.110e-3 * t.i_q_a
    v_q = r * t.i_q_a + w * (0.110e-3 * t.i_d_a + psi)
    assert 1.5 * (v_d * t.i_d_a + v_q * t.i_q_a) == pytest.approx(t.ac_power_w, rel=1e-9, abs=1e-6)
    assert sqrt(v_d**2 + v_q**2) <= 0.95 * t.dc_voltage_v / sqrt(3.0) * (1.0 + 1e-9)
    assert min(t.inverter_loss_w, t.copper_loss_w, t.iron_loss_w, t.friction_loss_w) > 0.0


@pytest.mark.parametrize(("speed", "torque"), [(800.0, 150.0), (2500.0, 60.0), (2000.0, -50.0), (4200.0, 90.0)])
def test_the_stepped_plant_settles_at_the_truth(
    drive: Drive, conditions: Conditions, speed: float, torque: float
) -> None:
    plant = Plant(drive, Load.MACHINE, None, conditions)
    plant.demand.speed_rpm, plant.demand.torque_nm = speed, torque
    plant.step(4000.0)
    truth, temps = settled(drive, speed, torque, conditions)
    s = plant.state
    for name in ("speed_rpm", "torque_nm", "dc_voltage_v", "dc_current_a", "dc_power_w", "ac_power_w", "i_d_a", "i_q_a",
                 "shaft_power_w", "inverter_loss_w", "copper_loss_w", "iron_loss_w", "friction_loss_w",
                 "phase_current_a", "phase_voltage_v"):  # fmt: skip
        assert getattr(s, name) == pytest.approx(getattr(truth, name), rel=2e-5, abs=1e-6), name
    for name in ("winding_c", "stator_c", "magnet_c", "junction_c", "case_c", "coolant_c", "outlet_c"):
        assert getattr(plant.temps, name) == pytest.approx(getattr(temps, name), abs=2e-3), name


def test_the_small_motor_too(small_stand: Stand, conditions: Conditions) -> None:
    drive = drive_of(small_stand)
    plant = Plant(drive, Load.MACHINE, None, conditions)
    plant.demand.speed_rpm, plant.demand.torque_nm = 3000.0, 40.0
    plant.step(4000.0)
    truth, temps = settled(drive, 3000.0, 40.0, conditions)
    assert plant.state.dc_power_w == pytest.approx(truth.dc_power_w, rel=1e-6)
    assert plant.temps.winding_c == pytest.approx(temps.winding_c, abs=2e-3)


def test_propeller_point(drive: Drive, stand: Stand, conditions: Conditions) -> None:
    propeller = propeller_of(stand)
    plant = Plant(drive, Load.PROPELLER, propeller, conditions)
    plant.demand.speed_rpm = 2800.0
    plant.step(4000.0)
    truth, _ = settled(drive, 2800.0, 0.0, conditions, propeller)
    assert plant.state.dc_power_w == pytest.approx(truth.dc_power_w, rel=1e-6)
    # The coefficients come back from thrust and torque by their definition.
    rho, n, d = conditions.density_kgm3, 2800.0 / 60.0, 1.30
    assert plant.state.thrust_n / (rho * n**2 * d**4) == pytest.approx(SEDGE_130_2.ct, rel=1e-9)
    assert 2.0 * pi * plant.state.torque_nm / (rho * n**2 * d**5) == pytest.approx(SEDGE_130_2.cp, rel=1e-9)
    assert truth.figure_of_merit == pytest.approx(0.79788456 * 0.125**1.5 / 0.055, rel=1e-8)


def test_ratios_have_no_meaning_while_the_shaft_drives(drive: Drive) -> None:
    t = truth_at(drive, 2000.0, -80.0, **TEMPS)
    assert t.dc_power_w < 0.0
    assert isnan(t.drive_efficiency)
    assert isnan(t.thrust_n)


def test_hot_copper_costs_more(drive: Drive) -> None:
    cold = truth_at(drive, 2000.0, 100.0, winding_c=20.0, magnet_c=70.0, junction_c=85.0)
    hot = truth_at(drive, 2000.0, 100.0, winding_c=120.0, magnet_c=70.0, junction_c=85.0)
    # exact: same current, loss in proportion to 234.5 + T
    assert hot.copper_loss_w / cold.copper_loss_w == pytest.approx(354.5 / 254.5, rel=1e-9)
    weak = truth_at(drive, 2000.0, 100.0, winding_c=20.0, magnet_c=100.0, junction_c=85.0)
    assert weak.i_q_a > cold.i_q_a


def test_loss_of_the_inverter_follows_voltage_and_frequency(drive: Drive) -> None:
    low = truth_at(drive, 1000.0, 100.0, dc_voltage_v=350.0, **TEMPS)
    high = truth_at(drive, 1000.0, 100.0, dc_voltage_v=420.0, **TEMPS)
    i = low.phase_current_a
    assert high.phase_current_a == pytest.approx(i, rel=1e-12)
    # exact: only the switching part moves, in proportion to the voltage
    assert high.inverter_loss_w - low.inverter_loss_w == pytest.approx(
        70.0 / 400.0 * (20.0 + 1.1 * i + 0.0012 * i * i), rel=1e-9
    )


@pytest.mark.parametrize(
    ("speed", "torque", "message"),
    [
        (12_000.0, 150.0, "DC voltage does not allow"),
        (500.0, 215.0, r"does not deliver the current.*at most 180 A"),
        (0.0, 10.0, "needs a turning shaft"),
    ],
)
def test_points_out_of_reach_are_refused(drive: Drive, speed: float, torque: float, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        truth_at(drive, speed, torque, **TEMPS)


def test_propeller_truth_takes_its_torque_from_the_speed(drive: Drive) -> None:
    t = truth_with_propeller(drive, SEDGE_130_2, 3000.0, 1.2, **TEMPS)
    # exact: 0.055/(2π) · 1.2 · 50² · 1.3⁵
    assert t.torque_nm == pytest.approx(0.055 / (2.0 * pi) * 1.2 * 2500.0 * 1.3**5, rel=1e-12)
    assert t.cp == SEDGE_130_2.cp
