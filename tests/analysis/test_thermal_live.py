"""A model that runs beside the measurement: the same temperatures as the network, a warning when it no longer fits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.thermal.live import allowed_k, live_model, start, step, time_to_limit_s
from benchkit.analysis.thermal.networks import Foster, respond
from benchkit.errors import UsageError

FOSTER = Foster(np.array([0.02, 0.05]), np.array([60.0, 600.0]))
MODEL = live_model(FOSTER, sd_k=0.1, memory_s=5.0)


def run(seconds, *, loss=1000.0, offset=lambda t: 0.0, noise=None, dt=1.0):
    state = start(MODEL, 0.0, 40.0, 40.0)
    states = [state]
    for k in range(1, round(seconds / dt)):
        t = k * dt
        true = step(MODEL, state, t, loss, 40.0).temp_c
        measured = true + offset(t) + (0.0 if noise is None else float(noise[k]))
        state = step(MODEL, state, t, loss, 40.0, measured)
        states.append(state)
    return states


def test_steps_are_those_of_the_network():
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.1, 4.0, 500))
    loss, coolant = rng.uniform(0.0, 2000.0, t.size), 40.0 + rng.standard_normal(t.size)
    state = start(MODEL, float(t[0]), float(coolant[0]), float(coolant[0]), float(loss[0]))
    temps = [state.temp_c]
    for k in range(1, t.size):
        state = step(MODEL, state, float(t[k]), float(loss[k]), float(coolant[k]))
        temps.append(state.temp_c)
    assert temps == pytest.approx(respond(FOSTER, t, loss, coolant, np.zeros(2)).tolist(), abs=1e-9)


def test_time_to_limit_is_kept():
    states = run(120.0)
    seconds = time_to_limit_s(MODEL, states[-1], 90.0)
    state = states[-1]
    # what is told now has come true then
    for k in range(1, 101):
        state = step(MODEL, state, states[-1].time_s + seconds * k / 100.0, 1000.0, 40.0)
    assert state.temp_c == pytest.approx(90.0, abs=1e-4)
    # exact: the end is 40 + 0.07 * 1000 = 110
    assert math.isnan(time_to_limit_s(MODEL, states[-1], 110.5))
    assert time_to_limit_s(MODEL, states[-1], 41.0) == 0.0


def noise_of(seed, seconds):
    rng = np.random.default_rng(seed)
    phi = math.exp(-1.0 / 5.0)
    e = np.zeros(seconds)
    for k in range(1, seconds):
        e[k] = phi * e[k - 1] + 0.1 * math.sqrt(1.0 - phi**2) * rng.standard_normal()
    return e


def test_chance_alone_is_no_alarm():
    for seed in range(5):
        assert all(state.matches for state in run(1500.0, noise=noise_of(seed, 1500)))


def test_a_pump_that_stops_is_found_and_stays_found():
    """From 600 s on the part heats 0.02 K/s faster than the model knows."""
    states = run(800.0, offset=lambda t: max(0.0, 0.02 * (t - 600.0)), noise=noise_of(9, 800))
    lost = [state.time_s for state in states if not state.matches]
    assert 600.0 < lost[0] < 660.0
    assert not states[-1].matches
    assert math.isnan(time_to_limit_s(MODEL, states[-1], 140.0))


def test_what_may_stay_wrong_is_no_alarm():
    wide = live_model(FOSTER, sd_k=0.1, memory_s=5.0, u_k=0.5)
    assert allowed_k(wide) > 3.9 * 0.5
    assert allowed_k(MODEL) == pytest.approx(3.9 * 0.1 / math.sqrt(5.0), rel=1e-12)


@pytest.mark.parametrize(
    ("time_s", "loss", "reference"),
    [(200.0, 0.0, 40.0), (-1.0, 0.0, 40.0), (1.0, math.nan, 40.0), (1.0, 0.0, math.nan)],
)
def test_a_gap_loses_the_state_until_a_new_start(time_s, loss, reference):
    state = step(MODEL, start(MODEL, 0.0, 40.0, 40.0), time_s, loss, reference)
    assert math.isnan(state.temp_c)
    assert not state.matches
    later = step(MODEL, state, time_s + 1.0, 0.0, 40.0)
    assert math.isnan(later.temp_c)
    assert math.isnan(time_to_limit_s(MODEL, later, 140.0))


def test_the_same_instant_twice_changes_nothing():
    state = start(MODEL, 0.0, 50.0, 40.0)
    assert step(MODEL, state, 0.0, 5.0, 41.0) is state
    assert replace(state, temp_c=1.0) != state


def test_refusal():
    with pytest.raises(UsageError, match="how well it fits"):
        live_model(FOSTER, sd_k=0.0, memory_s=5.0)
