"""The plant in motion: energy in transients, limits, stops, faults of the plant."""

from __future__ import annotations

import pytest

from benchkit.model.stand import Stand
from benchkit.simulate import thermal
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Drive, Load, propeller_of
from benchkit.simulate.plant import Mode, Plant


@pytest.fixture
def with_machine(drive: Drive, conditions: Conditions) -> Plant:
    return Plant(drive, Load.MACHINE, None, conditions)


@pytest.fixture
def with_propeller(drive: Drive, stand: Stand, conditions: Conditions) -> Plant:
    return Plant(drive, Load.PROPELLER, propeller_of(stand), conditions)


@pytest.mark.parametrize("dt", [0.001, 0.05])
def test_energy_of_a_whole_run_adds_up(with_machine: Plant, dt: float) -> None:
    """From the DC link: load work, heat that left, heat stored and kinetic energy; exact in every step."""
    plant, s = with_machine, with_machine.state
    heat_0 = thermal.stored_j(plant.drive.thermal, plant.temps)
    dc = out = 0.0
    steps = round(12.0 / dt)
    for k in range(steps):
        if k == 0:
            plant.demand.speed_rpm, plant.demand.torque_nm = 3900.0, 120.0
        if k == steps * 2 // 3:
            plant.demand.mode = Mode.STOP_RAMP
        if k == steps * 5 // 6:
            plant.demand.mode = Mode.ZERO_TORQUE
        if k == steps * 11 // 12:
            plant.demand.mode = Mode.GATES_OFF
        plant.step(dt)
        dc += s.dc_power_w * dt
        out += (s.load_power_w + s.coolant_heat_w + s.air_heat_w) * dt
    stored = thermal.stored_j(plant.drive.thermal, plant.temps) - heat_0 + plant.kinetic_j
    assert dc == pytest.approx(out + stored, rel=1e-9)
    assert dc > 1e5


