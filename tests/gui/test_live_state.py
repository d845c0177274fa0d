"""The live model: messages in, pictures out, with time as an argument."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.stand import Stand
from benchkit.session.messages import LiveRows, SourceStatus, Status
from benchkit.session.protection_status import Prediction, ProtectionStatus
from gui.state.bars import bars
from gui.state.headline import Link
from gui.state.live import LiveModel

CHANNELS = ("shaft_speed", "winding_temp")


def rows(start_s: float, count: int, *, rate_hz: float = 100.0, late_s: float = 0.0) -> LiveRows:
    time_s = start_s + np.arange(count) / rate_hz
    return LiveRows("rack", CHANNELS, time_s, time_s + late_s, np.column_stack([time_s * 0 + 2000.0, 20.0 + time_s]))


def status(time_s: float, **source: Any) -> Status:
    rack = replace(SourceStatus(0.01, 1, 0, 0, lost=False, stale=False), **source)
    return Status(time_s, State.RUNNING, {}, True, "r.h5", 10**9, None, "set", "1", {"rack": rack})


@pytest.fixture
def model(stand: Stand, make_run_header: Any) -> LiveModel:
    return LiveModel(stand, make_run_header(), now_s=100.0)


def test_words_follow_the_silence(model: LiveModel) -> None:
    model.take(status(1.0), 101.0)
    assert model.link(101.5) is Link.LIVE
    assert model.state(101.5) is State.RUNNING
    assert model.link(102.0) is Link.NO_RECORDER
    assert model.state(102.0) is None
    model.take(status(1.9), 102.1)
    assert model.link(102.2) is Link.LIVE


def test_values_are_means_of_the_newest_half_second(model: LiveModel) -> None:
    model.take(status(10.0), 110.0)
    model.take(rows(0.0, 1000), 110.0)
    moment = model.moment(110.0)
    # exact: the rows from 9.49 to 9.99 s have a mean of 20 + 9.74
    assert moment.values["winding_temp"] == pytest.approx(29.74)
    assert not moment.stale


def test_the_time_to_the_limit_is_that_of_the_recorder(model: LiveModel) -> None:
    """It knows the law of a limit; the slope of the screen, 110 s here, does not."""
    model.take(rows(0.0, 1001), 110.0)

    def shown(limit: str, seconds: float) -> tuple[float, str, str]:
        told = ProtectionStatus(predictions=(Prediction("winding_temp", limit, seconds),))
        model.take(replace(status(10.0), protection=told), 110.0)
        winding = next(m for m in model.moment(110.0).margins if m.channel.name == "winding_temp")
        return winding.time_to_s, winding.by, bars([winding], frozenset())[0].limit

    assert shown("winding_hot", 41.0) == (41.0, "", "trip 140.0 in 41 s")
    assert shown("winding_hot", math.nan) == (math.inf, "", "trip 140.0")
    assert shown("winding_replica", 12.0) == (12.0, "winding_replica", "winding_replica in 12 s")
    later = shown("winding_replica", 500.0)  # the slope meets the limit of the bar first
    assert later[0] == pytest.approx(110.25, rel=0.01)
    assert later[1] == ""


def test_prediction_follows_the_slope(model: LiveModel) -> None:
    model.take(status(10.0), 110.0)
    model.take(rows(0.0, 1001), 110.0)
    winding = next(m for m in model.moment(110.0).margins if m.channel.name == "winding_temp")
    # exact: 1 K/s from 29.75 °C (the mean of the last half second) to 140 °C
    assert winding.time_to_s == pytest.approx(110.25, rel=0.01)


@pytest.mark.parametrize("fault", [{"stale": True, "age_s": 1.5}, {"lost": True, "age_s": 1.5}])
def test_values_of_a_stale_source_are_marked_with_their_age(model: LiveModel, fault: dict[str, Any]) -> None:
    model.take(status(1.0, **fault), 101.0)
    moment = model.moment(101.25)
    assert "winding_temp" in moment.stale
    assert moment.age_s == pytest.approx(1.75)


def test_values_age_while_the_recorder_is_silent(model: LiveModel) -> None:
    model.take(status(1.0), 101.0)
    moment = model.moment(103.3)
    assert "winding_temp" in moment.stale
    assert moment.age_s == pytest.approx(2.31)


def test_the_edge_moves_with_the_recorder_and_stands_without_it(model: LiveModel) -> None:
    model.take(rows(0.0, 100), 101.0)
    model.take(status(1.0), 101.0)
    assert model.edge_s(101.5) == pytest.approx(1.5)
    assert model.edge_s(105.0) == model.edge_s(115.0) == pytest.approx(1.0)


def test_events_are_put_on_the_axis_of_the_samples(stand: Stand, make_run_header: Any) -> None:
    # a simulated stand at eight times real time: sample time runs eight times as fast as host time
    model = LiveModel(stand, replace(make_run_header(), time_factor=8.0), 0.0)
    time_s = np.array([8.0, 16.0])
    model.take(LiveRows("rack", CHANNELS, time_s, time_s / 8.0, np.zeros((2, 2))), 2.0)
    model.take(Event(2.5, EventKind.MARK, "here"), 2.5)
    # exact: 16 s + 8 * (2.5 - 2.0) s
    assert model.log.lines[-1].time_s == pytest.approx(20.0)


def test_view_has_the_channels_that_came(model: LiveModel) -> None:
    model.take(rows(0.0, 500), 105.0)
    points = model.view(["winding_temp", "thrust"], 0.0, 5.0, 300)
    assert set(points) == {"winding_temp"}
    x, y = points["winding_temp"]
    assert y == pytest.approx(20.0 + x, abs=0.02)


def test_an_interruption_is_a_gap_in_the_view(model: LiveModel) -> None:
    model.take(rows(0.0, 200), 102.0)
    model.take(rows(4.0, 200), 106.0)
    x, y = model.view(["winding_temp"], 0.0, 6.0, 300)["winding_temp"]
    assert np.isnan(y[(x > 2.1) & (x < 3.9)]).all()
    assert np.isnan(y).any()


def test_other_channels_of_a_source_start_a_new_history(model: LiveModel) -> None:
    model.take(rows(0.0, 10), 101.0)
    more = LiveRows("rack", ("thrust",), np.array([1.0]), np.array([1.0]), np.array([[5.0]]))
    model.take(more, 101.1)
    assert set(model.view([*CHANNELS, "thrust"], 0.0, 2.0, 100)) == {"thrust"}


def test_an_empty_message_of_rows_changes_nothing(model: LiveModel) -> None:
    model.take(LiveRows("rack", CHANNELS, np.empty(0), np.empty(0), np.empty((0, 2))), 101.0)
    assert model.histories == {}
