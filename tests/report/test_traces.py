"""Thinning keeps extremes and gaps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.report.traces import thinned


def test_short_records_stay_as_they_are() -> None:
    time_s = np.arange(50) * 0.1
    values = np.sin(time_s)
    assert thinned(time_s, values) == (tuple(time_s), tuple(values))


def test_a_spike_of_one_row_survives() -> None:
    values = np.zeros(100_000)
    values[43_210] = 9.0
    time_s = np.arange(100_000) * 1e-3
    times, kept = thinned(time_s, values)
    assert len(kept) < 1000
    assert max(kept) == 9.0
    assert times[kept.index(9.0)] == pytest.approx(43.21, abs=1e-9)


@given(st.integers(1000, 3000), st.integers(0, 2**31))
def test_every_kept_point_is_a_measured_one_and_extremes_are_kept(n: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    time_s, values = np.arange(float(n)), random.normal(size=n)
    times, kept = thinned(time_s, values, stretches=100)
    assert list(times) == sorted(times)
    assert all(values[int(t)] == v for t, v in zip(times, kept, strict=True))
    assert (min(kept), max(kept)) == (values.min(), values.max())


@pytest.mark.parametrize("n", [200, 20_000])
def test_a_gap_in_time_stays_a_gap(n: int) -> None:
    time_s = np.arange(n) * 0.01
    time_s[n // 2 :] += 60.0
    times, kept = thinned(time_s, np.ones(n))
    (at,) = [i for i, value in enumerate(kept) if math.isnan(value)]
    assert times[at - 1] < (n // 2) * 0.01 < times[at] < times[at + 1]


def test_not_measured_stays_not_measured() -> None:
    values = np.full(5000, np.nan)
    _, kept = thinned(np.arange(5000.0), values)
    assert all(math.isnan(value) for value in kept)
