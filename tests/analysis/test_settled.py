"""Labels of steadiness: the test of drift and scatter, the thermal rule, whole periods, stabilisation."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from benchkit.analysis.periods import whole_periods
from benchkit.analysis.settled import change_label, drift_label, thermal_label, trend
from benchkit.analysis.steady import fold_stream, operating_points
from benchkit.model.results import Settled
from benchkit.model.stand import Role, ThermalSteadiness

HALF_HOUR = ThermalSteadiness(("winding_temp",), 1.0, 1800.0)


def first_order_noise(rng, n, memory):
    """Noise of unit variance whose neighbours correlate by exp(-1/memory)."""
    keep = math.exp(-1.0 / memory) if memory else 0.0
    white = rng.standard_normal(n)
    out = np.empty(n)
    out[0] = white[0]
    for i in range(1, n):
        out[i] = keep * out[i - 1] + math.sqrt(1.0 - keep**2) * white[i]
    return out


def test_slope_of_independent_residuals_is_the_textbook_one():
    from scipy.stats import linregress  # reference library

    rng = np.random.default_rng(3)
    t = np.arange(40.0)
    y = 3.0 * t + rng.standard_normal(40) * np.where(np.arange(40) % 2, 1.0, -1.0)
    ours, theirs = trend(t, y), linregress(t, y)
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-12)
    assert ours.u_slope >= theirs.stderr * (1 - 1e-12)  # negative correlation is given no credit
    alternating = trend(t, np.where(np.arange(40) % 2, 1.0, -1.0))
    assert alternating.u_slope == pytest.approx(linregress(t, np.where(np.arange(40) % 2, 1.0, -1.0)).stderr, rel=1e-9)


@pytest.mark.parametrize("memory", [0.0, 3.0])
def test_the_slope_is_within_its_bounds_as_often_as_said(memory):
    """95 % one-sided bounds on a record without drift: memory is counted, or far more would be beyond."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(11)
    t = np.arange(60.0)
    beyond = naive = 0
    for _ in range(400):
        y = first_order_noise(rng, 60, memory)
        line = trend(t, y)
        beyond += line.slope > stdtrit(line.dof, 0.95) * line.u_slope
        naive += line.slope > 1.67 * line.scatter / math.sqrt(np.sum((t - t.mean()) ** 2))
    # 5 % of 400 is 20, standard deviation 4.4; with memory the estimate of tau itself scatters
    assert beyond <= 20 + 3 * 4.4 + (12 if memory else 0)
    if memory:
        assert naive > 60


def test_three_answers_of_a_drift():
    rng = np.random.default_rng(1)
    t = np.arange(60.0) * 0.5
    noise = rng.standard_normal(60)
    states = [drift_label(t, k * t + noise, channel="n", unit="rpm", band=10.0) for k in (0.0, 0.34, 1.0)]
    assert [label.state for label in states] == [Settled.STEADY, Settled.NOT_SHOWN, Settled.NOT_STEADY]
    # exact: the line through k t, 29.5 s long
    assert states[2].change.value == pytest.approx(29.5, abs=2.0)
    assert states[2].slope.unit == "rpm/s"
    assert "drifts" in states[2].reason


def test_hunting_is_scatter_not_drift():
    t = np.arange(60.0) * 0.5
    label = drift_label(t, 12.0 * np.sin(2 * np.pi * t / 5.0), channel="n", unit="rpm", band=10.0)
    assert label.state is Settled.NOT_STEADY
    assert label.decided_by == "scatter"


def test_what_is_not_measured_is_not_shown():
    t = np.arange(60.0)
    label = drift_label(t, np.where(t > 10, np.nan, 1.0), channel="n", unit="rpm", band=10.0)
    assert label.state is Settled.NOT_SHOWN
    assert math.isnan(label.change.value)


def test_change_is_that_between_the_ends():
    # exact: 60 K with tau 10 min, 1800 s before 5400 s: 60 (exp(-6) - exp(-9)) = 0.1413 K
    t = np.arange(0.0, 5400.0 + 1, 2.5)
    winding = 80.0 - 60.0 * np.exp(-t / 600.0)
    label = change_label(t, winding, HALF_HOUR, channel="winding_temp", end_blocks=1)
    assert label.state is Settled.STEADY
    assert label.change.value == pytest.approx(60.0 * (math.exp(-6.0) - math.exp(-9.0)), abs=1e-4)
    early = change_label(t[:1000], winding[:1000], HALF_HOUR, channel="winding_temp")
    assert early.state is Settled.NOT_STEADY


def test_a_short_record_cannot_show_that_it_is_steady():
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 30.0, 0.5)
    still = change_label(t, 60.0 + 0.05 * rng.standard_normal(60), HALF_HOUR, channel="winding_temp")
    assert (still.state, still.decided_by) == (Settled.NOT_SHOWN, "length")
    heating = change_label(t, 60.0 + 0.1 * t + 0.05 * rng.standard_normal(60), HALF_HOUR, channel="winding_temp")
    assert heating.state is Settled.NOT_STEADY


