"""Steady stretches of made-up records whose set-points are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.steady import channel_means, find_holds, find_steady, operating_points
from benchkit.errors import UsageError

BANDS = [10.0, 1.5]
DWELL = 10.0


def record(steps, rate=20.0, noise=(1.0, 0.3), tau=0.4, seed=0):
    """Speed and torque that follow steps (seconds, rpm, N·m) with one time constant, and noise."""
    target = np.concatenate([np.tile([float(n), float(T)], (round(s * rate), 1)) for s, n, T in steps])
    keep = math.exp(-1.0 / (rate * tau))
    y = np.empty_like(target)
    y[0] = target[0]
    for i in range(1, len(y)):
        y[i] = keep * y[i - 1] + (1 - keep) * target[i]
    rng = np.random.default_rng(seed)
    return np.arange(len(y)) / rate, y + rng.standard_normal(y.shape) * noise


@pytest.mark.parametrize("seed", range(8))
def test_every_set_point_is_found_and_only_its_settled_part(seed):
    steps = [(15, 1000, 20), (15, 1000, 40), (18, 2000, 40), (14, 2000, 43), (40, 3000, 60)]
    t, y = record(steps, seed=seed)
    found = find_steady(t, y, BANDS, DWELL)
    assert len(found) == len(steps)
    begin = 0.0
    for (start, stop), (seconds, n, T) in zip(found, steps, strict=True):
        assert t[start] >= begin - 1e-9
        assert t[stop - 1] <= begin + seconds + 1e-9
        assert t[stop - 1] - t[start] >= DWELL - 0.6
        assert t[stop - 1] - t[start] <= 3 * DWELL + 0.6
        # settling is over: what is left of a step of 1000 rpm would show in the mean
        assert y[start:stop, 0].mean() == pytest.approx(n, abs=1.0)
        assert y[start:stop, 1].mean() == pytest.approx(T, abs=0.15)
        begin += seconds


@pytest.mark.parametrize("noise", [0.5, 2.0, 5.0, 10.0])
def test_noise_does_not_pretend_drift(noise):
    t, y = record([(35, 1500, 50)], noise=(noise, 0.02 * noise), seed=4)
    assert len(find_steady(t, y, BANDS, DWELL)) == 1


@pytest.mark.parametrize("bands_per_dwell", [0.5, 0.9, 1.5, 5.0])
def test_a_ramp_is_not_steady(bands_per_dwell):
    t = np.arange(0.0, 120.0, 0.05)
    rng = np.random.default_rng(5)
    speed = 1000.0 + bands_per_dwell * t + rng.standard_normal(t.size)
    assert find_steady(t, speed[:, None], [10.0], DWELL) == []


def test_levels_beside_a_slow_ramp_are_both_found():
    t = np.arange(0.0, 180.0, 0.05)
    speed = 1000.0 + np.clip(t - 60.0, 0.0, 60.0) * 0.9
    speed = speed + np.random.default_rng(6).standard_normal(t.size)
    found = find_steady(t, speed[:, None], [10.0], DWELL)
    assert len(found) == 2
    assert speed[slice(*found[0])].mean() == pytest.approx(1000.0, abs=1.0)
    assert speed[slice(*found[1])].mean() == pytest.approx(1054.0, abs=0.2)


def test_thermal_drift_is_a_hold_and_gives_its_last_part():
    # torque sags by 4 N·m, 2.7 bands, over 10 minutes at one set-point
    t = np.arange(0.0, 600.0, 0.05)
    rng = np.random.default_rng(7)
    torque = 120.0 - 4.0 * (1 - np.exp(-t / 200.0)) + 0.3 * rng.standard_normal(t.size)
    y = np.stack([2500.0 + rng.standard_normal(t.size), torque], axis=1)
    assert find_holds(t, y, BANDS, DWELL) == [(0, t.size)]
    ((start, stop),) = find_steady(t, y, BANDS, DWELL)
    assert (t[start], stop) == (pytest.approx(570.0), t.size)
    ((start, stop),) = find_steady(t, y, BANDS, DWELL, longest_s=60.0)
    assert t[start] == pytest.approx(540.0)


def test_breaks_are_not_spanned():
    t, y = record([(60, 1500, 50)])
    found = find_steady(t, y, BANDS, DWELL, breaks=[25.0])
    assert len(found) == 2
    assert found[0][1] <= 25.0 * 20 <= found[1][0]


def test_gap_in_time_and_missing_samples():
    t, y = record([(60, 1500, 50)])
    keep = (t < 20.0) | (t > 30.0)
    found = find_steady(t[keep], y[keep], BANDS, DWELL)
    assert len(found) == 2
    assert t[keep][found[0][1] - 1] < 20.0
    scattered = y.copy()
    scattered[::7, 1] = np.nan
    assert len(find_steady(t, scattered, BANDS, DWELL)) == 1
    lost = y.copy()
    lost[(t > 20.0) & (t < 25.0), 0] = np.nan
    assert len(find_steady(t, lost, BANDS, DWELL)) == 2
    assert find_steady(t, np.full_like(y, np.nan), BANDS, DWELL) == []


def test_time_that_goes_back_splits():
    t, y = record([(60, 1500, 50)])
    t = np.where(t >= 30.0, t - 30.0, t)
    found = find_steady(t, y, BANDS, DWELL)
    assert len(found) == 2
    assert found[0][1] <= 600 <= found[1][0]


def test_a_wild_clock_costs_nothing():
    t, y = record([(60, 1500, 50)])
    t = np.where(t >= 30.0, t + 1e12, t)
    assert len(find_steady(t, y, BANDS, DWELL)) == 2


def test_too_short_is_nothing():
    t, y = record([(9, 1500, 50)])
    assert find_steady(t, y, BANDS, DWELL) == []
    assert find_steady(np.empty(0), np.empty((0, 2)), BANDS, DWELL) == []


@pytest.mark.parametrize("rate", [20.0, 200.0, 1000.0])
def test_rate_does_not_matter(rate):
    t, y = record([(20, 1000, 20), (20, 2000, 40)], rate=rate)
    found = find_steady(t, y, BANDS, DWELL)
    assert [round(float(y[a:b, 0].mean()), -2) for a, b in found] == [1000.0, 2000.0]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (([0.0, 1.0], [[1.0], [1.0]], [10.0, 1.0], 10.0), "shapes do not fit"),
        (([0.0, 1.0], [[1.0], [1.0]], [0.0], 10.0), "must be positive"),
        (([0.0, 1.0], [[1.0], [1.0]], [1.0], -1.0), "must be positive"),
        (([0.0, math.nan], [[1.0], [1.0]], [1.0], 1.0), "must be finite"),
    ],
)
def test_refusals(arguments, text):
    with pytest.raises(UsageError, match=text):
        find_steady(*arguments)


def test_longest_is_not_shorter_than_the_dwell():
    with pytest.raises(UsageError, match="shorter than the dwell"):
        find_steady([0.0, 1.0], [[1.0], [1.0]], [1.0], 10.0, longest_s=5.0)


class TestOperatingPoints:
    def test_means_carry_scatter_and_calibration(self, stand, stream_of):
        t, y = record([(30, 1000, 20), (30, 2000, 40)])
        rng = np.random.default_rng(1)
        thrust = 300.0 + rng.standard_normal(t.size)
        stream = stream_of(t, {"shaft_speed": y[:, 0], "shaft_torque": y[:, 1], "thrust": thrust})
        points = operating_points(stand, stream)
        assert [p.index for p in points] == [0, 1]
        mean = points[1].means["thrust"]
        accuracy = stand.channels["thrust"].calibration.accuracy
        # exact: type B at the mean, and s/sqrt(n) of white noise in squares
        n = points[1].row_stop - points[1].row_start
        expected = math.hypot(accuracy.standard_uncertainty(mean.value), 1.0 / math.sqrt(n))
        assert mean.value == pytest.approx(300.0, abs=0.2)
        assert mean.u == pytest.approx(expected, rel=0.02)
        assert mean.unit == "N"
        assert [line.name for line in mean.budget] == ["thrust calibration", "thrust scatter"]

    def test_missing_samples_of_a_channel(self, stand, stream_of):
        t, y = record([(30, 1000, 20)])
        some, many = np.full(t.size, 50.0), np.full(t.size, 50.0)
        some[::10], many[::4] = np.nan, np.nan
        stream = stream_of(
            t, {"shaft_speed": y[:, 0], "shaft_torque": y[:, 1], "winding_temp": some, "magnet_temp": many}
        )
        (point,) = operating_points(stand, stream)
        assert point.means["winding_temp"].value == 50.0
        assert math.isnan(point.means["magnet_temp"].value)
        assert math.isnan(point.means["magnet_temp"].u)

    def test_a_stream_without_the_channels_has_no_points(self, stand, stream_of):
        import dataclasses

        t, y = record([(30, 1000, 20)])
        stream = stream_of(t, {"shaft_speed": y[:, 0]})
        other = dataclasses.replace(stream, channels=tuple("x" + c for c in stream.channels))
        assert operating_points(stand, other) == ()
        assert all(math.isnan(e.value) for e in channel_means(stand, other, 0, 10).values())

    def test_a_channel_without_a_band_is_refused(self, stand, stream_of):
        import dataclasses

        steadiness = dataclasses.replace(stand.steadiness, channels=("winding_temp",))
        with pytest.raises(UsageError, match="no steadiness band for a temperature"):
            operating_points(dataclasses.replace(stand, steadiness=steadiness), stream_of(np.arange(0, 20, 0.05), {}))
