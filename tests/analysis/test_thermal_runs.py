"""From a run to networks, derating map and short-time loads, on a stand whose winding is a known network."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.steady import fold_stream
from benchkit.analysis.thermal.loss_law import ALPHA_COPPER_20
from benchkit.analysis.thermal.networks import Foster, respond
from benchkit.analysis.thermal_runs import thermal_limits
from benchkit.analysis.uncertainty import interval

NETWORK = Foster(np.array([0.015, 0.045]), np.array([40.0, 300.0]))
K_W_A2 = 0.08


def stream(stream_of, seconds=2400.0, breaks=False):
    """Loads of 110, 60 and 90 A at 2500 rpm; copper loss at the temperature that it makes."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, seconds, 0.5)
    current = np.where(t < 0.5 * seconds, 110.0, np.where(t < 0.7 * seconds, 60.0, 90.0))
    loss = K_W_A2 * current**2
    for _ in range(6):  # loss and temperature follow each other
        winding = respond(NETWORK, t, loss + 50.0, 40.0, np.zeros(2))
        loss = K_W_A2 * current**2 * (1.0 + ALPHA_COPPER_20 * (winding - 20.0))
    speed = np.full(t.size, 2500.0)
    torque = 1.1 * current
    ac = speed * torque * 2.0 * math.pi / 60.0 + loss + 50.0
    return stream_of(
        t,
        {
            "shaft_speed": speed + rng.standard_normal(t.size),
            "shaft_torque": torque,
            "ac_power": ac,
            "phase_u_current": current,
            "winding_temp": winding + 0.05 * rng.standard_normal(t.size),
            "coolant_inlet_temp": 40.0 + 0.02 * rng.standard_normal(t.size),
        },
    )


@pytest.fixture
def limits(stand, stream_of):
    run = stream(stream_of)
    (found,) = thermal_limits(stand, run.channels, fold_stream(stand, run))
    return found


def test_networks_ratings_and_times(stand, limits):
    (network,) = limits.networks
    assert (network.channel, network.loss, network.reference) == ("winding_temp", "motor loss", "coolant_inlet_temp")
    assert len(network.tau_s) == 2
    low, high = interval(network.total_k_w)
    assert low <= 0.06 <= high
    assert network.tau_s[1].value == pytest.approx(300.0, rel=0.05)
    assert [order.is_chosen for order in network.orders] == [False, True, False]
    # exact: k I² (1 + alpha (T_lim - 20)) + 50 W carries the rise over the coolant
    limit = stand.motor.winding_limit_c
    rows = {row[0].coolant_c: row[0] for row in limits.derating}
    for coolant_c, cell in rows.items():
        square = ((limit - coolant_c) / 0.06 - 50.0) / (K_W_A2 * (1.0 + ALPHA_COPPER_20 * (limit - 20.0)))
        assert cell.current_a.value == pytest.approx(math.sqrt(square), rel=0.02)
        assert cell.torque_nm.value == pytest.approx(1.1 * cell.current_a.value, rel=2e-3)
        assert cell.limited_by == "winding_temp"
    assert sorted(rows) == [20.0, 30.0, 40.0, 50.0, 60.0]
    times = {(round(s.start_c), s.current_share): s.time_s.value for s in limits.short_times}
    cold = min(start for start, _ in times)
    assert times[cold, 1.1] > times[cold, 1.25] > times[cold, 1.5] > 0.0
    assert all(times[start, share] <= times[cold, share] for start, share in times)


def test_short_runs_and_missing_losses_give_nothing(stand, stream_of):
    short = stream(stream_of, 600.0)
    assert thermal_limits(stand, short.channels, fold_stream(stand, short)) == ()
    no_power = stream_of(short.time_s, {name: short.column(name) for name in short.channels if name != "ac_power"})
    assert thermal_limits(stand, no_power.channels, fold_stream(stand, no_power)) == ()
    assert thermal_limits(stand, short.channels, ()) == ()


def test_the_report_shows_it(limits):
    from types import SimpleNamespace

    from benchkit.report.model import GridFigure, Table
    from benchkit.report.sections_networks import network_blocks

    run = SimpleNamespace(label="A", stand=SimpleNamespace(channels={}), result=SimpleNamespace(thermal=(limits,)))
    blocks = network_blocks([run])
    tables = {block.id: block for block in blocks if isinstance(block, Table)}
    assert list(tables) == ["networks", "network-orders", "derating", "short-times"]
    assert len(tables["networks"].rows) == 2
    # one speed is no map
    assert not any(isinstance(block, GridFigure) for block in blocks)
