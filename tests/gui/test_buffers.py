"""Ring, envelope and decimation against plain models of what they must do."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from gui.state.decimate import decimate
from gui.state.history import History, means
from gui.state.ring import Envelope, Ring

NAN = float("nan")


@given(st.lists(st.integers(0, 7), max_size=30), st.integers(1, 9))
def test_ring_is_the_tail_of_everything(blocks: list[int], capacity: int) -> None:
    ring, all_rows = Ring(2, capacity), []
    for size in blocks:
        first = len(all_rows)
        rows = [(float(i), float(i) * 10.0) for i in range(first, first + size)]
        all_rows += rows
        ring.append(np.array([r[0] for r in rows]), np.array(rows, dtype=float).reshape(size, 2))
    tail = all_rows[-capacity:]
    assert ring.time_s.tolist() == [r[0] for r in tail]
    assert ring.values.tolist() == [list(r) for r in tail]


def test_ring_drops_the_view_when_time_runs_backwards() -> None:
    ring = Ring(1, 10)
    ring.append(np.array([5.0, 6.0]), np.array([[1.0], [2.0]]))
    ring.append(np.array([0.0, 1.0]), np.array([[3.0], [4.0]]))
    assert ring.restarts == 1
    assert ring.time_s.tolist() == [0.0, 1.0]
    ring.append(np.array([2.0, 0.5]), np.array([[5.0], [6.0]]))
    assert ring.restarts == 2
    assert ring.time_s.tolist() == [0.5]


def test_ring_since_gives_the_rows_at_and_after_a_time() -> None:
    ring = Ring(1, 10)
    ring.append(np.arange(5.0), np.arange(5.0)[:, None])
    time_s, values = ring.since(2.0)
    assert time_s.tolist() == [2.0, 3.0, 4.0]
    assert values[:, 0].tolist() == [2.0, 3.0, 4.0]


@given(st.lists(st.floats(-100, 100) | st.just(NAN), min_size=1, max_size=80), st.integers(1, 13))
def test_envelope_holds_the_extremes_of_each_bucket(values: list[float], block: int) -> None:
    time_s = np.arange(len(values)) * 0.1
    envelope = Envelope(1, 1.0, 100)
    column = np.array(values)[:, None]
    for i in range(0, len(values), block):
        envelope.append(time_s[i : i + block], column[i : i + block])
    buckets = np.floor(time_s).astype(int)
    # the newest bucket is still open
    closed = sorted(set(buckets))[:-1]
    got = envelope.ring.values[:, 0].reshape(-1, 2)
    expected = [[_least(column[buckets == b]), _greatest(column[buckets == b])] for b in closed]
    assert_array_equal(got, np.array(expected).reshape(-1, 2))


def _least(x: np.ndarray) -> float:
    x = x[~np.isnan(x)]
    return float(x.min()) if len(x) else NAN


def _greatest(x: np.ndarray) -> float:
    return -_least(-x)


def test_few_rows_are_drawn_as_they_are_with_a_break_in_each_gap() -> None:
    time_s = np.array([0.0, 0.1, 0.2, 1.0, 1.1])
    x, y = decimate(time_s, time_s[:, None] + 5.0, start_s=0.0, end_s=1.2, pixels=100, gap_s=0.3)
    assert x.tolist() == pytest.approx([0.0, 0.1, 0.2, 0.6, 1.0, 1.1])
    assert np.isnan(y[3, 0])
    assert np.isfinite(np.delete(y[:, 0], 3)).all()


def test_many_rows_keep_every_spike() -> None:
    time_s = np.arange(10_000) / 1000.0
    values = np.zeros((10_000, 1))
    values[4321] = 99.0
    values[8765] = -99.0
    x, y = decimate(time_s, values, start_s=0.0, end_s=10.0, pixels=200, gap_s=0.5)
    assert len(x) == 400
    assert np.nanmax(y) == 99.0
    assert np.nanmin(y) == -99.0
    assert x[np.nanargmax(y[:, 0])] == pytest.approx(4.321, abs=10.0 / 200)


def test_a_gap_stays_a_gap_when_decimated() -> None:
    time_s = np.concatenate([np.arange(4000), np.arange(6000, 10_000)]) / 1000.0
    x, y = decimate(time_s, np.ones((8000, 1)), start_s=0.0, end_s=10.0, pixels=100, gap_s=0.25)
    # exact: columns of 0.1 s between 4.0 s and 6.0 s hold no row
    assert np.isnan(y[(x > 4.05) & (x < 5.95)]).all()
    assert np.isfinite(y[(x < 3.95) | (x > 6.05)]).all()


def test_not_measured_stays_not_measured_when_decimated() -> None:
    time_s = np.arange(5000) / 1000.0
    values = np.ones((5000, 2))
    values[1000:2000, 1] = NAN
    x, y = decimate(time_s, values, start_s=0.0, end_s=5.0, pixels=50, gap_s=0.5)
    assert np.isnan(y[(x > 1.01) & (x < 1.99), 1]).all()
    assert np.isfinite(y[:, 0]).all()


def test_nothing_is_drawn_of_nothing() -> None:
    x, y = decimate(np.empty(0), np.empty((0, 3)), start_s=0.0, end_s=1.0, pixels=10, gap_s=0.1)
    assert x.shape == (0,)
    assert y.shape == (0, 3)


@given(st.integers(60, 900), st.integers(1, 50), st.floats(0.0, 0.5), st.floats(0.6, 1.0))
def test_decimation_never_invents_and_never_loses_an_extreme(rows: int, pixels: int, start: float, end: float) -> None:
    values = np.sin(np.arange(rows) * 1.7)[:, None]
    time_s = np.linspace(0.0, 1.0, rows)
    x, y = decimate(time_s, values, start_s=start, end_s=end, pixels=pixels, gap_s=2.0)
    inside = values[(time_s >= start) & (time_s < end)]
    drawn = y[np.isfinite(y)]
    assert set(drawn) <= set(values[:, 0])
    assert drawn.max() >= inside.max()
    assert drawn.min() <= inside.min()
    assert all(a <= b for a, b in pairwise(x))


@pytest.mark.parametrize("length_s", [5.0, 60.0, 900.0])
def test_history_draws_any_length_with_few_points(length_s: float) -> None:
    history = History(("a", "b"), stale_after_s=0.25)
    for block in range(1000):
        time_s = block + np.arange(200) / 200.0
        history.append(time_s, np.column_stack([time_s, -time_s]))
    x, y = history.view(["b"], 1000.0 - length_s, 1000.0, 400)
    assert 100 < len(x) <= 2 * 400 + 2
    # exact: b = -t, so the trace is within one bucket of minus the time
    assert np.nanmax(np.abs(y[:, 0] + x)) <= max(1.0, 2.0 * length_s / 400)


def test_means_leave_out_what_was_not_measured() -> None:
    got = means(np.array([[1.0, NAN, NAN], [3.0, 5.0, NAN]]))
    assert got[:2].tolist() == [2.0, 5.0]
    assert np.isnan(got[2])
