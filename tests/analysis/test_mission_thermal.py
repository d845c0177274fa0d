"""Fitted networks in a mission: the same end as the equations give, parts beside them, and when they are not used."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from benchkit.analysis.mission_thermal import mission_thermal
from benchkit.model.battery import Battery, Mission, WarmingPart
from benchkit.model.results import Estimate
from benchkit.model.results_thermal import ThermalLimits, ThermalNetwork

CELL = Battery(96, 20, (0.0, 1.0), (3.0, 4.1), 0.02, 5.0, 2.8)
TRIALS = 400


def network(channel: str = "winding_temp", loss: str = "motor loss", notes: tuple[str, ...] = (), u: float = 0.0):
    return ThermalNetwork(
        channel=channel,
        loss=loss,
        reference="coolant_inlet_temp",
        limit_c=140.0,
        tau_s=(Estimate(40.0, 0.0, "s"), Estimate(300.0, 0.0, "s")),
        resistance_k_w=(Estimate(0.01, 0.0, "K/W"), Estimate(0.03, 0.0, "K/W")),
        total_k_w=Estimate(0.04, 0.04 * u, "K/W"),
        residual_rms_k=0.1,
        orders=(),
        chosen_by="",
        notes=notes,
    )


def points(count: int = 5):
    """Motor loss 100 W + 70 % of that of the drive."""
    return [
        SimpleNamespace(
            drive_loss_w=Estimate(x, 1.0, "W"),
            motor_loss_w=Estimate(100.0 + 0.7 * x, 1.0, "W"),
            inverter_loss_w=Estimate(0.3 * x - 100.0, 1.0, "W"),
        )
        for x in np.linspace(1000.0, 3000.0, count)
    ]


def mission(*parts: WarmingPart) -> Mission:
    return Mission(CELL, "thrust", (500.0,), (600.0,), False, parts, coolant_c=35.0)


def model_of(thermal, balances=None, *parts: WarmingPart):
    rng = np.random.default_rng(3)
    return mission_thermal(mission(*parts), points() if balances is None else balances, thermal, TRIALS, rng)


def test_a_network_goes_the_way_of_its_equation():
    """exact: 35 + (100 + 0.7·2000)·(0.01 (1 - e^(-t/40)) + 0.03 (1 - e^(-t/300))), in two unequal steps."""
    model = model_of([ThermalLimits((network(),))])
    assert (model.names, model.limits_c) == (("winding_temp",), (140.0,))
    loss = np.full(TRIALS, 2000.0)
    state = model.step(model.step(model.start(TRIALS), loss, 70.0), loss, 130.0)
    exact = 35.0 + 1500.0 * (0.01 * -math.expm1(-200.0 / 40.0) + 0.03 * -math.expm1(-200.0 / 300.0))
    temps = model.temps_c(state)
    assert temps.shape == (1, TRIALS)
    assert temps == pytest.approx(np.full((1, TRIALS), exact), abs=1e-6)


def test_its_uncertainty_goes_through():
    model = model_of([ThermalLimits((network(u=0.05),))])
    rise = model.temps_c(model.step(model.start(TRIALS), np.full(TRIALS, 2000.0), 1e6)) - 35.0
    # exact: 60 K with a share of 5 %; of 400 trials the spread is known to 3.5 %, the mean to 0.15 K
    assert float(np.std(rise)) == pytest.approx(3.0, rel=0.15)
    assert float(np.mean(rise)) == pytest.approx(60.0, abs=0.6)


def test_parts_by_other_names_stay_and_those_of_a_network_go():
    bar = WarmingPart("busbar", 0.02, 100.0, 90.0)
    same = WarmingPart("winding_temp", 1.0, 100.0, 90.0)
    model = model_of([ThermalLimits((network(), network("junction_temp", "inverter loss")))], None, bar, same)
    assert model.names == ("winding_temp", "junction_temp", "busbar")
    assert model.limits_c == (140.0, 140.0, 90.0)
    loss = np.full(TRIALS, 2000.0)
    ends = model.temps_c(model.step(model.start(TRIALS), loss, 1e6))[:, 0]
    # exact: 0.04·1500, 0.04·500, 0.02·2000 over 35 °C
    assert ends == pytest.approx([95.0, 55.0, 75.0], abs=1e-6)


def test_when_networks_are_not_used():
    bar = WarmingPart("busbar", 0.02, 100.0, 90.0)
    undetermined = [ThermalLimits((network(notes=("1 of 6 parameters follow from the others",)),))]
    for thermal, balances in (((), points()), (undetermined, points()), ([ThermalLimits((network(),))], points(3))):
        assert model_of(thermal, balances, bar).names == ("busbar",)
        assert model_of(thermal, balances) is None
    same = [points(1)[0]] * 5
    assert model_of([ThermalLimits((network(),))], same) is None
