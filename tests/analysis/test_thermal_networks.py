"""Networks against scipy's own integrators, and both forms against each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.analysis.thermal.lags import lag
from benchkit.analysis.thermal.networks import (
    Cauer,
    Foster,
    cauer_of,
    foster_of,
    impedance,
    modes_of,
    network_of,
    reference_weights,
    respond,
    simulate,
    steady_c,
    with_loss_slope,
)
from benchkit.errors import UsageError

LADDER = Cauer(np.array([50.0, 900.0, 4000.0, 2e4]), np.array([0.02, 0.05, 0.03, 0.1]))


@given(st.lists(st.tuples(st.floats(0.0, 3.0), st.floats(-2.0, 0.0)), min_size=1, max_size=4))
@settings(max_examples=60, deadline=None)
def test_there_and_back_again(parts):
    # ratios of time constants from 2 to 2000
    tau = np.cumprod([2.0 * 10.0**step for step, _ in parts])
    foster = Foster(np.array([10.0**size for _, size in parts]), tau)
    back = foster_of(cauer_of(foster))
    assert back.tau_s == pytest.approx(foster.tau_s, rel=1e-7)
    assert back.resistance_k_w == pytest.approx(foster.resistance_k_w, rel=1e-6)
    assert cauer_of(foster).total_k_w == pytest.approx(foster.total_k_w, rel=1e-12)


def test_two_nodes_by_hand():
    """exact: C_1 C_2 R_1 R_2 s² + (C_1 R_1 + C_1 R_2 + C_2 R_2) s + 1 = 0 gives the two rates."""
    C1, C2, R1, R2 = 100.0, 1000.0, 0.05, 0.10
    tau = np.sort(-1.0 / np.roots([C1 * C2 * R1 * R2, C1 * R1 + C1 * R2 + C2 * R2, 1.0]))
    foster = foster_of(Cauer(np.array([C1, C2]), np.array([R1, R2])))
    assert foster.tau_s == pytest.approx(tau, rel=1e-12)
    assert foster.total_k_w == pytest.approx(R1 + R2, rel=1e-14)
    # exact: at the first instant all heat goes into C_1
    assert float(np.sum(foster.resistance_k_w / foster.tau_s)) == pytest.approx(1.0 / C1, rel=1e-12)


@pytest.mark.parametrize("even", [True, False])
def test_lag_against_an_integrator(even):
    from scipy.integrate import solve_ivp

    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40.0, 0.5) if even else np.cumsum(rng.uniform(0.05, 2.0, 60))
    u = rng.standard_normal(t.size)
    theirs = solve_ivp(
        lambda s, y: (np.interp(s, t, u) - y) / 3.0,
        (t[0], t[-1]),
        [2.0],
        t_eval=t,
        rtol=1e-9,
        atol=1e-10,
        max_step=0.05,
    )
    assert lag(t, u, 3.0, start=2.0) == pytest.approx(theirs.y[0], abs=2e-6)


def test_every_node_against_lsim():
    from scipy.signal import lsim

    network = network_of(LADDER)
    t = np.arange(0.0, 3000.0, 2.0)
    loss = np.zeros((t.size, 4))
    loss[:, 0] = 100.0 + 50.0 * np.sin(t / 100.0)
    loss[:, 1] = 30.0
    reference = 40.0 + 0.002 * t
    A = -network.conductance_w_k / network.capacity_j_k[:, None]
    B = np.column_stack([np.diag(1.0 / network.capacity_j_k), network.to_reference_w_k / network.capacity_j_k])
    inputs = np.column_stack([loss, reference])
    _, _, theirs = lsim((A, B, np.eye(4), np.zeros((4, 5))), inputs, t, np.full(4, 40.0))
    assert simulate(network, t, loss, reference, np.full(4, 40.0)) == pytest.approx(theirs, abs=1e-8)


def test_foster_and_ladder_respond_alike_to_loss_and_coolant():
    t = np.cumsum(np.random.default_rng(1).uniform(0.5, 3.0, 800))
    loss = 200.0 * (t % 300.0 < 150.0)
    reference = 40.0 + 5.0 * np.sin(t / 200.0)
    heat = np.zeros((t.size, 4))
    heat[:, 0] = loss
    start = np.full(4, reference[0])
    by_nodes = simulate(network_of(LADDER), t, heat, reference, start)[:, 0]
    by_parts = respond(foster_of(LADDER), t, loss, reference, np.zeros(4))
    assert by_parts == pytest.approx(by_nodes, abs=1e-8)


def test_impedance_ends_at_the_resistance():
    foster = foster_of(LADDER)
    assert impedance(foster, [0.0, 1e7]).tolist() == pytest.approx([0.0, LADDER.total_k_w], abs=1e-12)
    assert float(np.sum(reference_weights(foster.tau_s))) == pytest.approx(1.0, rel=1e-10)


def test_loss_that_grows_with_temperature():
    network = network_of(LADDER)
    # exact: P + s (T - T_ref) = (T - T_ref)/R at the end, so T - T_ref = P R/(1 - s R)
    slope = 1.0
    hot = steady_c(with_loss_slope(network, slope), [200.0, 0.0, 0.0, 0.0], 0.0)[0]
    assert hot == pytest.approx(200.0 * 0.2 / (1.0 - slope * 0.2), rel=1e-12)
    away = with_loss_slope(network, 6.0)
    assert np.isnan(steady_c(away, [200.0, 0.0, 0.0, 0.0], 0.0)).all()
    assert modes_of(away).rate_per_s[0] < 0.0
    t = np.arange(0.0, 4000.0, 1.0)
    heat = np.zeros((t.size, 4))
    heat[:, 0] = 10.0
    climbing = simulate(away, t, heat, 0.0, np.zeros(4))[:, 0]
    assert np.all(np.diff(climbing) > 0.0)
    assert climbing[-1] - climbing[-2] > climbing[1001] - climbing[1000]


def test_refusals():
    with pytest.raises(UsageError, match="no ladder has this response"):
        cauer_of(Foster(np.array([1.0, -0.1]), np.array([1.0, 10.0])))
    with pytest.raises(UsageError, match="as many of one as of the other"):
        Foster(np.array([1.0]), np.array([1.0, 2.0]))
    with pytest.raises(UsageError, match="positive capacities"):
        Cauer(np.array([0.0]), np.array([1.0]))
    with pytest.raises(UsageError, match="finite and rising"):
        lag([0.0, 0.0], [1.0, 1.0], 1.0)
    with pytest.raises(UsageError, match="must be positive"):
        lag([0.0, 1.0], [1.0, 1.0], 0.0)
