"""Heating fits and ratings on curves whose constants are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.heat_runs import heat_runs
from benchkit.analysis.thermal import continuous_rating, first_order, fit_heating
from benchkit.analysis.uncertainty import interval
from benchkit.errors import UsageError
from benchkit.model.results import Estimate


def test_intervals_hold_the_truth_of_noisy_heating():
    rng = np.random.default_rng(0)
    t = np.arange(0.0, 700.0, 1.0)
    held_tau = held_end = 0
    for _ in range(40):
        fit = fit_heating(t, first_order(t, 25.0, 110.0, 200.0) + 0.3 * rng.standard_normal(t.size))
        assert fit.fast_tau_s is None
        low, high = interval(fit.tau_s)
        held_tau += low <= 200.0 <= high
        low, high = interval(fit.final_c)
        held_end += low <= 110.0 <= high
    assert held_tau >= 35
    assert held_end >= 35


def test_residuals_that_remember_widen_it():
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 700.0, 2.0)
    slow = np.convolve(rng.standard_normal(t.size + 20), np.ones(20) / math.sqrt(20), "valid")[: t.size]
    white = fit_heating(t, first_order(t, 25.0, 110.0, 200.0) + 0.3 * rng.standard_normal(t.size), order=1)
    lagged = fit_heating(t, first_order(t, 25.0, 110.0, 200.0) + 0.3 * slow, order=1)
    assert lagged.final_c.u > 2.0 * white.final_c.u
    assert lagged.final_c.dof < 0.3 * white.final_c.dof


def test_two_constants_are_found_where_there_are_two():
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 2400.0, 2.0)
    temp = 120.0 - 35.0 * np.exp(-t / 60.0) - 55.0 * np.exp(-t / 600.0) + 0.05 * rng.standard_normal(t.size)
    fit = fit_heating(t, temp, u_sensor_k=0.5)
    assert fit.fast_tau_s is not None
    assert fit.tau_s.value == pytest.approx(600.0, rel=0.02)
    assert fit.fast_tau_s.value == pytest.approx(60.0, rel=0.05)
    assert fit.fast_rise_k == pytest.approx(35.0, rel=0.05)
    assert fit.final_c.value == pytest.approx(120.0, abs=0.2)
    # the sensor's own uncertainty does not average out
    assert fit.final_c.u >= 0.5
    # one exponential on the same record stops short, on the unsafe side
    assert fit_heating(t, temp, order=1).final_c.value < 119.0


def test_missing_samples_and_refusals():
    t = np.arange(0.0, 700.0, 1.0)
    temp = first_order(t, 25.0, 110.0, 200.0)
    temp[100:160] = np.nan
    assert fit_heating(t, temp).final_c.value == pytest.approx(110.0, abs=0.01)
    with pytest.raises(UsageError, match="too few samples"):
        fit_heating(t[:10], temp[:10])
    with pytest.raises(UsageError, match="does not heat"):
        fit_heating(t, np.full(t.size, 40.0))


def fit_ending_at(final):
    t = np.arange(0.0, 1500.0, 1.0)
    return fit_heating(t, first_order(t, 40.0, final, 250.0), channel="winding_temp", u_sensor_k=0.5, order=1)


def rating(final, limit=140.0, reference=40.0):
    return continuous_rating(
        fit_ending_at(final),
        limit,
        Estimate(3000.0, 0.2, "rpm"),
        Estimate(100.0, 0.1, "N·m"),
        Estimate(90.0, 0.1, "A"),
        Estimate(reference, 0.1, "°C"),
    )


def test_rating_scales_with_the_root_of_the_loss():
    # exact: (140 - 40)/(120 - 40) = 1.25 of the loss, sqrt(1.25) of the torque
    found = rating(120.0)
    assert found.torque_nm.value == pytest.approx(100.0 * math.sqrt(1.25), rel=1e-5)
    assert found.current_a.value == pytest.approx(90.0 * math.sqrt(1.25), rel=1e-5)
    assert found.shaft_power_w.value == pytest.approx(found.torque_nm.value * 2 * math.pi * 50.0, rel=1e-9)
    assert not found.is_extrapolated
    # exact: relative u = hypot(u_T, 0.5 u_end/80, 0.5 u_ref (1/80 - 1/100))
    expected = math.hypot(0.001, 0.5 * 0.5 / 80.0, 0.5 * 0.1 * (1 / 80 - 1 / 100))
    assert found.torque_nm.u / found.torque_nm.value == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("final", "flag"), [(100.0, True), (110.0, False), (230.0, False), (260.0, True)])
def test_far_from_the_test_is_said(final, flag):
    # loss ratios 1.67, 1.43, 0.526, 0.455 against 0.5 ... 1.5
    assert rating(final).is_extrapolated is flag


def test_no_rise_is_no_rating():
    assert math.isnan(rating(90.0, reference=95.0).torque_nm.value)
    assert math.isnan(rating(90.0, limit=30.0).torque_nm.value)


class TestHeatRuns:
    def stream(self, stream_of, seconds, tau=200.0):
        t = np.arange(0.0, 60.0 + seconds, 0.1)
        rng = np.random.default_rng(3)
        hot = t >= 60.0
        winding = np.where(hot, first_order(t - 60.0, 40.0, 115.0, tau), 40.0)
        return stream_of(
            t,
            {
                "shaft_speed": np.where(hot, 2500.0, 800.0) + rng.standard_normal(t.size),
                "shaft_torque": np.where(hot, 120.0, 10.0) + 0.2 * rng.standard_normal(t.size),
                "winding_temp": winding + 0.05 * rng.standard_normal(t.size),
                "coolant_inlet_temp": 40.0 + 0.02 * rng.standard_normal(t.size),
                "phase_u_current": 110.0,
            },
        )

    def test_finds_the_load_and_rates_it(self, stand, stream_of):
        fits, ratings, findings = heat_runs(stand, self.stream(stream_of, 700.0))
        assert findings == ()
        (fit,), (rate,) = fits, ratings
        assert fit.channel == "winding_temp"
        assert fit.tau_s.value == pytest.approx(200.0, rel=0.02)
        assert fit.final_c.value == pytest.approx(115.0, abs=0.3)
        assert fit.reference_c == pytest.approx(40.0, abs=0.05)
        assert fit.time_start_s >= 60.0 - 1e-6
        assert rate.limit_c == stand.motor.winding_limit_c
        assert rate.torque_nm.value == pytest.approx(120.0 * math.sqrt(100.0 / 75.0), rel=0.01)

    def test_too_short_is_said_and_not_rated(self, stand, stream_of):
        fits, ratings, findings = heat_runs(stand, self.stream(stream_of, 100.0, tau=300.0))
        assert (fits, ratings) == ((), ())
        assert [f.code for f in findings] == ["heating_too_short"]

    @pytest.mark.parametrize("what", ["coolant_flow", "coolant_inlet_temp"])
    def test_other_cooling_is_another_heat_run(self, stand, stream_of, what):
        """The load holds on while the cooling changes and the winding runs away: only what was before is fitted."""
        good = self.stream(stream_of, 700.0)
        t = good.time_s
        changed = t > 700.0
        columns = {name: good.column(name).copy() for name in good.channels}
        columns["coolant_flow"] = np.full(t.size, 8.0)
        columns[what] = columns[what] + np.where(changed, -6.0, 0.0)
        columns["winding_temp"] = columns["winding_temp"] + np.where(changed, 0.5 * (t - 700.0), 0.0)
        fits, ratings, _ = heat_runs(stand, stream_of(t, columns))
        assert 700.0 - stand.steadiness.dwell_s - 0.2 <= fits[0].time_end_s <= 700.2
        assert fits[0].final_c.value == pytest.approx(115.0, abs=0.3)
        assert len(ratings) == 1

    def test_no_heating_no_result(self, stand, stream_of):
        t = np.arange(0.0, 100.0, 0.1)
        assert heat_runs(stand, stream_of(t, {"shaft_speed": 1000.0, "shaft_torque": 10.0})) == ((), (), ())
