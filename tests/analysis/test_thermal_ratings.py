"""Ratings and short-time loads against closed forms and against the stepped network."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.thermal.fit import NetworkFit
from benchkit.analysis.thermal.loss_law import ALPHA_COPPER_20, LossLaw, fit_loss_law
from benchkit.analysis.thermal.networks import Cauer, foster_of, network_of, simulate, with_loss_slope
from benchkit.analysis.thermal.ratings import (
    THERMAL_CLASS_C,
    Part,
    continuous_current,
    derating_map,
    rating,
    thermal_class_limit_c,
)
from benchkit.analysis.thermal.short_time import (
    course,
    heat_evenly,
    periodic_current,
    periodic_peak_c,
    recovery_time,
    short_time_current,
    steady_start,
    time_to_limit,
)
from benchkit.errors import UsageError
from benchkit.model.results import Estimate

LADDER = Cauer(np.array([1500.0, 15e3]), np.array([0.03, 0.05]))
LAW = LossLaw(0.04, 0.02, 0.0, ALPHA_COPPER_20, np.diag([0.0004**2, 0.0, 0.0]), 200.0, 4000.0)
COOLANT = Estimate(40.0, 0.2, "°C")
COLD = Estimate(40.0, 0.0, "°C")


def network(cauer=LADDER, u=0.01):
    """A fit that found exactly this ladder, each parameter with a relative uncertainty."""
    foster = foster_of(cauer)
    parameters = np.concatenate([np.log(foster.tau_s), foster.resistance_k_w])
    order = foster.tau_s.size
    spread = np.concatenate([np.full(order, u), u * foster.resistance_k_w])
    return NetworkFit(order, 1, parameters, np.diag(spread**2), 1e3, np.zeros((1, order)), (), 0.1, 1.0, 10.0, 4)


PART = Part("winding", Estimate(140.0, 0.0, "°C"), network(), LAW)


def held(current_a, seconds, start_c=40.0, steps=4000):
    """Winding temperature by stepping the network with the growth of loss in it."""
    net = with_loss_slope(network_of(LADDER), LAW.square_w_a2 * current_a**2 * LAW.alpha_per_k)
    t = np.linspace(0.0, seconds, steps)
    heat = np.zeros((steps, 2))
    heat[:, 0] = LAW.loss_w(current_a, 3000.0, 40.0)
    return 40.0 + simulate(net, t, heat, 0.0, np.broadcast_to(start_c, (2,)) - 40.0)[:, 0]


def test_continuous_current_ends_at_the_limit():
    current = continuous_current(PART, COOLANT, 3000.0)
    assert steady_start(LADDER, LAW, current.value, 3000.0, 40.0)[0] == pytest.approx(140.0, abs=1e-9)
    assert held(current.value, 40_000.0)[-1] == pytest.approx(140.0, abs=1e-3)
    # exact: I² k (1 + 120 alpha) = 100/0.08 - 60
    assert current.value == pytest.approx(math.sqrt((1250.0 - 60.0) / (0.04 * (1.0 + 120.0 * ALPHA_COPPER_20))))
    # exact: dI/I = dR/R * (1250/1190)/2, R by two parts of 1 %, and half of dk/k
    R = foster_of(LADDER).resistance_k_w
    by_R = 0.5 * 1250.0 / 1190.0 * 0.01 * math.hypot(*R) / R.sum()
    by_ref = 0.5 * 0.2 / 0.08 / 1190.0
    assert current.u / current.value == pytest.approx(math.hypot(by_R, 0.5 * 0.01, by_ref), rel=1e-3)


def test_no_load_too_much_is_no_rating():
    hot = Part("magnet", Estimate(41.0, 0.0, "°C"), network(), LAW)
    assert math.isnan(continuous_current(hot, COOLANT, 3000.0).value)
    found = rating([PART, hot], COOLANT, 3000.0, Estimate(1.1, 0.001, "N·m/A"))
    assert found.limited_by == "magnet"
    assert math.isnan(found.torque_nm.value)
    with pytest.raises(UsageError, match="needs a part"):
        rating([], COOLANT, 3000.0, Estimate(1.1, 0.0, "N·m/A"))


def test_the_map_falls_with_coolant_and_speed_and_names_the_part():
    iron = LossLaw(0.013, 0.0, 1e-5, 0.0, np.zeros((3, 3)), 200.0, 4000.0)
    parts = [PART, Part("magnet", Estimate(110.0, 0.0, "°C"), network(Cauer(np.array([9e3]), np.array([0.2]))), iron)]
    grid = derating_map(parts, (20.0, 40.0, 60.0), (500.0, 2000.0, 4000.0), Estimate(1.1, 0.001, "N·m/A"))
    current = np.array([[cell.current_a.value for cell in row] for row in grid])
    assert np.all(np.diff(current, axis=0) < 0.0)
    assert np.all(np.diff(current, axis=1) < 0.0)
    assert (grid[0][0].limited_by, grid[0][2].limited_by) == ("winding", "magnet")
    # exact: torque = 1.1 I, power = torque * 2 pi n/60
    assert grid[1][1].torque_nm.value == pytest.approx(1.1 * current[1, 1], rel=1e-12)
    assert grid[1][1].shaft_power_w.value == pytest.approx(1.1 * current[1, 1] * 2.0 * math.pi * 2000.0 / 60.0)
    assert not grid[1][1].is_extrapolated
    assert derating_map(parts, (40.0,), (4500.0,), Estimate(1.1, 0.0, "N·m/A"))[0][0].is_extrapolated


def test_loss_law_from_points():
    rng = np.random.default_rng(1)
    amps, n = rng.uniform(20.0, 180.0, 30), rng.uniform(500.0, 4000.0, 30)
    temp = 40.0 + 0.5 * amps
    true = LossLaw(0.04, 0.03, 1.5e-5, ALPHA_COPPER_20, np.zeros((3, 3)))
    loss = np.array([true.loss_w(a, b, c) for a, b, c in zip(amps, n, temp, strict=True)])
    found = fit_loss_law(amps, n, temp, loss + rng.standard_normal(30))
    assert found.square_w_a2 == pytest.approx(0.04, rel=5e-3)
    assert found.constant_w(3000.0) == pytest.approx(true.constant_w(3000.0), rel=0.02)
    assert found.current_max_a == amps.max()
    one_speed = fit_loss_law(
        amps, np.full(30, 3000.0), temp, 0.04 * amps**2 * (1 + ALPHA_COPPER_20 * (temp - 20)) + 90.0
    )
    assert one_speed.constant_w(3000.0) == pytest.approx(90.0, rel=1e-6)
    with pytest.raises(UsageError, match="do not rise with the current"):
        fit_loss_law(amps, n, temp, -loss)
    with pytest.raises(UsageError, match="too few points"):
        fit_loss_law(amps[:2], n[:2], temp[:2], loss[:2])


def test_time_to_limit_is_when_the_stepped_network_gets_there():
    found = time_to_limit(PART, 220.0, 3000.0, COOLANT, COLD, draws=60)
    assert held(220.0, found.value)[-1] == pytest.approx(140.0, abs=1e-3)
    low, high = found.interval95
    assert low < found.value < high
    # warmer starts leave less time; at the limit there is none; below the continuous load there is no end of it
    warm = time_to_limit(PART, 220.0, 3000.0, COOLANT, Estimate(90.0, 0.0, "°C"), draws=20)
    assert warm.value < found.value
    start = heat_evenly(PART.network, 0, 90.0, 40.0)
    assert held(220.0, warm.value, start)[-1] == pytest.approx(140.0, abs=1e-3)
    assert time_to_limit(PART, 220.0, 3000.0, COOLANT, Estimate(140.5, 0.0, "°C"), draws=20).value == 0.0
    assert math.isinf(time_to_limit(PART, 100.0, 3000.0, COOLANT, COLD, draws=20).value)


def test_runaway_has_no_end():
    # exact: R k I² alpha > 1 beyond this current
    runaway = math.sqrt(1.0 / (0.08 * LAW.square_w_a2 * LAW.alpha_per_k))
    assert math.isinf(course(LADDER, LAW, 1.01 * runaway, 0.0, 40.0, 40.0).final_c)
    assert math.isfinite(course(LADDER, LAW, 0.99 * runaway, 0.0, 40.0, 40.0).final_c)
    assert np.isnan(steady_start(LADDER, LAW, 1.01 * runaway, 0.0, 40.0)).all()


def test_short_time_and_its_time_agree():
    current = short_time_current(PART, 300.0, 3000.0, COOLANT, COLD)
    assert time_to_limit(PART, current.value, 3000.0, COOLANT, COLD, draws=20).value == pytest.approx(300.0, rel=1e-6)
    assert current.value > continuous_current(PART, COOLANT, 3000.0).value
    assert 0.0 < current.u < 0.03 * current.value
    assert math.isnan(short_time_current(PART, 300.0, 3000.0, COOLANT, Estimate(150.0, 0.0, "°C")).value)


def test_turns():
    # S1 is a turn without a rest
    assert periodic_current(PART, 60.0, 0.0, 3000.0, COOLANT).value == pytest.approx(
        continuous_current(PART, COOLANT, 3000.0).value, rel=1e-12
    )
    found = periodic_current(PART, 120.0, 240.0, 3000.0, COOLANT)
    assert periodic_peak_c(LADDER, LAW, found.value, 120.0, 240.0, 3000.0, 40.0) == pytest.approx(140.0, rel=1e-9)
    # walked through, turn by turn, with the loss that grows with temperature: at most the limit, and near it
    on = with_loss_slope(network_of(LADDER), LAW.square_w_a2 * found.value**2 * LAW.alpha_per_k)
    off = network_of(LADDER)
    state, heat = np.zeros(2), np.zeros((2, 2))
    heat[:, 0] = LAW.loss_w(found.value, 3000.0, 40.0)
    for _ in range(60):
        state = simulate(on, [0.0, 120.0], heat, 0.0, state)[-1]
        peak = 40.0 + state[0]
        state = simulate(off, [0.0, 240.0], np.zeros((2, 2)), 0.0, state)[-1]
    assert 133.0 < peak <= 140.0 + 1e-6


def test_recovery():
    found = recovery_time(PART, 0.0, 0.0, COOLANT, Estimate(130.0, 0.5, "°C"), 60.0)
    start = heat_evenly(PART.network, 0, 130.0, 40.0)
    cooled = simulate(network_of(LADDER), np.linspace(0.0, found.value, 500), 0.0, 40.0, start)
    assert cooled[-1, 0] == pytest.approx(60.0, abs=1e-4)
    assert found.u > 0.0
    assert math.isinf(recovery_time(PART, 100.0, 3000.0, COOLANT, Estimate(130.0, 0.5, "°C"), 41.0).value)


def test_classes():
    assert (thermal_class_limit_c("class H"), THERMAL_CLASS_C["F"]) == (180.0, 155.0)
    with pytest.raises(UsageError, match="no such thermal class"):
        thermal_class_limit_c("Z")
