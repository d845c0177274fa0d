"""Blocks go in without a time and come out with one, all of them, in order, however they are cut."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.runfile.layout import Block, joined
from benchkit.session.timebase import TimeBase


def block(arrival_s: list[float], device_s: list[float], first: int = 0) -> Block:
    n = len(arrival_s)
    return Block(
        time_s=np.full(n, np.nan),
        arrival_s=np.asarray(arrival_s, dtype=np.float64),
        device_time_s=np.asarray(device_s, dtype=np.float64),
        counter=np.arange(first, first + n),
        values=np.arange(first, first + n, dtype=np.float64).reshape(n, 1),
        raw=np.empty((n, 0)),
    )


def lay_all(base: TimeBase, blocks: list[Block]) -> Block:
    laid = [out for b in blocks if (out := base.lay(b)) is not None]
    rest = base.release()
    return joined([*laid, *([rest] if rest is not None else [])])


def test_without_a_device_clock_sample_time_is_arrival() -> None:
    laid = TimeBase(0).lay(block([0.5, 0.6], [np.nan, np.nan]))
    assert laid is not None
    assert laid.time_s == pytest.approx([0.5, 0.6])


def test_the_device_clock_gives_the_spacing_and_the_row_that_waited_least_the_place() -> None:
    base = TimeBase(0)
    # bytes held back by an adapter: all rows arrive at once, 5 ms apart in the device
    assert base.lay(block([2.0, 2.0, 2.0], [70.000, 70.005, 70.010])) is None
    laid = base.lay(block([2.3], [70.305]))
    assert laid is not None
    assert laid.time_s == pytest.approx([1.99, 1.995, 2.0, 2.295])


def test_a_restarted_device_goes_on_where_host_time_is() -> None:
    base = TimeBase(0)
    laid = lay_all(base, [block([1.0, 2.0], [10.0, 11.0]), block([5.0, 6.0], [0.0, 1.0], 2)])
    assert laid.time_s == pytest.approx([1.0, 2.0, 5.0, 6.0])
    assert base.restarts == 1


@given(
    steps=st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=30),
    cuts=st.sets(st.integers(1, 29)),
    factor=st.sampled_from([1.0, 50.0]),
)
def test_every_row_comes_out_once_and_in_order(steps: list[float], cuts: set[int], factor: float) -> None:
    device = list(np.cumsum(steps))
    arrival = list(np.arange(len(steps)) * 0.07)
    whole = lay_all(TimeBase(0, factor), [block(arrival, device)])
    edges = [0, *sorted(c for c in cuts if c < len(steps)), len(steps)]
    parts = [block(arrival[a:b], device[a:b], a) for a, b in itertools.pairwise(edges)]
    cut = lay_all(TimeBase(0, factor), parts)
    assert np.array_equal(cut.counter, np.arange(len(steps)))
    assert np.array_equal(cut.values[:, 0], cut.counter)
    assert np.array_equal(cut.time_s, whole.time_s)
    assert np.all(np.diff(whole.time_s) >= 0.0)
