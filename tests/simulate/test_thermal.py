"""The thermal network against the matrix exponential (scipy), and its books of energy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from benchkit.simulate import thermal
from benchkit.simulate.drives import HERON_60, MOTORS
from benchkit.simulate.thermal import Heat, Temperatures

P = MOTORS[HERON_60.id][1]
HEAT = Heat(copper_w=900.0, iron_w=450.0, friction_w=120.0, inverter_w=500.0, standing_w=25.0)


def at_rest(temp_c: float) -> Temperatures:
    return Temperatures(*([temp_c] * 7))


def as_array(t: Temperatures) -> np.ndarray:
    return np.array([t.winding_c, t.stator_c, t.magnet_c, t.junction_c, t.case_c, t.coolant_c])


def test_steps_follow_the_exact_solution() -> None:
    capacity = np.array([P.winding_j_k, P.stator_j_k, P.magnet_j_k, P.junction_j_k, P.case_j_k, P.coolant_j_k])
    final = as_array(thermal.steady(P, HEAT, 40.0, 8.0, 21.0))
    decay = expm(-thermal.conductance_matrix(P, 8.0) / capacity[:, None] * 120.0)
    exact = final + decay @ (as_array(at_rest(40.0)) - final)
    errors = []
    for dt in (0.02, 0.01):
        t = at_rest(40.0)
        for _ in range(round(120.0 / dt)):
            thermal.step(P, t, HEAT, dt, inlet_c=40.0, flow_lpm=8.0, air_c=21.0)
        errors.append(float(np.abs(as_array(t) - exact).max()))
    assert errors[0] < 0.01
    assert errors[1] == pytest.approx(errors[0] / 2.0, rel=0.05)  # explicit Euler: first order


def test_energy_is_conserved_step_by_step() -> None:
    t = at_rest(35.0)
    losses = HEAT.copper_w + HEAT.iron_w + HEAT.friction_w + HEAT.inverter_w
    before, left = thermal.stored_j(P, t), 0.0
    for k in range(2000):
        out, air = thermal.step(P, t, HEAT, 0.05, inlet_c=40.0, flow_lpm=8.0 if k < 1000 else 0.0, air_c=21.0)
        left += (out + air) * 0.05
    assert thermal.stored_j(P, t) - before == pytest.approx(losses * 100.0 - left, rel=1e-9)


def test_settled_network_gives_all_losses_to_coolant_and_air() -> None:
    t = thermal.steady(P, HEAT, 40.0, 8.0, 21.0)
    out, air = thermal.step(P, t, HEAT, 0.01, inlet_c=40.0, flow_lpm=8.0, air_c=21.0)
    assert out + air == pytest.approx(900.0 + 450.0 + 120.0 + 500.0, rel=1e-9)


def test_outlet_sensor_keeps_its_reading_when_the_coolant_stands_still() -> None:
    t = thermal.steady(P, HEAT, 40.0, 8.0, 21.0)
    seen = t.outlet_c
    for _ in range(2000):
        thermal.step(P, t, HEAT, 0.05, inlet_c=40.0, flow_lpm=0.0, air_c=21.0)
    assert t.outlet_c == seen
    assert t.coolant_c > seen + 5.0


def test_the_longest_time_constant_is_what_a_long_decay_shows() -> None:
    longest = thermal.time_constants(P, 8.0)[0]
    final, t = thermal.steady(P, HEAT, 40.0, 8.0, 21.0), at_rest(40.0)
    left = []
    for k in range(1, 60_001):
        thermal.step(P, t, HEAT, 0.05, inlet_c=40.0, flow_lpm=8.0, air_c=21.0)
        if k in (40_000, 60_000):  # the quicker parts are gone after 2000 s
            left.append(final.magnet_c - t.magnet_c)
    assert 1000.0 / np.log(left[0] / left[1]) == pytest.approx(longest, rel=1e-3)
