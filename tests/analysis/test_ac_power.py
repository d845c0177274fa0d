"""Powers of sampled waveforms against their closed form; two wattmeters against three; energy and its books."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchkit.analysis import ac_power as ac
from benchkit.errors import UsageError

RATE = 20_000.0
F = 50.0
THIRD = 2.0 * math.pi / 3.0


def times(seconds=0.5, rate=RATE):
    return np.arange(round(seconds * rate)) / rate


def three(t, amplitude, angle, f=F, order=1):
    return amplitude * np.cos(order * (2 * math.pi * f * t[:, None] - THIRD * np.arange(3)) - angle)


def test_three_phase_sinusoid():
    # exact: V 230 rms, I 10 rms, phi 30°: P = 3 V I cos(phi), S = 3 V I, N = 3 V I sin(phi)
    t = times()
    v, i = three(t, 230 * math.sqrt(2), 0.0), three(t, 10 * math.sqrt(2), math.pi / 6)
    found = ac.three_phase_power(t, v, i)
    assert found.active_w == pytest.approx(6900 * math.cos(math.pi / 6), rel=1e-9)
    assert found.apparent_va == pytest.approx(6900, rel=1e-9)
    assert found.nonactive_va == pytest.approx(3450, rel=1e-8)
    assert found.power_factor == pytest.approx(math.sqrt(3) / 2, rel=1e-9)
    assert (found.voltage_v, found.current_a) == pytest.approx((230, 10), rel=1e-9)
    assert found.frequency_hz == pytest.approx(F, rel=1e-9)
    assert found.periods == 24  # 25 periods, cut at the first and last crossing


def test_regeneration_is_negative_and_its_factor_too():
    t = times()
    v, i = three(t, 100.0, 0.0), three(t, 5.0, math.pi * 0.9)
    found = ac.three_phase_power(t, v, i)
    assert found.active_w == pytest.approx(1.5 * 500 * math.cos(0.9 * math.pi), rel=1e-9)
    assert found.power_factor == pytest.approx(math.cos(0.9 * math.pi), rel=1e-9)
    assert found.apparent_va > 0


@given(
    st.lists(
        st.tuples(st.sampled_from([2, 3, 5, 7, 11, 13, 41]), st.floats(0, 50), st.floats(0, 4), st.floats(-3, 3)),
        max_size=4,
        unique_by=lambda h: h[0],
    )
)
@settings(max_examples=40, deadline=None)
def test_harmonics_by_parseval(harmonics):
    # exact (Parseval): P = sum V_k I_k/2 cos(phi_k); V² = sum V_k²/2; the fundamental rules the crossings
    t = times(0.2)
    w = 2 * math.pi * F * t
    v, i = 300.0 * np.cos(w), 20.0 * np.cos(w - 0.4)
    p, v2, i2 = 3000.0 * math.cos(0.4), 45_000.0, 200.0
    for k, vk, ik, phi in harmonics:
        v, i = v + vk * np.cos(k * w), i + ik * np.cos(k * w - phi)
        p, v2, i2 = p + 0.5 * vk * ik * math.cos(phi), v2 + 0.5 * vk**2, i2 + 0.5 * ik**2
    found = ac.phase_power(t, v, i)
    # crossings of a distorted current fall between samples: the ends of the window are then cut with a straight line
    assert found.active_w == pytest.approx(p, abs=2e-4 * math.sqrt(v2 * i2))
    assert found.apparent_va == pytest.approx(math.sqrt(v2 * i2), rel=2e-4)


def test_only_equal_orders_carry_power():
    # exact: a fifth harmonic of the voltage alone adds nothing to P, but to S
    t = times()
    v = three(t, 100.0, 0.0) + three(t, 30.0, 0.3, order=5)
    found = ac.three_phase_power(t, v, three(t, 10.0, 0.0))
    assert found.active_w == pytest.approx(1500.0, rel=1e-9)
    assert found.apparent_va == pytest.approx(3 * math.sqrt((100**2 + 30**2) / 2) * 10 / math.sqrt(2), rel=1e-9)


@given(
    hnp.arrays(float, (400, 3), elements=st.floats(-400, 400)),
    hnp.arrays(float, (400, 2), elements=st.floats(-30, 30)),
)
@settings(max_examples=50, deadline=None)
def test_two_wattmeters_are_three_where_currents_sum_to_zero(noise_v, noise_i):
    # exact: i_w = -i_u - i_v; v_u i_u + v_v i_v + v_w i_w = (v_u - v_w) i_u + (v_v - v_w) i_v, sample by sample
    t = times(400 / RATE, RATE) * 5  # five periods of 50 Hz
    i = three(t, 100.0, 0.2)[:, :2] + noise_i
    i = np.column_stack([i, -i.sum(axis=1)])
    v = three(t, 320.0, 0.0) + noise_v
    try:
        phases = ac.three_phase_power(t, v, i)
    except UsageError:  # noise that leaves no whole period
        return
    aron = ac.aron_power(t, np.column_stack([v[:, 0] - v[:, 2], v[:, 1] - v[:, 2]]), i[:, :2])
    assert aron.active_w == pytest.approx(phases.active_w, rel=1e-9, abs=1e-6)
    assert aron.apparent_va == pytest.approx(phases.apparent_va, rel=1e-9)
    assert aron.periods == phases.periods
    assert abs(aron.power_factor) <= 1.0 + 1e-12  # Cauchy and Schwarz


def test_one_wattmeter_of_two_goes_negative_below_a_power_factor_of_a_half():
    # exact (textbook): P1 = V_ll I cos(30° - phi), P2 = V_ll I cos(30° + phi); the sum is right, each alone is not
    t = times()
    v, i = three(t, 100.0, 0.0), three(t, 10.0, math.radians(75))
    found = ac.aron_power(t, np.column_stack([v[:, 0] - v[:, 2], v[:, 1] - v[:, 2]]), i[:, :2])
    assert found.active_w == pytest.approx(1500 * math.cos(math.radians(75)), rel=1e-8)
    assert np.mean((v[:, 1] - v[:, 2]) * i[:, 1]) * np.mean((v[:, 0] - v[:, 2]) * i[:, 0]) < 0.0


def test_a_window_that_is_not_whole_periods_is_cut_to_one():
    t = times(0.0537)  # 2.685 periods
    v, i = 325 * np.cos(2 * math.pi * F * t), 10 * np.cos(2 * math.pi * F * t - 1.0)
    found = ac.phase_power(t, v, i)
    assert found.active_w == pytest.approx(1625 * math.cos(1.0), rel=1e-4)
    assert abs(np.mean(v * i) / (1625 * math.cos(1.0)) - 1.0) > 0.02  # what the plain mean would have said


def test_ripple_round_zero_is_no_period():
    t = times(0.2, 200e3)
    i = 10 * np.cos(2 * math.pi * F * t) + 1.0 * np.cos(2 * math.pi * 16e3 * t)
    assert ac.whole_periods(t, i)[2] in (8, 9)
    assert np.count_nonzero((i[:-1] < 0) & (i[1:] >= 0)) > 12  # the ripple does cross


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda t: ac.phase_power(t, np.ones(t.size), np.ones(t.size)), "no whole electrical period"),
        (lambda t: ac.three_phase_power(t, np.ones((t.size, 2)), np.ones((t.size, 2))), "one column a phase"),
        (lambda t: ac.phase_power(t, np.full(t.size, np.nan), np.ones(t.size)), "with gaps"),
        (lambda t: ac.phase_power(t[::-1], np.ones(t.size), np.ones(t.size)), "do not rise"),
        (lambda t: ac.mean_over(t, t, -1.0, 0.0), "outside the samples"),
        (lambda t: ac.energy(t, t[:-1], 1.0), "one power a time"),
    ],
)
def test_refusals(call, text):
    with pytest.raises(UsageError, match=text):
        call(times(0.01))


def test_phase_error_rules_at_low_power_factor():
    # exact: u(P)/P = tan(phi) u_phi; cos(phi) = 0.1, 1 mrad: 0.995 %
    low = ac.AcPower(100.0, 1000.0, 100.0, 10.0, F, 10)
    p = ac.active_power(low, 1e-4, 1e-4, 1e-3)
    assert p.u / p.value == pytest.approx(math.hypot(math.tan(math.acos(0.1)) * 1e-3, 1e-4 * math.sqrt(2)), rel=1e-3)
    assert p.budget[0].name == "phase angle"
    high = ac.active_power(ac.AcPower(990.0, 1000.0, 100.0, 10.0, F, 10), 1e-3, 1e-3, 1e-3)
    assert high.budget[-1].name == "phase angle"
    factor = ac.power_factor(low, 1e-3)
    assert (factor.value, factor.u) == pytest.approx((0.1, math.sqrt(0.99) * 1e-3), rel=1e-4)


def test_a_delay_between_channels_is_the_angle_it_is_said_to_be():
    t = times()
    v, late = 100 * np.cos(2 * math.pi * F * t), 10 * np.cos(2 * math.pi * F * (t - 20e-6) - 1.4)
    honest = ac.phase_power(t, v, 10 * np.cos(2 * math.pi * F * t - 1.4))
    angle = float(ac.phase_of_delay(F, 20e-6))
    assert angle == pytest.approx(2 * math.pi * 1e-3)
    change = ac.phase_power(t, v, late).active_w - honest.active_w
    assert change == pytest.approx(-honest.nonactive_va * angle, rel=0.01)


def test_energy_of_a_sine_splits_in_halves():
    # exact: ∫ of each half wave of 100 W at 1 Hz over 10 s: 10 · 100/pi
    t = np.arange(10_001) / 1000.0
    found = ac.energy(t, 100 * np.sin(2 * math.pi * t), 0.1)
    assert (found.drawn_j, found.returned_j) == pytest.approx((1000 / math.pi,) * 2, rel=1e-5)
    assert found.net_j == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None)
@given(hnp.arrays(float, 50, elements=st.floats(-1e4, 1e4)), st.integers(0, 49))
def test_energy_keeps_its_books(p, hole):
    t = np.cumsum(np.linspace(0.5, 1.5, 50))
    whole = ac.energy(t, p, 10.0)
    assert whole.net_j == pytest.approx(np.trapezoid(p, t), rel=1e-9, abs=1e-6)
    assert whole.drawn_j >= -1e-9
    assert whole.returned_j >= -1e-6
    p[hole] = np.nan
    holed = ac.energy(t, p, 10.0)
    assert holed.covered_s + holed.missing_s == pytest.approx(t[-1] - t[0])
    assert holed.missing_s > 0.0
    assert ac.energy(t, p, 0.1).covered_s == 0.0
