"""Missions: exact temperatures, what ends them, their uncertainty, and loads through map, propeller and power."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.battery import draw_battery, sure
from benchkit.analysis.endurance import CUT_OFF, RESERVE, TOO_MUCH, PowerLoads, WarmingParts, play, play_power
from benchkit.analysis.mission import mission_results
from benchkit.cli.duty_file import read_duty
from benchkit.errors import UsageError
from benchkit.model.battery import Battery, Mission, WarmingPart
from benchkit.model.results_maps import Duty

PACK = Battery(100, 10, (0.0, 1.0), (3.6, 3.6), 0.0, 5.0, 2.5)  # 18 kWh, no resistance
WINDING = WarmingPart("winding", 0.05, 300.0, 140.0)


def mission(battery=PACK, parts=(), *, repeat=True, **more):
    return Mission(battery, "power", (), (), repeat, parts, 40.0, **more)


def loads(power, loss, time, trials=1):
    wide = np.ones((1, trials))
    return PowerLoads(np.array(power)[:, None] * wide, np.array(loss)[:, None] * wide, np.array(time))


def parts_of(m, trials=1):
    return WarmingParts(
        m.parts, np.array([[p.resistance_k_per_w] for p in m.parts]) * np.ones((1, trials)), np.full(trials, 40.0)
    )


def test_temperatures_are_exact_whatever_the_steps():
    m = mission(parts=(WINDING,), repeat=False)
    found = play(m, loads([9000.0, 3000.0], [1200.0, 200.0], [240.0, 600.0]), sure(PACK), parts_of(m))
    # exact: 40 + 0.05 · 1200 (1 - exp(-240/300)), the highest at the end of the first load
    ((name, hottest),) = found.hottest_c
    assert name == "winding"
    assert hottest.value == pytest.approx(40.0 + 60.0 * (1.0 - math.exp(-0.8)), rel=1e-12)
    assert found.done_share == 1.0
    assert math.isnan(found.endurance_s.value)
    assert found.energy_wh.value == pytest.approx((9000.0 * 240.0 + 3000.0 * 600.0) / 3600.0)
    end = next(t for t in found.traces if t.name == "winding").middle[-1]
    first = 60.0 * (1.0 - math.exp(-0.8))
    assert end == pytest.approx(40.0 + first * math.exp(-2.0) + 10.0 * (1.0 - math.exp(-2.0)), rel=1e-12)


def test_what_ends_a_mission_first():
    # exact: the limit of 140 °C is met where 0.05 · 4000 (1 - exp(-t/300)) = 100: t = 300 ln 2
    m = mission(parts=(WINDING,))
    hot = play(m, loads([9000.0], [4000.0], [600.0]), sure(PACK), parts_of(m), traced=False)
    assert hot.ends[0].cause == "winding"
    assert hot.endurance_s.value == pytest.approx(300.0 * math.log(2.0), rel=0.02)  # a line within a step of 50 s
    empty = play_power(replace(PACK, reserve_soc=0.2), [18_000.0], [100.0], trials=1)
    assert empty.ends[0].cause == RESERVE
    assert empty.endurance_s.value == pytest.approx(2880.0)  # exact: 80 % of an hour
    assert empty.charge_left.value == pytest.approx(0.2)
    weak = replace(PACK, resistance_ohm=0.36)  # string 3.6 Ω: at most 360²/14.4 = 9 kW
    too_much = play_power(weak, [9100.0], [10.0], trials=1)
    assert too_much.endurance_s.value == 0.0
    assert too_much.ends[0].cause in {CUT_OFF, TOO_MUCH}


def test_uncertainty_goes_through():
    found = play_power(replace(PACK, u_capacity=0.02), [18_000.0], [60.0], trials=1000)
    # exact: the endurance goes with the capacity
    assert found.endurance_s.u == pytest.approx(72.0, rel=0.1)
    low, high = found.endurance_s.interval95
    assert low == pytest.approx(3600.0 - 1.96 * 72.0, abs=20.0)
    assert high == pytest.approx(3600.0 + 1.96 * 72.0, abs=20.0)
    again = play_power(replace(PACK, u_capacity=0.02), [18_000.0], [60.0], trials=1000)
    assert again.endurance_s == found.endurance_s  # same inputs, same numbers


def test_a_foreign_thermal_model_plays_too():
    class Slab:
        """Heat that only gathers, 1 K for each 1000 J."""

        names = ("slab",)
        limits_c = (50.0,)

        def start(self, trials):
            return np.full((1, trials), 20.0)

        def step(self, state, loss_w, dt_s):
            return state + loss_w * dt_s / 1000.0

        def temps_c(self, state):
            return state

    found = play(
        mission(), loads([5000.0], [100.0], [60.0], 3), draw_battery(PACK, 3, np.random.default_rng(1)), Slab()
    )
    assert found.ends[0].cause == "slab"
    assert found.endurance_s.value == pytest.approx(300.0)  # exact: 30 K · 1000 J/K / 100 W


def test_what_is_refused():
    with pytest.raises(UsageError, match="times above zero"):
        play_power(PACK, [1000.0], [0.0])
    with pytest.raises(UsageError, match="differ in number"):
        play_power(PACK, [1000.0], [1.0, 2.0])
    with pytest.raises(UsageError, match="not known"):
        play_power(PACK, [math.nan], [1.0])


# ----------------------------------------------------------------------------------------- from file and run
TOML = """
kind = "KIND"
repeat = true
wanted_endurance = { value = 90.0, unit = "min" }

