"""The power path: powers, efficiencies and their uncertainty, and the picture made of them."""

import math
from dataclasses import replace
from typing import Any

import pytest
from uncertainties import ufloat

from benchkit.model.stand import Propeller, Role, Stand
from gui.state.power import power_path
from gui.state.ribbon import Fill, ribbon_picture, scale_step
from gui.state.theme import Tone
from gui.widgets.power_ribbon import PowerRibbon

POINT = {
    "dc_voltage": 400.0, "dc_current": 40.0, "ac_power": 15400.0, "shaft_speed": 2400.0, "shaft_torque": 58.0,
    "thrust": 620.0, "air_temp": 20.0, "air_pressure": 101325.0, "air_humidity": 0.5,
}  # fmt: skip


def uncertain(stand: Stand, name: str):
    accuracy = stand.channels[name].calibration.accuracy
    return ufloat(POINT[name], accuracy.standard_uncertainty(POINT[name]))


def test_efficiencies_agree_with_an_independent_propagation(stand: Stand) -> None:
    path = power_path(stand, POINT)
    dc = uncertain(stand, "dc_voltage") * uncertain(stand, "dc_current")
    ac = uncertain(stand, "ac_power")
    shaft = uncertain(stand, "shaft_torque") * uncertain(stand, "shaft_speed") * (2 * math.pi / 60)
    inverter, motor = (s.efficiency for s in path.stages[:2])
    for got, expected in ((inverter, ac / dc), (motor, shaft / ac), (path.drive, shaft / dc)):
        assert got.value == pytest.approx(expected.nominal_value, rel=1e-12)
        assert got.u == pytest.approx(expected.std_dev, rel=1e-5)
    loss = dc - ac
    assert path.stages[0].loss_w.value == pytest.approx(loss.nominal_value)
    assert path.stages[0].loss_w.u == pytest.approx(loss.std_dev, rel=1e-5)


def test_figure_of_merit_of_a_measured_propeller(stand: Stand) -> None:
    # UIUC Propeller Data Site, apcsf_10x4.7_static_kt0835, 6528 rpm: T, Q and FM derived from the printed
    # coefficients at rho 1.225. Dry air of 15 °C and 101325 Pa has 1.22552 (CIPM-2007, derived), and FM goes with
    # rho^-1/2.
    propeller = Propeller("test", 0.254, 2, 0.0, 0.025)
    small = replace(stand, propeller=propeller)
    means = POINT | {
        "thrust": 7.84039, "shaft_torque": 0.129562, "shaft_speed": 6528.0, "air_temp": 15.0, "air_humidity": 0.0,
    }  # fmt: skip
    merit = power_path(small, means).stages[-1].efficiency.value
    assert merit == pytest.approx(0.703492 * math.sqrt(1.225 / 1.22552), rel=2e-5)


def test_regenerating_gives_losses_and_no_efficiency(stand: Stand) -> None:
    means = POINT | {"dc_current": -20.0, "ac_power": -8200.0, "shaft_torque": -34.0}
    path = power_path(stand, means)
    assert path.is_regenerating
    # exact: loss is power in less power out in both directions: -8000 - (-8200)
    assert path.stages[0].loss_w.value == pytest.approx(200.0)
    assert math.isnan(path.stages[0].efficiency.value)
    assert math.isnan(path.drive.value)
    assert math.isnan(path.nodes[-1].power_w.value)


def test_not_measured_is_not_zero(stand: Stand) -> None:
    path = power_path(stand, POINT | {"ac_power": math.nan})
    assert math.isnan(path.nodes[1].power_w.value)
    assert math.isnan(path.stages[0].loss_w.value)
    assert path.drive.value == pytest.approx(58.0 * 2400.0 * 2 * math.pi / 60 / 16000.0)


def test_without_ac_power_the_drive_is_one_stage(stand: Stand) -> None:
    roles = {r: n for r, n in stand.roles.items() if r is not Role.AC_POWER}
    path = power_path(replace(stand, roles=roles, propeller=None), POINT)
    assert [s.name for s in path.stages] == ["inverter and motor"]
    assert len(path.nodes) == 2


@pytest.mark.parametrize(
    ("power", "full"),
    [(0.0, 100.0), (99.0, 100.0), (101.0, 200.0), (16_000.0, 20_000.0), (20_000.0, 20_000.0), (50_001.0, 1e5)],
)
def test_ribbon_scale_goes_in_steps(power: float, full: float) -> None:
    assert scale_step(power) == full


def box(outline):
    xs = [v for _, numbers in outline.path for v in numbers[0::2]]
    ys = [v for _, numbers in outline.path for v in numbers[1::2]]
    return min(xs), min(ys), max(xs), max(ys)


def test_ribbon_thickness_is_the_power(stand: Stand) -> None:
    path = power_path(stand, POINT)
    picture = ribbon_picture(path, 20_000.0, 1600.0, 160.0)
    first = next(o for o in picture.outlines if o.fill is Fill.POWER)
    _, top, _, bottom = box(first)
    # exact: 16 kW of 20 kW, on 0.34 of the height
    assert bottom - top == pytest.approx(0.8 * 0.34 * 160.0)
    limbs = [o for o in picture.outlines if o.fill is Fill.LOSS]
    assert len(limbs) == 3
    widths = [max(x for _, n in o.path for x in n[0::2]) for o in limbs]
    assert widths == sorted(widths)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("full", [16_000.0, 50_000.0])
def test_ribbon_stays_inside_its_panel(stand: Stand, sign: float, full: float) -> None:
    means = POINT | {n: sign * POINT[n] for n in ("dc_current", "ac_power", "shaft_torque")}
    picture = ribbon_picture(power_path(stand, means), full, 1200.0, 150.0)
    for outline in picture.outlines:
        left, top, right, bottom = box(outline)
        assert left >= 0.0
        assert right <= 1200.0
        assert top >= 0.0
        assert bottom <= 151.0 + 12.0


def test_ribbon_says_what_is_not_known(stand: Stand) -> None:
    picture = ribbon_picture(power_path(stand, {}), 100.0, 1200.0, 150.0, Tone.STALE)
    assert {o.fill for o in picture.outlines} == {Fill.UNKNOWN}
    assert "–" in [label.text for label in picture.labels]


def test_ribbon_draws_no_loss_that_is_negative_and_still_says_it(stand: Stand) -> None:
    picture = ribbon_picture(power_path(stand, POINT | {"ac_power": 16_500.0}), 20_000.0, 1200.0, 150.0)
    assert len([o for o in picture.outlines if o.fill is Fill.LOSS]) == 2
    assert "heat −500 W" in [label.text for label in picture.labels]


def test_another_run_starts_without_the_powers_and_the_scale_of_the_last(qtbot: Any, stand: Stand) -> None:
    ribbon = PowerRibbon()
    qtbot.addWidget(ribbon)
    ribbon.resize(1200, 150)
    ribbon.show_path(power_path(stand, POINT), None, "now")
    assert "ribbon full at 20" in ribbon.note()
    ribbon.forget()
    ribbon.grab()  # painted before the new run has sent anything
    assert ribbon.picture() is None
    small = {"dc_current": 1.0, "ac_power": 380.0, "shaft_torque": 1.0, "thrust": 5.0}
    ribbon.show_path(power_path(stand, POINT | small), None, "now")
    assert "ribbon full at 500" in ribbon.note()
