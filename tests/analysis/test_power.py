"""Power balance: signs, shared inputs, what is not measured."""

from __future__ import annotations

import dataclasses
import math

import pytest
from uncertainties import ufloat

from benchkit.analysis.power import dc_power, efficiency, efficiency_from_losses, power_balance, shaft_power
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role

VALUES = {
    "dc_voltage": (400.0, 0.12, "V"),
    "dc_current": (100.0, 0.07, "A"),
    "ac_power": (39200.0, 20.0, "W"),
    "shaft_speed": (3000.0, 0.2, "rpm"),
    "shaft_torque": (120.0, 0.07, "N·m"),
}


def point(**changes):
    means = {name: Estimate(*v[:2], v[2]) for name, v in (VALUES | changes).items()}
    return OperatingPoint(0, "rack", 0, 10, 0.0, 10.0, means)


def test_same_as_the_library_uncertainties(stand):
    balance = power_balance(stand, point())
    u, i, pac, n, T = (ufloat(v[0], v[1]) for v in VALUES.values())
    pdc, psh = u * i, n * T * (2 * math.pi / 60)
    for ours, theirs in (
        (balance.dc_power_w, pdc),
        (balance.ac_power_w, pac),
        (balance.shaft_power_w, psh),
        (balance.inverter_loss_w, pdc - pac),
        (balance.motor_loss_w, pac - psh),
        (balance.drive_loss_w, pdc - psh),
        (balance.inverter_efficiency, pac / pdc),
        (balance.motor_efficiency, psh / pac),
        (balance.drive_efficiency, psh / pdc),
    ):
        assert ours.value == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert ours.u == pytest.approx(theirs.std_dev, rel=1e-6)


def test_losses_add_up_and_efficiencies_multiply(stand):
    b = power_balance(stand, point())
    assert b.inverter_loss_w.value + b.motor_loss_w.value == pytest.approx(b.drive_loss_w.value, rel=1e-12)
    assert b.inverter_efficiency.value * b.motor_efficiency.value == pytest.approx(b.drive_efficiency.value, rel=1e-12)
    # AC power cancels in the drive: it must not be in its budget
    assert "ac_power" not in {line.name for line in b.drive_loss_w.budget}
    # and is counted once in each half, so the halves are more uncertain together than the whole
    assert math.hypot(b.inverter_loss_w.u, b.motor_loss_w.u) > b.drive_loss_w.u


def test_generating_has_positive_losses_and_an_efficiency_below_one(stand):
    # shaft drives with 37.7 kW, 36.9 kW arrive at the DC link
    b = power_balance(
        stand,
        point(shaft_torque=(-120.0, 0.07, "N·m"), ac_power=(-37300.0, 20.0, "W"), dc_current=(-92.25, 0.07, "A")),
    )
    assert b.drive_loss_w.value == pytest.approx(37699.1 - 36900.0, abs=0.1)
    assert b.inverter_loss_w.value > 0
    assert b.motor_loss_w.value > 0
    # what comes out is electrical: 36.9 kW of 37.7 kW
    assert b.drive_efficiency.value == pytest.approx(36900.0 / 37699.1, abs=1e-6)
    assert b.motor_efficiency.value == pytest.approx(37300.0 / 37699.1, abs=1e-6)
    assert b.inverter_efficiency.value == pytest.approx(36900.0 / 37300.0, abs=1e-6)


def test_efficiency_above_one_is_not_cut():
    assert float(efficiency(100.0, 101.0)) == pytest.approx(1.01)
    assert math.isnan(float(efficiency(0.0, 10.0)))
    assert math.isnan(float(efficiency(-5.0, 10.0)))
    assert math.isnan(float(efficiency(math.nan, 10.0)))


def test_without_ac_power_the_drive_is_whole_and_not_split(stand):
    roles = {r: c for r, c in stand.roles.items() if r is not Role.AC_POWER}
    b = power_balance(dataclasses.replace(stand, roles=roles), point())
    assert b.drive_efficiency.value == pytest.approx(0.94248, abs=1e-5)
    assert b.drive_efficiency.u > 0
    for e in (b.ac_power_w, b.inverter_loss_w, b.motor_loss_w, b.inverter_efficiency, b.motor_efficiency):
        assert math.isnan(e.value)
        assert math.isnan(e.u)


def test_nan_mean_is_not_measured(stand):
    b = power_balance(stand, point(shaft_torque=(math.nan, math.nan, "N·m")))
    assert b.inverter_loss_w.is_measured
    assert not b.drive_loss_w.is_measured
    assert not b.motor_efficiency.is_measured


def test_no_efficiency_at_standstill(stand):
    still = point(
        shaft_speed=(0.09, 0.05, "rpm"),
        shaft_torque=(0.07, 0.03, "N·m"),
        ac_power=(20.0, 3.0, "W"),
        dc_current=(0.15, 0.02, "A"),
    )
    b = power_balance(stand, still)
    assert b.shaft_power_w.value > 0.0
    assert not b.drive_efficiency.is_measured
    assert not b.motor_efficiency.is_measured
    assert b.drive_loss_w.value == pytest.approx(60.0, abs=0.01)


def test_arrays():
    assert dc_power([400.0, 410.0], 10.0).tolist() == [4000.0, 4100.0]
    assert shaft_power([60.0, -60.0], [1.0, 1.0]).tolist() == pytest.approx([2 * math.pi, -2 * math.pi])
    assert efficiency_from_losses([100.0, 200.0], [[10.0, 15.0], [0.0, 0.0]]).tolist() == pytest.approx([0.8, 1.0])
