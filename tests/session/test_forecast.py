"""Predictions for the status message: one channel a turn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.profiles import load_stand, shared_path
from benchkit.protect.protection import Protection
from benchkit.session.forecast import Forecast

S = 1_000_000_000


def test_every_limited_channel_gets_its_turn() -> None:
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    protection = Protection(stand, 0)
    channels = stand.channels_of("rack")
    names = [c.name for c in channels]
    middle = np.array([0.5 * (c.low + c.high) for c in channels])
    for k in range(101):  # 10 s, the winding from 100 °C on at 1 K/s, everything else level
        row = middle.copy()
        row[names.index("winding_temp")] = 100.0 + 0.1 * k
        protection.feed("rack", np.array([k * S // 10]), row[None, :], k * S // 10)
    forecast = Forecast(protection)
    limited = {x.channel for x in stand.limit_set.limits if x.kind.value not in ("stale", "frozen")}
    assert len(forecast.turn(10 * S)) == 1
    for _ in range(len(limited)):
        found = {one.channel: one for one in forecast.turn(10 * S)}
    assert found.keys() == limited
    # exact: 110 °C at the last sample, 140 °C at 1 K/s
    assert found["winding_temp"].limit == "winding_hot"
    assert found["winding_temp"].time_to_limit_s == pytest.approx(30.0)
    assert math.isnan(found["shaft_torque"].time_to_limit_s)  # level
    for _ in range(len(limited)):  # a stale source: nothing can be said
        found = {one.channel: one for one in forecast.turn(60 * S)}
    assert all(math.isnan(one.time_to_limit_s) for one in found.values())