[battery]
series = 96
parallel = 30
open_circuit = [[0.0, 3.00], [0.1, 3.40], [0.5, 3.65], [0.9, 4.05], [1.0, 4.18]]
u_open_circuit = { value = 5.0, unit = "mV" }
resistance = { value = 25.0, unit = "mΩ" }
u_resistance = { value = 10.0, unit = "%" }
capacity_ah = 4.9
u_capacity = { value = 2.0, unit = "%" }
cut_off = { value = 2.9, unit = "V" }
reserve = { value = 15.0, unit = "%" }

[coolant]
temperature = { value = 40.0, unit = "°C" }
u_temperature = { value = 1.0, unit = "K" }

[[parts]]
name = "winding"
rise_k_per_w = 0.045
u_rise = { value = 4.0, unit = "%" }
time_constant = { value = 5.0, unit = "min" }
limit = { value = 140.0, unit = "°C" }
"""
LOADS = {
    "power": '[[loads]]\npower = { value = 12.0, unit = "kW" }\ntime = { value = 5.0, unit = "min" }\n',
    "speed_and_torque": '[[loads]]\nspeed = { value = 2000.0, unit = "rpm" }\ntorque = { value = 60.0, unit = "N·m" }\n'
    'time = { value = 5.0, unit = "min" }\n',
    "thrust": '[[loads]]\nthrust = { value = 300.0, unit = "N" }\ntime = { value = 300.0, unit = "s" }\n',
}


def write(tmp_path, kind, **changes):
    text = TOML.replace("KIND", kind) + LOADS[kind]
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "duty.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_duty_file_with_its_battery(tmp_path):
    duty = read_duty(write(tmp_path, "speed_and_torque"))
    assert (duty.speed_rpm, duty.torque_nm, duty.time_s) == ((2000.0,), (60.0,), (300.0,))
    m = duty.mission
    assert m is not None
    assert (m.battery.cells, m.battery.resistance_ohm, m.battery.reserve_soc) == (2880, 0.025, 0.15)
    assert m.parts == (WarmingPart("winding", 0.045, 300.0, 140.0, 0.04),)
    assert (m.wanted_s, m.kind) == (5400.0, "speed and torque")


@pytest.mark.parametrize(
    ("kind", "old", "new", "match"),
    [
        ("power", "kW", "kV", r"loads.0.power.unit: 'kV' is not a unit of power"),
        ("power", "[[0.0, 3.00]", "[[0.2, 3.00]", "charges that rise from 0 to 1"),
        ("power", 'kind = "power"', 'kind = "thrust"', r"loads.0: a load of kind thrust"),
        ("power", "capacity_ah = 4.9\n", "", "battery.capacity_ah: Field required"),
        ("power", "5.0, unit = \"min\"", "0.0, unit = \"min\"", "above zero"),
        ("thrust", "limit = { value = 140.0", "limit = { value = 30.0", "limit above its coolant"),
    ],
)  # fmt: skip
def test_faults_of_a_duty_file_are_named(tmp_path, kind, old, new, match):
    path = tmp_path / "duty.toml"
    text = TOML.replace("KIND", kind) + LOADS[kind]
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UsageError, match=match):
        read_duty(path)


def test_a_mission_of_powers_says_nothing_of_temperatures(stand, tmp_path):
    (found,), (finding,) = mission_results(stand, (), (), read_duty(write(tmp_path, "power")))
    assert finding.code == "no_mission_temperatures"
    assert found.hottest_c == ()
    # exact in the mean: 12 kW from 53 kWh less 15 % and a little heat
    assert found.mean_power_w.value == pytest.approx(12_000.0)
    assert 3.6 < found.endurance_s.value / 3600.0 < 4.4
    assert found.energy_wh.value < found.stored_wh.value


def test_a_mission_along_the_propeller(stand, tmp_path):
    from benchkit.model.results import Estimate
    from benchkit.model.results import OperatingPoint as Point
    from tests.report.conftest import balance_at

    def row(k, thrust):
        balance = balance_at(k, 1000.0 + 400.0 * k, 10.0 + 20.0 * k)
        # exact: 800 W, and 1.2 W for each N^1.5
        power = Estimate(800.0 + 1.2 * thrust**1.5, 1.0, "W")
        return replace(balance, dc_power_w=power, drive_loss_w=Estimate(0.1 * power.value, 1.0, "W"))

    thrusts = [80.0, 150.0, 250.0, 400.0, 600.0]
    balances = [row(k, t) for k, t in enumerate(thrusts)]

    class Thrust:
        def __init__(self, point: Point, value: float) -> None:
            self.point, self.thrust_n = point, Estimate(value, 1e-3 * value, "N")

    thrust = [Thrust(b.point, t) for b, t in zip(balances, thrusts, strict=True)]
    duty = read_duty(write(tmp_path, "thrust"))
    (found,), findings = mission_results(stand, balances, thrust, duty)
    assert findings == ()
    P = 800.0 + 1.2 * 300.0**1.5
    assert found.mean_power_w.value == pytest.approx(P, rel=1e-3)
    assert found.mean_power_w.u == pytest.approx(P * 1.5e-3, rel=0.2)  # thrust 0.1 %, to the power 1.5
    ((_, hottest),) = found.hottest_c
    assert hottest.value == pytest.approx(40.0 + 0.045 * 0.1 * P, rel=0.01)  # long after its time constant
    far = read_duty(write(tmp_path, "thrust", **{'value = 300.0, unit = "N"': 'value = 700.0, unit = "N"'}))
    nothing, (finding,) = mission_results(stand, balances, thrust, far)
    assert nothing == ()
    assert "700 N" in finding.message
    assert "Measure there" in finding.message


def test_a_mission_without_a_map_says_why(stand, tmp_path):
    duty = read_duty(write(tmp_path, "speed_and_torque"))
    nothing, (finding,) = mission_results(stand, (), (), duty)
    assert nothing == ()
    assert finding.code == "no_endurance"
    assert mission_results(stand, (), (), Duty((1.0,), (1.0,), (1.0,))) == ((), ())
