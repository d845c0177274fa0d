"""Spectra, harmonics, steps, orders, edges, counts: exact where a closed form is known, and against SciPy."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from benchkit.analysis.signals import counts, harmonics, orders, steps, switching
from benchkit.analysis.signals import spectrum as spectra
from benchkit.analysis.signals.spectrum import Window, spectrum
from benchkit.errors import UsageError

RATE = 50_000.0
T = np.arange(10_000) / RATE


def distorted(f: float, t: np.ndarray = T) -> np.ndarray:
    """Mean 3, harmonics 1, 3, 5 of 10, 2 and 0.5: THD √(2² + 0.5²)/10."""
    w = 2.0 * np.pi * f
    return 3.0 + 10.0 * np.cos(w * t + 0.3) + 2.0 * np.sin(3.0 * w * t) + 0.5 * np.cos(5.0 * w * t + 1.0)


THD = math.sqrt(4.25) / 10.0


def test_the_examples_run():
    assert doctest.testmod(spectra).failed == 0


# -- spectrum


@pytest.mark.parametrize("window", list(Window))
@pytest.mark.parametrize("n", [1000, 1001])
def test_the_lines_sum_to_the_rms_of_the_record(window, n):
    """Exact: Parseval, and by the scale with a window."""
    x = np.random.default_rng(5).standard_normal(n) + 2.0
    found = spectrum(x, 1000.0, window)
    assert found.rms == pytest.approx(math.sqrt(np.mean(x * x)), rel=1e-13)
    if window is Window.NONE:
        assert found.scale == pytest.approx(1.0, rel=1e-13)


@pytest.mark.parametrize(
    ("window", "name"), [(Window.HANN, "hann"), (Window.FLAT_TOP, "flattop"), (Window.NONE, "boxcar")]
)
def test_as_scipy(window, name):
    x = np.random.default_rng(6).standard_normal(2048)
    found = spectrum(x, 1000.0, window)
    f, power = scipy.signal.periodogram(x, 1000.0, window=name, detrend=False, scaling="spectrum")
    assert found.frequency_hz == pytest.approx(f)
    # scipy's spectrum is c |X|² / (Σw)²; ours is scaled by the noise bandwidth and to the RMS
    assert found.power == pytest.approx(power / found.noise_bandwidth_bins * found.scale, rel=1e-9, abs=1e-15)
    assert spectra.window_values(window, 2048) == pytest.approx(scipy.signal.get_window(name, 2048), abs=1e-9)


@pytest.mark.parametrize("window", list(Window))
def test_leakage_of_a_window_that_is_not_coherent_is_what_is_stated(window):
    """A tone anywhere between two lines: never more of its power outside the main lobe than stated, and at the worst
    place all but that much."""
    n = 512
    stated = spectra.leakage(window, n)
    seen = []
    for offset in np.linspace(0.0, 0.5, 11):
        k = 128.0 + offset  # far from 0 and n/2: the mirror line adds nothing worth counting
        found = spectrum(np.cos(2.0 * np.pi * k * np.arange(n) / n), float(n), window)
        outside = np.abs(found.frequency_hz - k) > spectra.MAIN_LOBE_BINS[window]
        seen.append(found.power[outside].sum() / found.power.sum())
    assert max(seen) == pytest.approx(stated, rel=0.05, abs=1e-9)
    assert seen[0] < 1e-20  # coherent: nothing leaks


def test_a_record_that_cannot_be_used_is_refused():
    with pytest.raises(UsageError, match="too short"):
        spectrum(np.zeros(3), 1.0)
    with pytest.raises(UsageError, match="not measured"):
        spectrum(np.full(100, np.nan), 1.0)
    with pytest.raises(UsageError, match="not a sample rate"):
        spectrum(np.zeros(100), 0.0)


# -- harmonics


@pytest.mark.parametrize("f", [50.0, 173.37, 211.9, 997.3])
def test_thd_is_exact_for_any_window(f):
    found = harmonics.thd(distorted(f), RATE)
    assert found.value == pytest.approx(THD, rel=1e-6)
    assert found.u < 1e-6


def test_the_fundamental_is_followed_through_a_drift():
    f0, r = 180.0, 40.0  # 8 Hz over the record
    phase = 2.0 * np.pi * (f0 * T + 0.5 * r * T * T)
    x = 10.0 * np.cos(phase) + 1.0 * np.cos(5.0 * phase)
    found = harmonics.fundamental(x, RATE)
    # exact: the frequency at the middle of the record; block means bend a drifting phase a little
    assert found.frequency_hz == pytest.approx(f0 + r * 0.5 * (T[-1] + 0.0), rel=1e-6)
    assert found.drift_hz_per_s == pytest.approx(r, rel=1e-4)
    assert harmonics.thd(x, RATE).value == pytest.approx(0.1, rel=1e-5)


def test_noise_is_in_the_uncertainty_of_the_thd():
    rng = np.random.default_rng(8)
    errors, us = [], []
    t = T[:3000]
    for _ in range(16):
        found = harmonics.thd(distorted(573.37, t) + 0.5 * rng.standard_normal(len(t)), RATE, 6000.0)
        errors.append(found.value - THD)
        us.append(found.u)
    pulls = np.array(errors) / np.array(us)
    assert np.mean(np.abs(pulls) < 2.0) >= 0.75
    assert 0.4 < np.sqrt(np.mean(pulls**2)) < 1.6


def test_ripple_is_all_but_mean_and_fundamental():
    x = 100.0 + 20.0 * np.cos(2.0 * np.pi * 173.37 * T) + 1.5 * np.cos(2.0 * np.pi * 8000.0 * T)
    rms, peak = harmonics.ripple(x, RATE, unit="A")
    assert rms.value == pytest.approx(1.5 / math.sqrt(2.0), rel=1e-6)
    # exact: 25 samples hold 8 periods, so 1.5 (1 + cos π/25); a tone beside it moves the fitted fundamental a little
    assert peak.value == pytest.approx(1.5 * (1.0 + math.cos(math.pi / 25.0)), abs=3e-3)
    inside, _ = harmonics.ripple(x, RATE, unit="A", band_hz=(0.0, 7000.0))
    assert inside.value < 1e-6
    dc, _ = harmonics.ripple(5.0 + np.sin(2.0 * np.pi * 300.0 * T), RATE, unit="V", has_fundamental=False)
    assert dc.value == pytest.approx(math.sqrt(0.5), rel=1e-6)


def test_a_band_without_harmonics_is_refused():
    with pytest.raises(UsageError, match="no harmonics that were sampled"):
        harmonics.thd(distorted(173.37), RATE, 200.0)
    with pytest.raises(UsageError, match="no fundamental to follow"):
        harmonics.fundamental(distorted(2.0), RATE, 2.0)


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_has_no_fundamental_and_a_weak_tone_has_one(seed):
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(20_000)
    with pytest.raises(UsageError, match="as noise alone has it"):
        harmonics.fundamental(noise, 1e5)
    # exact: 0.1 of the noise's rms; its line is 0.1 sqrt(2) / (2 sqrt(1.5 / n)) = 8.2 times the rms line of the noise
    tone = 0.1 * math.sqrt(2.0) * np.sin(2.0 * np.pi * 333.0 * np.arange(20_000) / 1e5)
    assert harmonics.fundamental(noise + tone, 1e5).frequency_hz == pytest.approx(333.0, abs=1.0)


# -- steps


def test_levels_come_from_the_histogram():
    rng = np.random.default_rng(9)
    y = np.where(np.arange(4000) < 1500, 2.0, 7.0) + 0.02 * rng.standard_normal(4000)
    found = steps.state_levels(y)
    assert found.low == pytest.approx(2.0, abs=0.02)
    assert found.high == pytest.approx(7.0, abs=0.02)
    falling = steps.step(y[::-1].copy(), 1000.0)
    assert (falling.before, falling.after) == pytest.approx((7.0, 2.0), abs=0.02)
    assert falling.t50_s == pytest.approx(2.4995, abs=1e-4)


def test_a_ramp_is_exact():
    """Exact: crossings of straight lines; precursor of 3 % and overshoot of 5 % as drawn."""
    y = np.interp(np.arange(1000.0), [0, 195, 200, 300, 310, 340, 999], [0, 0, -0.03, 1.0, 1.05, 1.0, 1.0])
    found = steps.step(y, 1000.0, (0.0, 1.0))
    # from -0.03 at 200 to 1 at 300: p % is crossed at 200 + (p + 3)/1.03
    assert found.t10_s == pytest.approx((200.0 + 13.0 / 1.03) / 1000.0, rel=1e-12)
    assert found.t90_s == pytest.approx((200.0 + 93.0 / 1.03) / 1000.0, rel=1e-12)
    assert (found.overshoot_percent, found.undershoot_percent) == pytest.approx((5.0, 3.0))
    # back within 2 % where 1.05 → 1.00 passes 1.02, at 310 + 30 * 3/5
    assert found.settling_s == pytest.approx((328.0 - (200.0 + 53.0 / 1.03)) / 1000.0, rel=1e-9)


def test_a_record_that_ends_too_soon_has_no_settling():
    y = np.interp(np.arange(100.0), [0, 50, 60, 99], [0.0, 0.0, 1.0, 1.3])
    assert math.isnan(steps.step(y, 1.0, (0.0, 1.0)).settling_s)
    with pytest.raises(UsageError, match="does not cross"):
        steps.step(np.linspace(0.0, 1.0, 50), 1.0, (5.0, 6.0))
    with pytest.raises(UsageError, match="stands still"):
        steps.state_levels(np.ones(50))


# -- orders


def test_an_order_keeps_its_line_through_a_sweep():
    """Exact: amplitude 1.5 of order 12 and 0.4 of order 6 while the shaft goes from 20 to 40 turns a second."""
    t = np.arange(40_000) / 20_000.0
    angle = 20.0 * t + 5.0 * t * t
    x = 80.0 + 1.5 * np.cos(2.0 * np.pi * 12.0 * angle) + 0.4 * np.sin(2.0 * np.pi * 6.0 * angle)
    found = orders.order_spectrum(x, angle)
    assert found.at(12.0) == pytest.approx(1.5, rel=1e-6)
    assert found.at(6.0) == pytest.approx(0.4, rel=1e-6)
    assert found.mean == pytest.approx(80.0, rel=1e-9)
    ripple = orders.torque_ripple(x, angle, (6.0, 12.0))
    assert ripple[-1].value == pytest.approx(math.sqrt(0.5 * (1.5**2 + 0.4**2)) / 80.0, rel=1e-6)
    assert [m.name for m in ripple] == ["torque_ripple_order_6", "torque_ripple_order_12", "torque_ripple"]


def test_the_angle_is_the_integral_of_the_speed():
    speed = np.linspace(600.0, 1200.0, 1001)  # a straight line: trapezoids are exact
    angle = orders.angle_from_speed(speed, 100.0)
    assert angle[-1] == pytest.approx(10.0 * 900.0 / 60.0, rel=1e-12)
    with pytest.raises(UsageError, match="stands still or turns back"):
        orders.order_spectrum(np.zeros(100), np.zeros(100))
    with pytest.raises(UsageError, match="less than one turn"):
        orders.order_spectrum(np.zeros(100), np.linspace(0.0, 0.5, 100))


# -- switching


def pulses(t: np.ndarray, rises: np.ndarray, falls: np.ndarray, ramp: float) -> np.ndarray:
    times = np.column_stack([rises - ramp / 2, rises + ramp / 2, falls - ramp / 2, falls + ramp / 2]).ravel()
    return np.interp(t, times, np.tile([0.0, 1.0, 1.0, 0.0], len(rises)))


def test_frequency_and_dead_time_are_exact_for_ramps_of_two_samples():
    t = np.arange(20_000) / 1e6
    k = np.arange(300) / 15_873.0 + 7.3e-6
    upper = pulses(t, k + 2.2e-6, k + 25e-6, 2e-6)
    lower = 1.0 - pulses(t, k, k + 25e-6 + 2.2e-6, 2e-6)
    frequency = switching.switching_frequency(400.0 * upper, 1e6)
    assert frequency.value == pytest.approx(15_873.0, rel=1e-6)
    dead = switching.dead_time(15.0 * upper, 15.0 * lower, 1e6)
    assert dead.value == pytest.approx(2.2e-6, rel=1e-6)
    together = switching.dead_time(15.0 * (1.0 - lower), 15.0 * (1.0 - upper), 1e6)
    assert together.value == pytest.approx(-2.2e-6, rel=1e-6)  # both on: told as a negative time, not as a long pause


def test_steep_edges_have_the_uncertainty_of_a_sample():
    t = np.arange(20_000) / 1e6
    leg = (t * 15_873.0 % 1.0 < 0.4).astype(float)
    found = switching.switching_frequency(leg, 1e6)
    assert abs(found.value - 15_873.0) < 2.0 * found.u
    assert not switching.switching_frequency(np.zeros(100) + 5.0, 1e6).is_measured


# -- counts


@pytest.mark.parametrize(("k", "n"), [(0, 10), (10, 10), (3, 17), (58, 60)])
def test_shares_as_scipy(k, n):
    theirs = scipy.stats.binomtest(k, n).proportion_ci(0.95, "exact")
    assert counts.binomial_interval(k, n) == pytest.approx((theirs.low, theirs.high), rel=1e-9, abs=1e-12)
    assert counts.share("start_reliability", k, n).interval95 == counts.binomial_interval(k, n)


@pytest.mark.parametrize("k", [0, 1, 7, 140])
def test_rates_as_scipy(k):
    low = 0.0 if k == 0 else scipy.stats.chi2.ppf(0.025, 2 * k) / 2.0
    assert counts.poisson_interval(k) == pytest.approx((low, scipy.stats.chi2.ppf(0.975, 2 * k + 2) / 2.0), rel=1e-9)
    found = counts.rate_per_hour("trips_per_hour", k, 4.0)
    assert found.value == k / 4.0
    assert found.interval95 == pytest.approx(tuple(x / 4.0 for x in counts.poisson_interval(k)))


def test_nothing_counted_is_not_measured():
    assert not counts.share("start_reliability", 0, 0).is_measured
    assert not counts.rate_per_hour("trips_per_hour", 0, 0.0).is_measured
    with pytest.raises(UsageError, match="not a count out of a count"):
        counts.binomial_interval(3, 2)
    with pytest.raises(UsageError, match="not a count"):
        counts.poisson_interval(-1)
