"""The running form of the tests of steadiness against the form that has the whole record."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.analysis.folding import Folding, fold
from benchkit.analysis.settled import change_label
from benchkit.analysis.steady import find_holds
from benchkit.analysis.steady_live import RunningSteadiness, running_steadiness
from benchkit.analysis.stillness import BLOCKS_PER_DWELL, movement
from benchkit.model.results import Settled
from benchkit.model.stand import ThermalSteadiness

BANDS, DWELL = [10.0], 2.0


def wandering(seed, rows):
    """Levels, steps, ramps, gaps in time, steps back, lost samples."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([0.02, 0.05, 0.3], rows, p=[0.5, 0.48, 0.02]))
    jump = rng.integers(0, rows, 2)
    t[jump[0] :] += rng.choice([0.0, 1.5, 5.0])
    t[jump[1] :] -= rng.choice([0.0, 3.0])
    x = 1000.0 + np.repeat(rng.choice([0.0, 30.0], -(-rows // 100)), 100)[:rows] + rng.standard_normal(rows)
    x[rng.integers(0, rows, rows // 20)] = np.nan
    lost = int(rng.integers(0, rows))
    x[lost : lost + int(rng.integers(0, 60))] = np.nan
    return t, x[:, None]


def pieces(cuts, rows):
    edges = sorted({0, rows, *(min(c, rows) for c in cuts)})
    return list(pairwise(edges))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), rows=st.integers(1, 700), cuts=st.lists(st.integers(0, 700), max_size=30))
def test_folding_is_the_same_however_the_rows_are_cut(seed, rows, cuts):
    t, x = wandering(seed, rows)
    breaks = [float(t[rows // 3]), float(t[rows // 2]) + 0.01]
    x = np.concatenate([x, 7.0 * x[::-1], 1e6 + x], axis=1)
    for order in "CF":
        whole = fold(t, np.array(x, order=order), 0.1, DWELL, breaks)
        folding = Folding(0.1, DWELL, breaks)
        for a, b in pieces(cuts, rows):
            folding.feed(t[a:b], np.array(x[a:b], order=order))
        cut = folding.finish()
        assert len(cut) == len(whole)
        for one, other in zip(cut, whole, strict=True):
            for name in ("edges", "times", "means", "counts"):
                assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=name in ("times", "means"))
            assert one.span_s == other.span_s
    assert [int(s.edges[0]) for s in whole][1:] == [int(s.edges[-1]) for s in whole][:-1]
    assert int(whole[-1].edges[-1]) == rows


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), rows=st.integers(1, 700), cuts=st.lists(st.integers(0, 700), max_size=30))
def test_the_running_form_agrees_with_the_whole_record(seed, rows, cuts):
    t, x = wandering(seed, rows)
    running = RunningSteadiness(BANDS, DWELL)
    told = [now for a, b in pieces(cuts, rows) for now in running.feed(t[a:b], x[a:b])]
    expected = []
    for segment in fold(t, x, DWELL / BLOCKS_PER_DWELL, DWELL):
        moved = movement(segment.times[:-1], segment.means[:-1], np.array(BANDS), BLOCKS_PER_DWELL)
        first = min(segment.times.size - 1, BLOCKS_PER_DWELL - 1)
        expected += list(zip(segment.times[:-1], [math.nan] * first + moved.tolist(), strict=True))
    assert [now.time_s for now in told] == pytest.approx([time for time, _ in expected], abs=0, nan_ok=True)
    assert [now.moved for now in told] == pytest.approx([moved for _, moved in expected], abs=0, nan_ok=True)
    assert all(now.is_settled == (now.moved <= 1.0) for now in told)


def test_settled_at_the_end_of_a_dwell_and_the_time_left_counts_down():
    t = np.arange(0.0, 30.0, 0.02)
    speed = np.where(t < 10.0, 1000.0, 1500.0)
    running = RunningSteadiness(BANDS, DWELL, stabilise_s=6.0)
    told = running.feed(t, speed[:, None])
    settled = [now.time_s for now in told if now.is_settled]
    # exact: the step is at 10 s, 6 s of stabilisation end with the block 15.9 … 16.0 s; before it 6.0 … 10.0 s
    assert min(s for s in settled if s > 10.0) == pytest.approx(15.94, abs=0.02)
    assert min(settled) == pytest.approx(5.94, abs=0.02)
    after = [now for now in told if 10.2 < now.time_s < 15.9]
    assert all(now.left_s == pytest.approx(15.95 - now.time_s, abs=0.12) for now in after)
    assert running.now == told[-1]
    assert running.now.left_s == 0.0
    # the hold that the analysis finds afterwards began when the live form began to count
    (_, hold) = find_holds(t, speed[:, None], BANDS, DWELL)
    assert t[hold[0]] == pytest.approx(10.0, abs=0.11)


def test_a_restart_forgets():
    t = np.arange(0.0, 10.0, 0.02)
    running = RunningSteadiness(BANDS, DWELL)
    running.feed(t, np.full((t.size, 1), 1000.0))
    assert running.now.is_settled
    running.restart()
    assert not running.now.is_settled
    told = running.feed(t + 10.0, np.full((t.size, 1), 1000.0))
    assert next(now.time_s for now in told if now.is_settled) == pytest.approx(11.94, abs=0.02)


def test_a_channel_that_is_not_measured_is_not_settled():
    t = np.arange(0.0, 10.0, 0.02)
    running = RunningSteadiness(BANDS, DWELL)
    told = running.feed(t, np.full((t.size, 1), np.nan))
    assert not any(now.is_settled for now in told)
    assert running.now.moved == math.inf


def test_temperatures_live():
    rule = ThermalSteadiness(("winding_temp",), 1.0, 600.0)
    t = np.arange(0.0, 2400.0, 0.5)
    winding = 80.0 - 60.0 * np.exp(-t / 300.0)
    running = RunningSteadiness([10.0], 10.0, thermal=rule)
    told = running.feed(t, np.full((t.size, 1), 1000.0), winding[:, None])
    # exact: 60 (exp(2) - 1) exp(-t/300) = 1 at 300 ln(60 (exp(2) - 1)) = 1784.8 s
    end_s = 300.0 * math.log(60.0 * math.expm1(2.0))
    steady = [now.time_s for now in told if now.thermal.state is Settled.STEADY]
    assert min(steady) == pytest.approx(end_s, abs=20.0)
    for now in told:
        if 300.0 < now.time_s < 1700.0:
            assert now.time_s + now.thermal_left_s == pytest.approx(end_s, abs=20.0)
    assert running.now.thermal_left_s == 0.0
    # the same answer as the form that has the whole record
    (segment,) = fold(t, winding[:, None], 0.5, 10.0)
    whole = change_label(segment.times[:-1], segment.means[:-1, 0], rule, channel="winding_temp")
    assert running.now.thermal.change.value == pytest.approx(whole.change.value, abs=1e-3)


def test_memory_is_bounded():
    rule = ThermalSteadiness(("winding_temp",), 1.0, 60.0)
    running = RunningSteadiness(BANDS, DWELL, 10.0, rule)
    for start in range(0, 300, 10):  # more than twice what is kept
        t = start + np.arange(0.0, 10.0, 0.1)
        running.feed(t, np.full((t.size, 1), 1.0), np.full((t.size, 1), 20.0))
    # exact: 10 s of blocks of 0.1 s; 2.2 times 60 s of them, and one
    assert len(running._held) == 100
    assert len(running._temps) == 1321
    assert len(running._folding._segments) == 1
    assert running._folding._segments[0]._folded == []


def test_the_stand_says_the_rules(stand):
    running = running_steadiness(stand)
    names = stand.steadiness.channels
    t = np.arange(0.0, 2.5 * stand.steadiness.dwell_s, 0.05)
    assert not running.feed(t[:10], np.ones((10, len(names))))
    assert running.feed(t[10:], np.ones((t.size - 10, len(names))))[-1].is_settled
