"""The clock of a device against the host's: seeded cases with known truth, and properties that hold for any input.

Exact: the true sample times are made first, the device's clock and the arrivals from them. Accuracy asked for: one
sample period or 1 ms, whichever is larger.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.decode.clock_fit import FIT_COLUMNS, ClockFit, fitted_line

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """``device = offset + (1 + drift) * true``, modulo ``wrap_s``; bytes come in portions of ``batch_s``."""

    name: str
    period_s: float = 0.001
    seconds: float = 60.0
    offset_s: float = 0.120
    drift: float = 200e-6
    batch_s: float = 0.016
    wrap_s: float | None = None
    resets_at_s: tuple[float, ...] = ()
    silent_s: tuple[float, float] | None = None
    jitter_s: float = 50e-6
    stall_every_s: float = 3.0
    stall_s: float = 0.03
    tick_s: float = 0.0
    rate: float = 1.0
    more_s: float = 0.0
    """Asked for beyond one sample period or 1 ms, where the case itself takes more away."""


CASES = (
    Case("offset 120 ms alone", drift=0.0, batch_s=0.0),
    Case("drift 200 ppm alone", batch_s=0.0, seconds=120.0),
    Case("drift -200 ppm", drift=-200e-6, batch_s=0.0),
    Case("16 ms portions"),
    Case("16 ms portions at 100 Hz", period_s=0.01),
    Case("16 ms portions at 1 Hz", period_s=1.0, seconds=300.0),
    Case("16 ms portions at 20 kHz", period_s=50e-6, seconds=10.0),
    Case("RC oscillator, 1 %", drift=0.01, batch_s=0.004, more_s=0.003),
    Case("clock in whole ms", tick_s=0.001, more_s=0.001),
    Case("u16 of ms wraps", wrap_s=65.536, seconds=200.0, offset_s=60.0),
    Case("u32 of us wraps", wrap_s=4294.967296, offset_s=4290.0),
    Case("u16 of ms wraps during a silence", wrap_s=65.536, seconds=200.0, silent_s=(40.0, 130.0)),
    Case("starts again", resets_at_s=(20.0, 40.123)),
    Case("starts again at once", resets_at_s=(0.1,)),
    Case("starts again, and wraps", resets_at_s=(20.0,), wrap_s=4294.967296, offset_s=4290.0),
    Case("long stalls of the host", stall_s=0.5, stall_every_s=4.0),
    Case("silence of 10 s", silent_s=(20.0, 30.0)),
    Case("stand at 50 times the speed", period_s=0.0002, seconds=20.0, rate=50.0),
)


def make(case: Case, seed: int = 20260504) -> tuple[FloatArray, FloatArray, FloatArray]:
    """True sample times, arrivals and device times of a case."""
    rng = np.random.default_rng(seed)
    # samples are taken by the device's clock, so they move through the portions of the adapter
    true = 3.0 + np.arange(0.0, case.seconds, case.period_s) / (1.0 + case.drift)
    if case.silent_s is not None:
        true = true[(true < 3.0 + case.silent_s[0]) | (true > 3.0 + case.silent_s[1])]
    # a constant delay on the way cannot be seen by any fit; there is none here
    arrival = true + rng.exponential(case.jitter_s, len(true))
    if case.batch_s:
        portion = np.ceil((arrival - 0.0103) / case.batch_s)
        late = rng.exponential(case.jitter_s, int(portion[-1] - portion[0]) + 1)
        arrival = portion * case.batch_s + 0.0103 + late[(portion - portion[0]).astype(int)]
    phase = np.mod(arrival, case.stall_every_s)
    arrival = np.where(phase < case.stall_s, arrival - phase + case.stall_s, arrival)
    arrival = np.maximum.accumulate(arrival)
    device = case.offset_s + (1.0 + case.drift) * (true - 3.0) * case.rate
    for at in case.resets_at_s:
        device = np.where(true >= 3.0 + at, (1.0 + case.drift) * (true - 3.0 - at) * case.rate, device)
    if case.wrap_s is not None:
        device = np.mod(device, case.wrap_s)
    if case.tick_s:
        device = np.floor(device / case.tick_s) * case.tick_s
    return true, arrival, device


def fit_all(fit: ClockFit, arrival: FloatArray, device: FloatArray, step: int = 7) -> FloatArray:
    parts = [fit.feed(arrival[i : i + step], device[i : i + step]) for i in range(0, len(arrival), step)]
    return np.concatenate([*parts, fit.release()])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_sample_times_are_recovered(case: Case) -> None:
    true, arrival, device = make(case)
    fit = ClockFit(case.rate, case.wrap_s)
    times = fit_all(fit, arrival, device, step=97)
    assert len(times) == len(true)
    host = times if case.rate == 1.0 else times[0] + (times - times[0]) / case.rate
    # the shortest wait cannot be seen; it is of the size of the jitter
    assert np.max(np.abs(host - true)) <= max(case.period_s, 0.001) + case.jitter_s + case.more_s
    assert np.all(np.diff(times) >= 0.0)
    assert fit.restarts == len(case.resets_at_s)


def test_the_fit_says_offset_and_drift() -> None:
    """Exact: with a drift of 200 ppm the device gains 200 us a second on the host."""
    case = Case("16 ms portions")
    true, arrival, device = make(case)
    fit = ClockFit()
    fit_all(fit, arrival, device)
    fits = dict(zip(FIT_COLUMNS, fit.take_fits().T, strict=True))
    assert fits["drift"][-1] == pytest.approx(-case.drift, abs=10e-6)
    wanted = np.interp(fits["host"], true, true - device)
    assert fits["offset"] == pytest.approx(wanted, abs=0.00105)
    # portions of 16 ms: waiting times are spread evenly over 0 to 16 ms, rms 16/sqrt(3) ms, plus the stalls
    assert np.median(fits["residual_rms"][1:]) == pytest.approx(0.016 / np.sqrt(3.0), rel=0.1)
    assert np.sum(fits["rows"]) >= len(true) - 300
    assert fit.take_fits().shape == (0, 5)


def test_without_a_device_clock_sample_time_is_arrival() -> None:
    fit = ClockFit()
    assert fit.feed(np.array([0.5, 0.6]), np.array([np.nan, np.nan])) == pytest.approx([0.5, 0.6])
    assert fit.held == 0


def test_a_row_without_device_time_gets_that_of_the_row_before() -> None:
    fit = ClockFit()
    times = fit_all(fit, np.array([1.0, 1.1, 1.2, 1.3]), np.array([np.nan, 5.0, np.nan, 5.2]), step=2)
    assert times == pytest.approx([1.0, 1.1, 1.1, 1.3])


def test_a_file_read_at_full_speed_keeps_the_spacing_of_its_clock() -> None:
    device = 40.0 + np.arange(60_000) * 0.001
    arrival = 1.0 + np.repeat(np.arange(60_000 // 32), 32) * 0.0003
    fit = ClockFit()
    times = fit_all(fit, arrival, device, step=32)
    assert times[0] == 1.0
    assert np.diff(times) == pytest.approx(np.full(59_999, 0.001), abs=1e-9)
    assert np.isnan(fit.take_fits()[1:, 2]).all()


def test_early_bytes_of_a_full_buffer_are_laid_where_they_were_taken() -> None:
    """The first read brings 0.4 s of rows at once, then rows come as they are taken."""
    true = np.arange(0.0, 20.0, 0.001)
    arrival = np.maximum(true + 0.0002, 0.4)
    times = fit_all(ClockFit(), arrival, true + 9.0)
    assert np.max(np.abs(times - true)) <= 0.001


def test_a_device_clock_that_is_set_starts_a_new_piece() -> None:
    true = np.arange(0.0, 30.0, 0.01)
    device = np.where(true < 15.0, true, true + 3600.0)
    fit = ClockFit()
    times = fit_all(fit, true + 0.0002, device)
    assert np.max(np.abs(times - true)) <= 0.01
    assert fit.restarts == 1


@given(
    steps=st.lists(st.floats(-3.0, 3.0) | st.just(float("nan")), min_size=2, max_size=40),
    waits=st.lists(st.floats(0.0, 2.0), min_size=40, max_size=40),
    cuts=st.sets(st.integers(1, 39)),
    rate=st.sampled_from([1.0, 50.0]),
    wrap=st.sampled_from([None, 2.5, 65.536]),
)
def test_any_cutting_gives_the_same_and_time_never_runs_back(
    steps: list[float], waits: list[float], cuts: set[int], rate: float, wrap: float | None
) -> None:
    device = np.nancumsum(steps)
    device[np.isnan(steps)] = np.nan
    arrival = np.cumsum(waits)[: len(steps)]
    whole = fit_all(ClockFit(rate, wrap), arrival, device, step=len(steps))
    fit = ClockFit(rate, wrap)
    edges = [0, *sorted(c for c in cuts if c < len(steps)), len(steps)]
    parts = [fit.feed(arrival[a:b], device[a:b]) for a, b in itertools.pairwise(edges)]
    again = np.concatenate([*parts, fit.release()])
    assert len(whole) == len(steps)
    assert np.array_equal(again, whole)
    assert np.all(np.diff(whole) >= -1e-9)


@given(st.lists(st.tuples(st.floats(0.01, 10.0), st.floats(-5.0, 5.0)), min_size=1, max_size=12))
def test_the_line_lies_below_all_points_and_no_better_one_goes_through_two_of_them(
    given_points: list[tuple[float, float]],
) -> None:
    x = np.cumsum([step for step, _ in given_points])
    z = np.array([height for _, height in given_points])
    height, slope = fitted_line(list(zip(x.tolist(), z.tolist(), strict=True)))
    ours = z - (height + slope * x)
    assert np.all(ours >= -1e-9)
    for i, j in itertools.combinations(range(len(x)), 2):
        other_slope = (z[j] - z[i]) / (x[j] - x[i])
        other = z - (z[i] + other_slope * (x - x[i]))
        if np.all(other >= 0.0):
            assert np.sum(ours) <= np.sum(other) + 1e-6 * (1.0 + np.sum(np.abs(other)))
