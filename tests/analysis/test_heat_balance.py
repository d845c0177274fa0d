"""Energy closure against the simulated stand's own books, and in both directions of power."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.coolant import coolant_density, coolant_specific_heat
from benchkit.analysis.heat_balance import closure_formulas, heat_balance
from benchkit.analysis.uncertainty import combine, interval
from benchkit.errors import ProfileError
from benchkit.model.results import OperatingPoint
from benchkit.model.stand import Coolant, Role
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import drive_of
from benchkit.simulate.truth import settled


@pytest.mark.parametrize("glycol", [0.0, 0.1, 0.25, 0.37, 0.5, 0.6])
def test_properties_are_those_of_the_library(glycol):
    from CoolProp.CoolProp import PropsSI  # a second or two to load

    fluid = f"INCOMP::MEG[{glycol}]" if glycol else "Water"
    for temp_c in (3.0, 15.0, 44.0, 65.0, 88.0, 99.0):
        density, heat = (PropsSI(k, "T", temp_c + 273.15, "P", 101325.0, fluid) for k in "DC")
        is_node = glycol in (0.0, 0.1, 0.5, 0.6)
        assert float(coolant_density(temp_c, glycol)) == pytest.approx(density, rel=1e-5 if is_node else 1e-4)
        assert float(coolant_specific_heat(temp_c, glycol)) == pytest.approx(heat, rel=1e-5 if is_node else 1e-3)
    # lines of one mixture meet at the nodes: no jump there
    around = coolant_density(np.array([39.999999, 40.0, 40.000001]), glycol)
    assert np.ptp(around) < 1e-5


def test_single_numbers_are_those_of_arrays():
    temps, shares = np.meshgrid(np.linspace(-5.0, 105.0, 45), np.linspace(-0.05, 0.65, 29))
    for of in (coolant_density, coolant_specific_heat):
        singly = [float(of(t, x)) for t, x in zip(temps.ravel().tolist(), shares.ravel().tolist(), strict=True)]
        assert np.array_equal(singly, of(temps, shares).ravel(), equal_nan=True)


def test_nothing_is_said_outside():
    assert np.isnan(coolant_density([-1.0, 101.0, 50.0, 50.0], [0.5, 0.5, 0.7, -0.1])).all()
    assert np.isnan(coolant_specific_heat(np.nan, 0.5))


def test_closure_equation():
    # exact: 400·50 - 2 pi/60·2400·72 = 20000 - 18095.57; 8 L/min, 2 K round 65 °C: 974.55 W (CoolProp, derived)
    loss, heat, residual, share = closure_formulas(400.0, 50.0, 2400.0, 72.0, 8.0, 64.0, 66.0, 0.5, 1.0)
    assert loss == pytest.approx(1904.43, abs=0.01)
    assert heat == pytest.approx(974.55, rel=1e-3)
    assert residual == loss - heat
    assert share == residual / loss


def simulated(stand, speed, torque, scatter=0.0):
    conditions = Conditions()
    truth, temps = settled(drive_of(stand), speed, torque, conditions)
    values = {
        Role.DC_VOLTAGE: truth.dc_voltage_v, Role.DC_CURRENT: truth.dc_current_a, Role.SPEED: speed,
        Role.TORQUE: torque, Role.COOLANT_FLOW: conditions.flow_lpm, Role.COOLANT_INLET_TEMP: conditions.inlet_c,
        Role.COOLANT_OUTLET_TEMP: temps.outlet_c,
    }  # fmt: skip
    means = {}
    for role, value in values.items():
        channel = stand.channel_for(role)
        u = channel.calibration.accuracy.standard_uncertainty(value)
        means[channel.name] = combine(value, 0.1 * u, 20.0, u, unit=channel.unit, name=channel.name)
    p = drive_of(stand).thermal
    air_w = p.case_air_w_k * (temps.case_c - conditions.air_c) + p.stator_air_w_k * (temps.stator_c - conditions.air_c)
    return OperatingPoint(0, "rack", 0, 10, 0.0, 10.0, means), truth, air_w


@pytest.mark.parametrize("torque", [120.0, 60.0, -90.0], ids=["motoring", "part load", "regenerating"])
def test_the_residual_of_a_settled_stand_is_its_heat_to_the_air(stand, torque):
    point, truth, air_w = simulated(stand, 2400.0, torque)
    found = heat_balance(stand, point)
    assert found.loss_w.value == pytest.approx(truth.drive_loss_w, rel=1e-9)
    assert found.loss_w.value > 0.0  # in both directions
    assert found.coolant_heat_w.value == pytest.approx(truth.drive_loss_w - air_w, rel=0.025)  # its coolant is at 65 °C
    low, high = interval(found.residual_w)
    assert low < air_w < high
    assert found.residual_share.value == pytest.approx(found.residual_w.value / found.loss_w.value)


def test_the_temperature_rise_rules_the_budget(stand):
    found = heat_balance(stand, simulated(stand, 2400.0, 120.0)[0])
    assert found.coolant_heat_w.budget[0].name.startswith("coolant_")


def test_without_coolant_or_channels_nothing_is_said(stand):
    point, _, _ = simulated(stand, 2400.0, 120.0)
    assert heat_balance(replace(stand, coolant=None), point) is None
    missing = {k: v for k, v in point.means.items() if k != stand.roles[Role.COOLANT_FLOW]}
    assert heat_balance(stand, replace(point, means=missing)) is None


def test_the_profile_says_what_the_coolant_is(stand, tmp_path):
    assert replace(stand.coolant, bodies=()) == Coolant(0.5, 0.02, u_rise_k=0.03)
    text = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")
    text = text.replace('limits = "limits/', f'limits = "{shared_path("limits").as_posix()}/')
    text = text.replace("glycol = { value = 50.0", "glycol = { value = 80.0").replace(
        "u_glycol = { value = 2.0", "u_glycol = { value = -2.0"
    )
    path = tmp_path / "stand.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError, match="outside the mixtures") as caught:
        load_stand(path)
    assert "cannot be negative" in str(caught.value)