def heating_stream(stream_of, seconds=1500.0, rate=4.0):
    t = np.arange(0.0, seconds, 1.0 / rate)
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((t.size, 4))
    return stream_of(
        t,
        {
            "shaft_speed": 2000.0 + noise[:, 0],
            "shaft_torque": 50.0 + 0.1 * noise[:, 1],
            "winding_temp": 80.0 - 60.0 * np.exp(-t / 100.0) + 0.05 * noise[:, 2],
            "magnet_temp": 60.0 - 40.0 * np.exp(-t / 900.0) + 0.05 * noise[:, 3],
        },
    )


def with_rules(stand, **rules):
    return dataclasses.replace(stand, steadiness=dataclasses.replace(stand.steadiness, **rules))


def test_electrically_steady_and_thermally_not(stand, stream_of):
    stream = heating_stream(stream_of)
    rule = ThermalSteadiness(("winding_temp", "magnet_temp"), 1.0, 600.0)
    (point,) = operating_points(with_rules(stand, thermal=rule), stream)
    assert point.electrical.state is Settled.STEADY
    assert point.thermal.state is Settled.NOT_STEADY
    assert point.thermal.channel == "magnet_temp"
    # exact: 40 (exp(-900/900) - exp(-1500/900)) = 7.16 K in the last 600 s
    assert point.thermal.change.value == pytest.approx(40 * (math.exp(-1.0) - math.exp(-1500 / 900)), abs=0.25)
    only = ThermalSteadiness(("winding_temp",), 1.0, 600.0)
    (point,) = operating_points(with_rules(stand, thermal=only), stream)
    assert point.thermal.state is Settled.STEADY
    (point,) = operating_points(stand, stream)
    assert point.thermal is None


def test_a_temperature_of_another_stream_is_said_to_be_missing(stand, stream_of):
    stream = heating_stream(stream_of, 60.0)
    (segment,) = fold_stream(stand, stream)
    others = [name for name in stream.channels if name != "winding_temp"]
    ruled = with_rules(stand, thermal=HALF_HOUR)
    label = thermal_label(ruled, others, segment, 0, 10)
    assert label.state is Settled.NOT_SHOWN
    assert "not in this stream" in label.reason


def test_no_reading_is_from_before_the_stabilisation(stand, stream_of):
    stream = heating_stream(stream_of, 240.0)
    (plain,) = operating_points(stand, stream, longest_s=math.inf)
    assert plain.time_start_s < 1.0
    (waited,) = operating_points(with_rules(stand, stabilise_s=180.0), stream, longest_s=math.inf)
    assert waited.time_start_s == pytest.approx(180.0, abs=0.6)
    assert operating_points(with_rules(stand, stabilise_s=235.0), stream) == ()


class TestWholePeriods:
    def test_the_mean_of_whole_periods_is_free_of_their_ripple(self):
        # 3.3 Hz sampled at 1 kHz for 1 s: 3 periods are 909 rows
        t = np.arange(1000) / 1000.0
        kept, periods, note = whole_periods(t, np.full(1000, 3.3))
        assert (kept, periods, note) == (909, 3, "")
        ripple = np.sin(2 * np.pi * 3.3 * t)
        # exact: the rest of a period leaves (1 - cos(0.6 pi)) / (2 pi 3.3) = 0.0631 A
        assert ripple.mean() == pytest.approx((1 - math.cos(0.6 * math.pi)) / (2 * math.pi * 3.3), abs=1e-3)
        assert abs(ripple[-kept:].mean()) < 1e-3

    @pytest.mark.parametrize("frequency", [0.0, math.nan, 500.0, 720.0, 0.4])
    def test_what_cannot_be_cut_is_left_and_said(self, frequency):
        t = np.arange(1000) / 1000.0
        kept, periods, note = whole_periods(t, np.full(1000, frequency))
        assert (kept, periods) == (1000, 0)
        assert note
        assert ("cannot resolve" in note) == (frequency >= 500.0)

    def test_a_point_is_cut_and_says_so(self, stand, stream_of):
        name = stand.channels_of("rack")[-1].name
        named = dataclasses.replace(stand, roles={**stand.roles, Role.ELECTRICAL_FREQUENCY: name})
        t = np.arange(0.0, 30.0, 0.01)
        base = {"shaft_speed": 1000.0, "shaft_torque": 20.0}
        (point,) = operating_points(named, stream_of(t, {**base, name: 1.05}))
        # exact: 31.5 periods in 30 s; 31 are 29.5238 s, 2952 rows
        assert (point.whole_periods, point.row_stop - point.row_start) == (31, 2952)
        (fast,) = operating_points(named, stream_of(t, {**base, name: 80.0}))
        assert (fast.whole_periods, fast.row_stop - fast.row_start) == (0, 3000)
        assert "cannot resolve" in fast.periods_note
        without = {role: name for role, name in stand.roles.items() if role is not Role.ELECTRICAL_FREQUENCY}
        (plain,) = operating_points(dataclasses.replace(stand, roles=without), stream_of(t, base))
        assert (plain.whole_periods, plain.periods_note) == (0, "")
