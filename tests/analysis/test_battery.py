"""A battery under power: closed forms, an independent integration, and the arithmetic of the trade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchkit.analysis import battery as batt
from benchkit.analysis.endurance import play_power
from benchkit.errors import UsageError
from benchkit.model.battery import Battery

FLAT = Battery(100, 10, (0.0, 1.0), (3.6, 3.6), 0.0, 5.0, 2.5)
REAL = Battery(96, 30, (0.0, 0.1, 0.5, 0.9, 1.0), (3.0, 3.4, 3.65, 4.05, 4.18), 0.025, 4.9, 2.9, 0.005, 0.1, 0.02)


def test_sag_is_the_smaller_root():
    # exact: E = 400 V, R = 4 Ω: 10 A give 3600 W, and so would 90 A
    assert float(batt.current_for(3600.0, 400.0, 4.0)) == pytest.approx(10.0)
    assert float(batt.current_for(10_000.0, 400.0, 4.0)) == pytest.approx(50.0)  # the most: E²/(4 R)
    assert np.isnan(batt.current_for(10_001.0, 400.0, 4.0))
    assert float(batt.current_for(-2000.0, 400.0, 4.0)) < 0.0
    assert float(batt.current_for(1e-6, 400.0, 4.0)) == pytest.approx(2.5e-9)  # no rounding at small power
    assert float(batt.current_for(4000.0, 400.0, 0.0)) == pytest.approx(10.0)


def test_without_resistance_the_energy_is_that_of_the_curve():
    # exact: 100 · 3.6 V · 10 · 5 Ah = 18 kWh
    assert batt.stored_wh(FLAT) == pytest.approx(18_000.0)
    assert float(batt.endurance_at(batt.sure(FLAT), 36_000.0)[0]) == pytest.approx(1800.0)
    # exact: a straight curve from 3 to 4 V, half of its charge: mean 3.75 V over 2.5 Ah
    straight = replace(FLAT, ocv_v=(3.0, 4.0), reserve_soc=0.5, cut_off_v=2.0)
    assert batt.stored_wh(straight) == pytest.approx(100 * 10 * 3.75 * 2.5)
    # exact: t = Q int E ds / P
    assert float(batt.endurance_at(batt.sure(straight), 9375.0)[0]) == pytest.approx(3600.0, rel=1e-6)


def test_resistance_on_a_flat_curve():
    cell = replace(FLAT, resistance_ohm=0.04)  # string: 0.4 Ω
    # exact: 100 A · (360 - 40) V = 32 kW, and 50 Ah last half an hour
    assert float(batt.endurance_at(batt.sure(cell), 32_000.0)[0]) == pytest.approx(1800.0, rel=1e-9)
    found = play_power(cell, [32_000.0], [60.0], trials=1)
    assert found.endurance_s.value == pytest.approx(1800.0, rel=1e-6)
    assert found.energy_wh.value == pytest.approx(16_000.0, rel=1e-6)
    assert found.lowest_voltage_v.value == pytest.approx(320.0, rel=1e-9)


def test_against_an_independent_integration():
    E = lambda s: 96 * np.interp(s, REAL.soc, REAL.ocv_v)  # noqa: E731
    R = 0.025 * 96 / 30

    def rate(_, s):
        root = np.roots([R, -E(s[0]), 45e3]).real.min()  # R I² - E I + P = 0
        return [-root / (4.9 * 30 * 3600)]

    def cut(_, s):
        return E(s[0]) - R * np.roots([R, -E(s[0]), 45e3]).real.min() - 96 * 2.9

    cut.terminal = True
    found = solve_ivp(rate, (0.0, 9000.0), [1.0], events=cut, rtol=1e-9, max_step=20.0)
    assert found.t_events[0].size == 1
    by_charge = float(batt.endurance_at(batt.sure(REAL), 45e3)[0])
    assert by_charge == pytest.approx(found.t_events[0][0], rel=2e-4)
    sure = replace(REAL, u_ocv_v=0.0, u_resistance=0.0, u_capacity=0.0)
    played = play_power(sure, [45e3], [20.0], trials=1)
    assert played.endurance_s.value == pytest.approx(found.t_events[0][0], rel=2e-4)
    assert [end.cause for end in played.ends] == ["cut-off voltage"]


def test_the_inverse_is_the_inverse():
    trials = batt.draw_battery(REAL, 50, np.random.default_rng(1))
    power = batt.power_for(trials, 5400.0)
    assert batt.endurance_at(trials, power) == pytest.approx(np.full(50, 5400.0), rel=1e-6)
    assert np.std(power) / np.mean(power) == pytest.approx(0.02, rel=0.4)  # the capacity rules it
    with pytest.raises(UsageError, match="above zero"):
        batt.power_for(trials, 0.0)


def test_arithmetic_of_the_trade():
    """Common practice, no source: about 53 kWh on board and 1.5 h at full take-off mass mean about 35 kW; cylindrical
    21700 cells have about 260 Wh/kg."""
    assert batt.mean_power_w(53_000.0, 5400.0) == pytest.approx(35_333.3, abs=0.05)
    assert f"{batt.mean_power_w(53_000.0, 5400.0) / 1e3:.0f}" == "35"
    assert batt.cell_mass_for(53_000.0, 260.0) == pytest.approx(203.846, abs=5e-4)
    # 5.0 Ah, 3.64 V and 70 g of a 21700 cell: 18.2 Wh, 260 Wh/kg; 104 · 28 of them hold 53.0 kWh
    pack = Battery(104, 28, (0.0, 1.0), (3.64, 3.64), 0.0, 5.0, 2.5, cell_mass_kg=0.070)
    assert f"{batt.stored_wh(pack) / 1e3:.1f}" == "53.0"
    assert f"{batt.stored_wh(pack) / (pack.cells * 0.070):.0f}" == "260"
    played = play_power(pack, [batt.stored_wh(pack) / 1.5], [600.0], wanted_s=5400.0, trials=2)
    assert f"{played.endurance_s.value / 3600.0:.3f}" == "1.500"
    assert f"{played.mean_power_w.value / 1e3:.1f}" == "35.3"
    assert f"{played.continuous_power_w.value / 1e3:.1f}" == "35.3"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"series": 0}, "at least one cell"),
        ({"soc": (0.0, 0.5), "ocv_v": (3.0, 4.0)}, "charges that rise"),
        ({"ocv_v": (4.0, 3.0)}, "do not fall with charge"),
        ({"capacity_ah": 0.0}, "capacity above zero"),
        ({"cut_off_v": 4.0}, "cut-off below"),
        ({"reserve_soc": 1.0}, "reserve < start"),
    ],
)
def test_what_is_no_battery(change, expected):
    with pytest.raises(UsageError, match=expected):
        batt.sure(replace(FLAT, **change))