def test_speed_follows_the_ramp_and_the_voltage_limit_holds(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    plant.demand.speed_rpm, plant.demand.torque_nm = 4200.0, 100.0
    for _ in range(12_000):
        plant.step(0.001)
        assert s.phase_voltage_v <= 0.95 * s.dc_voltage_v / 3.0**0.5 * 1.01  # the limit uses the last step's voltage
    assert s.speed_rpm == pytest.approx(4200.0, abs=0.01)
    assert s.i_d_a < -10.0


def test_current_limit_holds_and_the_speed_gives_way(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    plant.demand.speed_rpm = 1000.0
    plant.step(5.0)
    plant.demand.torque_nm = 215.0
    highest = 0.0
    for _ in range(3000):
        plant.step(0.001)
        highest = max(highest, s.phase_current_a)
    assert highest == pytest.approx(180.0, rel=1e-6)
    assert s.speed_rpm < 990.0


def test_stop_ramp_and_zero_torque(with_propeller: Plant) -> None:
    plant, s = with_propeller, with_propeller.state
    plant.demand.speed_rpm = 3000.0
    plant.step(10.0)
    assert s.thrust_n > 1000.0
    plant.demand.mode = Mode.ZERO_TORQUE
    plant.step(0.001)
    assert s.i_q_a == 0.0
    assert s.torque_nm > 0.0  # the rotor drives its own propeller now, against drag
    coasting = s.speed_rpm
    plant.step(2.0)
    assert 0.0 < s.speed_rpm < 0.7 * coasting
    plant.demand.mode = Mode.SPEED
    plant.demand.speed_rpm = 3000.0
    plant.step(10.0)
    plant.demand.mode = Mode.STOP_RAMP
    plant.step(3000.0 / 800.0 + 0.5)  # stop slew 800 rpm/s, then the lag of the control
    assert s.speed_rpm < 1.0


def test_gates_off_at_high_speed_brakes_through_the_diodes(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    plant.demand.speed_rpm = 4600.0
    plant.step(20.0)
    motor = plant.drive.motor
    plant.demand.mode = Mode.GATES_OFF
    plant.step(1e-4)
    # exact: equation (6) for the flux and speed of this step; the diodes send power into the link
    w = motor.pole_pairs * s.speed_rpm * 3.141592653589793 / 30.0
    flux = motor.flux_20_wb * (1.0 + motor.flux_per_k * (plant.temps.magnet_c - 20.0))
    across = ((w * flux) ** 2 - (2.0 / 3.141592653589793 * 400.0) ** 2) ** 0.5
    assert s.phase_current_a * 2.0**0.5 == pytest.approx(across / (w * motor.inductance_h), rel=0.01)
    assert s.dc_current_a < -5.0
    assert s.i_d_a < 0.0 > s.i_q_a
    plant.step(20.0)
    assert s.phase_current_a == 0.0
    assert s.dc_power_w == pytest.approx(plant.drive.inverter.standing_w)


def test_an_open_contactor_leaves_the_back_emf_on_the_link(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    plant.demand.speed_rpm = 4600.0
    plant.step(20.0)
    plant.demand.contactor_open = True
    plant.step(1e-4)
    motor = plant.drive.motor
    w = motor.pole_pairs * s.speed_rpm * 3.141592653589793 / 30.0
    flux = motor.flux_20_wb * (1.0 + motor.flux_per_k * (plant.temps.magnet_c - 20.0))
    assert s.dc_voltage_v == pytest.approx(3.0**0.5 * w * flux, rel=1e-3)  # above the 400 V of the supply
    assert s.dc_voltage_v > 420.0
    assert (s.dc_current_a, s.ac_power_w, s.phase_current_a) == (0.0, 0.0, 0.0)


def test_a_released_brake_never_turns_backwards(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    plant.demand.speed_rpm, plant.demand.torque_nm = 600.0, 150.0
    plant.step(5.0)
    plant.demand.mode = Mode.ZERO_TORQUE
    for _ in range(200):
        plant.step(0.05)
        assert s.speed_rpm >= 0.0
        assert s.torque_nm <= 150.0
    assert s.speed_rpm == 0.0


def test_long_and_short_steps_agree(drive: Drive, conditions: Conditions) -> None:
    ends = []
    for dt in (0.001, 0.05):
        plant = Plant(drive, Load.MACHINE, None, conditions)
        plant.demand.speed_rpm, plant.demand.torque_nm = 2500.0, 100.0
        for _ in range(round(40.0 / dt)):
            plant.step(dt)
        ends.append((plant.temps.winding_c, plant.state.dc_power_w))
    assert ends[0][0] == pytest.approx(ends[1][0], abs=0.1)
    assert ends[0][1] == pytest.approx(ends[1][1], rel=1e-4)


def test_coolant_loss_overheats_the_winding_first(with_propeller: Plant) -> None:
    plant = with_propeller
    plant.demand.speed_rpm = 3200.0
    plant.step(600.0)
    assert plant.temps.winding_c < 80.0
    plant.demand.coolant_lost = True
    start = plant.state.time_s
    while plant.temps.winding_c < 140.0:
        plant.step(0.5)
        assert plant.temps.magnet_c < 110.0
        assert plant.temps.junction_c < 130.0
        assert plant.temps.outlet_c < 75.0
        assert plant.state.time_s - start < 480.0
    assert plant.state.time_s - start > 300.0
    assert plant.state.flow_lpm < 0.01


def test_recirculation_builds_and_goes(with_propeller: Plant) -> None:
    plant, s = with_propeller, with_propeller.state
    plant.demand.speed_rpm = 2500.0
    plant.step(20.0)
    free = s.thrust_n
    plant.demand.recirculation = True
    plant.step(60.0)
    # exact: 12 % · (1 - e⁻¹) after one time constant
    assert s.thrust_n / free == pytest.approx(1.0 - 0.12 * 0.6321206, rel=1e-4)
    plant.demand.recirculation = False
    plant.step(60.0)
    assert s.thrust_n == pytest.approx(free, rel=1e-6)


def test_energy_adds_up_with_gates_off_and_contactor_open(with_machine: Plant) -> None:
    plant, s = with_machine, with_machine.state
    heat_0 = thermal.stored_j(plant.drive.thermal, plant.temps)
    dc = out = 0.0
    for k in range(12_000):
        if k == 0:
            plant.demand.speed_rpm, plant.demand.torque_nm = 3000.0, 60.0
        if k == 8000:
            plant.demand.mode = Mode.GATES_OFF
        if k == 10_000:
            plant.demand.contactor_open = True
        plant.step(0.001)
        dc += s.dc_power_w * 0.001
        out += (s.load_power_w + s.coolant_heat_w + s.air_heat_w) * 0.001
    stored = thermal.stored_j(plant.drive.thermal, plant.temps) - heat_0 + plant.kinetic_j
    assert dc == pytest.approx(out + stored, rel=1e-9)
