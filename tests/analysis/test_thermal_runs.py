"""From a run to networks, derating map and short-time loads, on a stand whose winding is a known network."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest

from benchkit.analysis.steady import fold_stream
from benchkit.analysis.thermal.loss_law import ALPHA_COPPER_20
from benchkit.analysis.thermal.networks import Foster, respond
from benchkit.analysis.thermal.profile_model import section
from benchkit.analysis.thermal_runs import heat_run, live_model_of, thermal_limits
from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.profiles.collect import Collector
from benchkit.profiles.thermal_schema import ThermalModelSection, thermal_models

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


def test_a_model_for_the_profile_runs_over_its_own_run(stand, stream_of):
    """What is pasted is accepted by a profile and says of the record it came from what the known network says."""
    run = stream(stream_of)
    model = live_model_of(stand, run.channels, fold_stream(stand, run), "winding_temp", "winding")
    assert (model.reference, model.limit, model.loss.channel) == (
        "coolant_inlet_temp",
        "winding_hot",
        "phase_u_current",
    )
    assert sum(model.resistance_k_w) == pytest.approx(0.06, rel=0.03)
    assert model.loss.square_w_a2 == pytest.approx(K_W_A2, rel=0.03)
    assert model.loss.standing_w == pytest.approx(50.0, abs=15.0)
    assert model.scatter_k < 1.0
    assert 0.0 < model.u_k < 3.0
    text = section(model)
    sections = {name: ThermalModelSection(**body) for name, body in tomllib.loads(text)["thermal_models"].items()}
    collect = Collector("profile")
    limits = {x.name: x for x in stand.limit_set.limits}
    (again,) = thermal_models(collect, sections, stand.channels, limits).values()
    assert collect.problems == []
    assert section(again) == text


def test_a_model_needs_a_heated_channel_and_a_run(stand, stream_of):
    short = stream(stream_of, 600.0)
    folded = fold_stream(stand, short)
    with pytest.raises(UsageError, match=r"gives no network.*winding_temp|winding_temp.*gives no network"):
        live_model_of(stand, short.channels, folded, "winding_temp", "winding")
    with pytest.raises(UsageError, match="no loss is known that heats this channel"):
        live_model_of(stand, short.channels, folded, "hall_temp", "hall")


def test_what_heats_a_channel_by_what_is_measured(stand, stream_of):
    run = stream(stream_of, 1200.0)

    def only(*names):
        return heat_run(stand, names, run.time_s, np.stack([run.column(n) for n in names], axis=1), "winding_temp")

    found, what = heat_run(stand, run.channels, run.time_s, run.values, "winding_temp")
    assert what == "motor loss"
    assert found.loss_w[100, 0] == pytest.approx(50.0 + K_W_A2 * 110.0**2 * 1.2, rel=0.2)
    assert only("winding_temp", "coolant_inlet_temp", "phase_u_current")[1] == "current squared"
    held, what = only("winding_temp", "coolant_inlet_temp")
    assert what == "a held load"
    assert np.all(held.loss_w == 1.0)
    gap = np.delete(np.arange(run.time_s.size), np.arange(600, 700))
    after, _ = heat_run(stand, run.channels, run.time_s[gap], run.values[gap], "winding_temp")
    assert after.time_s[0] == run.time_s[700]
    with pytest.raises(UsageError, match="neither coolant nor air"):
        only("winding_temp")
