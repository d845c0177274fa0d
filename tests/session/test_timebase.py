"""Sample times: the device clock laid onto host time, never backwards, the same for any cutting into blocks."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.model.samples import Rows
from benchkit.session.timebase import TimeBase


def rows(arrival_s: list[float], device_s: list[float]) -> Rows:
    n = len(arrival_s)
    return Rows(
        arrival_ns=np.round(np.asarray(arrival_s) * 1e9).astype(np.int64),
        device_time_s=np.asarray(device_s, dtype=np.float64),
        counter=np.arange(n, dtype=np.int64),
        values=np.zeros((n, 1)),
    )


def test_without_a_device_clock_sample_time_is_arrival() -> None:
    base = TimeBase(1_000_000_000)
    assert base.times(rows([1.5, 1.6], [np.nan, np.nan])) == pytest.approx([0.5, 0.6])


def test_the_device_clock_gives_the_spacing_and_the_first_arrival_the_place() -> None:
    base = TimeBase(0)
    # bytes held back by an adapter: all rows arrive at once, 5 ms apart in the device
    times = base.times(rows([2.0, 2.0, 2.0], [70.000, 70.005, 70.010]))
    assert times == pytest.approx([2.0, 2.005, 2.010])
    assert base.times(rows([2.016], [70.015])) == pytest.approx([2.015])


def test_a_restarted_device_goes_on_where_host_time_is() -> None:
    base = TimeBase(0)
    base.times(rows([1.0, 2.0], [10.0, 11.0]))
    # restarts at zero, 3 s after the last row came
    assert base.times(rows([5.0, 6.0], [0.0, 1.0])) == pytest.approx([5.0, 6.0])
    assert base.restarts == 1


@given(
    steps=st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=30),
    cuts=st.sets(st.integers(1, 29)),
    factor=st.sampled_from([1.0, 50.0]),
)
def test_cutting_into_blocks_changes_nothing_and_time_never_runs_back(
    steps: list[float], cuts: set[int], factor: float
) -> None:
    device = np.cumsum(steps)
    arrival = np.arange(len(steps)) * 0.25
    whole = TimeBase(0, factor).times(rows(list(arrival), list(device)))
    base = TimeBase(0, factor)
    edges = [0, *sorted(c for c in cuts if c < len(steps)), len(steps)]
    parts = [base.times(rows(list(arrival[a:b]), list(device[a:b]))) for a, b in itertools.pairwise(edges)]
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-9)
    assert np.all(np.diff(whole) >= -1e-9)
