"""Margins, slopes and what trips first."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from benchkit.model.limits import Direction, Limit, LimitKind, RateWindow, Severity
from benchkit.model.stand import Stand
from gui.state.bars import bars, keep_order
from gui.state.margins import HORIZON_S, Slope, margins, share, slope, steady_slope, time_to_limit
from gui.state.theme import Tone
from gui.state.trends import band_edges, is_active, limit_label, trend_groups

LEVEL = Slope(0.0, 0.01)


def limit(stand: Stand, name: str):
    return next(x for x in stand.limit_set.limits if x.name == name)


def values_at_quarter(stand: Stand) -> dict[str, float]:
    """Every channel a quarter up its range."""
    return {c.name: 0.25 * c.high for c in stand.channels.values()}


def test_slope_agrees_with_an_independent_regression() -> None:
    random = np.random.default_rng(1)
    t = np.linspace(0.0, 10.0, 50)
    y = 3.0 + 0.7 * t + random.standard_normal(50)
    reference = stats.linregress(t, y)
    got = slope(t, y)
    assert got.value == pytest.approx(reference.slope)
    assert got.u == pytest.approx(reference.stderr)


def test_slope_needs_three_measured_values() -> None:
    t = np.arange(4.0)
    assert math.isnan(slope(t, np.array([1.0, math.nan, 2.0, math.nan])).value)


def test_a_step_that_is_over_predicts_nothing() -> None:
    t = np.linspace(0.0, 10.0, 200)
    noise = np.random.default_rng(2).standard_normal(200) * 0.01
    step = np.where(t > 2.0, 5.0, 0.0) + noise
    assert slope(t, step).is_clear
    assert steady_slope(t, step).value == 0.0
    ramp = 0.3 * t + noise
    assert steady_slope(t, ramp).value == pytest.approx(0.3, abs=0.01)


def test_the_limit_is_the_right_end(stand: Stand) -> None:
    hot = limit(stand, "winding_hot")
    winding = stand.channels["winding_temp"]
    # exact: range starts below zero, so rest is 0 °C, the limit 140 °C
    assert share(140.0, winding, hot) == 1.0
    assert share(70.0, winding, hot) == 0.5
    assert share(154.0, winding, hot) == pytest.approx(1.1)
    low = limit(stand, "coolant_flow_low")
    flow = stand.channels["coolant_flow"]
    # exact: a lower limit of 4 L/min under a range of 20 L/min
    assert share(20.0, flow, low) == 0.0
    assert share(12.0, flow, low) == 0.5
    assert share(4.0, flow, low) == 1.0


@pytest.mark.parametrize(
    ("value", "rate", "expected"),
    [
        (100.0, Slope(2.0, 0.1), 20.0),
        (100.0, Slope(-2.0, 0.1), math.inf),
        (100.0, Slope(0.2, 0.1), math.inf),  # not clear of level
        (140.0, LEVEL, math.inf),  # equality does not trip
        (141.0, LEVEL, 0.0),
        (100.0, Slope(40.0 / (HORIZON_S + 1.0), 1e-6), math.inf),
    ],
)
def test_time_to_an_upper_limit(stand: Stand, value: float, rate: Slope, expected: float) -> None:
    assert time_to_limit(value, rate, limit(stand, "winding_hot")) == expected


def test_time_to_a_lower_limit(stand: Stand) -> None:
    low = limit(stand, "dc_link_low_voltage")
    assert time_to_limit(350.0, Slope(-1.0, 0.01), low) == 20.0
    assert time_to_limit(329.0, LEVEL, low) == 0.0
    assert time_to_limit(350.0, Slope(1.0, 0.01), low) == math.inf


def test_time_to_a_limit_of_nothing_measured(stand: Stand) -> None:
    assert math.isnan(time_to_limit(math.nan, LEVEL, limit(stand, "winding_hot")))


def test_one_bar_per_limited_channel_first_to_trip_on_top(stand: Stand) -> None:
    values = {c.name: 0.0 for c in stand.channels.values()} | {"coolant_flow": 8.0, "dc_voltage": 400.0}
    values |= {"winding_temp": 100.0, "shaft_speed": 4290.0}
    rates = {"winding_temp": Slope(1.0, 0.01), "magnet_temp": Slope(10.0, 0.1)}
    order = [m.channel.name for m in margins(stand, values, rates)]
    # exact: magnet 110 K at 10 K/s is 11 s away, winding 40 K at 1 K/s is 40 s, then by share of the limit
    assert order[:3] == ["magnet_temp", "winding_temp", "shaft_speed"]
    limited = {x.channel for x in stand.limit_set.limits if x.kind is not LimitKind.STALE}
    assert sorted(order) == sorted(limited)


def test_beyond_comes_before_predicted_and_not_measured_before_all(stand: Stand) -> None:
    values = values_at_quarter(stand) | {"winding_temp": 141.0, "thrust": math.nan}
    found = margins(stand, values, {"magnet_temp": Slope(10.0, 0.1)})
    assert [m.channel.name for m in found[:2]] == ["thrust", "winding_temp"]
    assert found[1].is_beyond


def test_a_channel_with_two_trips_shows_the_nearer(stand: Stand) -> None:
    low = replace(limit(stand, "dc_link_low_voltage"), severity=Severity.TRIP, name="low_trip")
    both = replace(stand, limit_set=replace(stand.limit_set, limits=(*stand.limit_set.limits, low)))
    found = {m.channel.name: m for m in margins(both, {"dc_voltage": 335.0}, {})}
    # exact: 335 V is (335 - 500) / (330 - 500) = 0.97 of the way to the lower limit, 0.76 to the upper
    assert found["dc_voltage"].limit.name == "low_trip"


def test_bars_say_in_words_what_their_colour_says(stand: Stand) -> None:
    values = values_at_quarter(stand) | {"winding_temp": 141.0, "junction_temp": 135.0, "thrust": math.nan}
    found = {b.channel: b for b in bars(margins(stand, values, {}), frozenset({"vibration"}))}
    assert found["winding_temp"].tone is Tone.DANGER
    assert found["winding_temp"].limit == "BEYOND trip 140.0"
    assert found["winding_temp"].fill == 1.0
    assert found["junction_temp"].tone is Tone.CAUTION
    assert found["junction_temp"].limit.startswith("CAUTION")
    assert found["thrust"].limit.startswith("NOT MEASURED")
    assert found["vibration"].tone is Tone.STALE
    assert found["vibration"].limit.startswith("stale")


def test_bars_keep_their_places_between_sortings(stand: Stand) -> None:
    found = margins(stand, values_at_quarter(stand), {})
    order = [m.channel.name for m in found]
    later = margins(stand, values_at_quarter(stand) | {"thrust": 1e6}, {})
    assert order[0] != "thrust"
    assert later[0].channel.name == "thrust"
    assert [m.channel.name for m in keep_order(later, order)] == order


def band(stand: Stand, kind: LimitKind, low: float, high: float) -> tuple[Stand, Limit]:
    """The stand with one trip on its speed."""
    rule = replace(limit(stand, "over_speed"), name="band", kind=kind, set_point=high, low=low)
    return replace(stand, limit_set=replace(stand.limit_set, limits=(rule,))), rule


def test_a_band_to_keep_to_fills_towards_the_nearer_edge(stand: Stand) -> None:
    bench, rule = band(stand, LimitKind.OUTSIDE, 1000.0, 2000.0)
    # exact: the middle is 1500, 500 away from both edges
    for speed, filled, text in ((1750.0, 0.5, "trip 2000"), (1250.0, 0.5, "trip below 1000")):
        (found,) = margins(bench, {"shaft_speed": speed}, {})
        assert found.share == filled
        (bar,) = bars([found], frozenset())
        assert bar.limit == text
    assert time_to_limit(1200.0, Slope(-10.0, 0.1), rule) == 20.0
    assert time_to_limit(900.0, LEVEL, rule) == 0.0


def test_a_band_to_pass_through_is_met_from_either_side(stand: Stand) -> None:
    bench, rule = band(stand, LimitKind.INSIDE, 1000.0, 2000.0)
    assert time_to_limit(900.0, Slope(10.0, 0.1), rule) == 10.0
    assert time_to_limit(2100.0, Slope(-10.0, 0.1), rule) == 10.0
    (found,) = margins(bench, {"shaft_speed": 1600.0}, {})
    assert found.is_beyond
    (bar,) = bars([found], frozenset())
    assert bar.limit == "IN trip band from 2000"


def test_limits_off_the_axis_have_no_bar_and_no_line(stand: Stand) -> None:
    rule = replace(
        limit(stand, "over_speed"), kind=LimitKind.RATE, set_point=100.0, detail=RateWindow(1.0, Direction.RISE)
    )
    bench = replace(stand, limit_set=replace(stand.limit_set, limits=(rule,)))
    assert margins(bench, {"shaft_speed": 100.0}, {}) == ()
    assert all(group.limits == () for group in trend_groups(bench))


def test_bands_in_a_plot(stand: Stand) -> None:
    bench, _ = band(stand, LimitKind.OUTSIDE, 1000.0, 2000.0)
    group = next(g for g in trend_groups(bench) if g.limits)
    speed = bench.channels["shaft_speed"]
    assert [limit_label(x, speed, many=False) for x in group.limits] == ["trip < 1000", "trip > 2000"]
    assert [band_edges(x, 0.0, 5000.0, group.limits) for x in group.limits] == [(0.0, 1000.0), (2000.0, 5000.0)]
    bench, rule = band(stand, LimitKind.INSIDE, 1000.0, 2000.0)
    assert limit_label(rule, speed, many=False) == "trip 1000 … 2000"
    assert band_edges(rule, 0.0, 5000.0, [rule]) == (1000.0, 2000.0)
    assert [is_active(rule, x) for x in (1000.0, 1500.0, 2000.0)] == [False, True, False]
