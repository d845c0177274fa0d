"""When beats are due and what is said about their steadiness, against numpy on the same intervals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.protect.heartbeat import (
    LATE_FACTOR,
    RESOLUTION,
    BeatFigures,
    BeatSchedule,
    BeatStatistics,
    beats_in_words,
    sources_needed,
)

MS = 1_000_000
PERIOD = 100 * MS


def beats_of(turns: list[int]) -> list[int]:
    schedule = BeatSchedule(PERIOD)
    return [now for now in turns if schedule.is_due(now)]


def test_beats_lie_on_multiples_of_the_period_and_do_not_drift() -> None:
    turns = [k * 7 * MS for k in range(1000)]  # the loop turns every 7 ms
    beats = beats_of(turns)
    # exact: the first turn at or after each multiple of 100 ms
    assert beats == [-(-k * 100 // 7) * 7 * MS for k in range(len(beats))]
    assert len(beats) == 70


def test_a_loop_that_stalls_does_not_make_up_for_beats() -> None:
    turns = [*range(0, 301 * MS, MS), *range(2_000 * MS, 2_301 * MS, MS)]
    assert [b // MS for b in beats_of(turns)] == [0, 100, 200, 300, 2000, 2100, 2200, 2300]


@given(st.lists(st.integers(0, 400 * MS), min_size=2, max_size=60))
def test_two_beats_are_never_closer_than_half_a_period(steps: list[int]) -> None:
    beats = np.array(beats_of(np.cumsum(steps).tolist()))
    assert (np.diff(beats) >= PERIOD // 2).all()


@given(st.lists(st.integers(1, 5_000 * MS), min_size=1, max_size=300))
def test_figures_are_those_of_numpy(intervals: list[int]) -> None:
    statistics = BeatStatistics(PERIOD)
    late = [statistics.beat(int(at)) for at in np.cumsum([0, *intervals])]
    figures = statistics.figures()
    seconds = np.array(intervals) * 1e-9
    assert figures.beats == len(intervals) + 1
    assert figures.mean_s == pytest.approx(seconds.mean())
    assert figures.worst_s == pytest.approx(seconds.max())
    assert figures.late == int((np.array(intervals) > LATE_FACTOR * PERIOD).sum()) == sum(x is not None for x in late)
    true = float(np.quantile(seconds, 0.99, method="inverted_cdf"))
    assert figures.p99_s is not None
    # one class too long at most; below a hundredth of a period there is one class
    assert min(true, 1e-3) * (1 - 1e-9) <= figures.p99_s
    assert true * (1 - 1e-9) <= max(figures.p99_s, 1e-3)
    assert figures.p99_s <= max(true * (1.0 + RESOLUTION) * (1 + 1e-9), 1e-3)


def test_the_memory_does_not_grow() -> None:
    statistics = BeatStatistics(PERIOD)
    before = statistics._classes.nbytes
    for k in range(20_000):
        statistics.beat(k * PERIOD)
    assert statistics._classes.nbytes == before


def test_a_pause_is_no_interval() -> None:
    statistics = BeatStatistics(PERIOD)
    statistics.beat(0)
    statistics.beat(PERIOD)
    statistics.pause()
    statistics.beat(50 * PERIOD)
    assert statistics.beat(51 * PERIOD) is None
    statistics.not_taken()
    assert statistics.figures() == BeatFigures(4, 0, 1, 1, pytest.approx(0.1), pytest.approx(0.1), pytest.approx(0.1))


def test_words() -> None:
    assert beats_in_words(BeatFigures(1, 0, 0, 0), 0.1) == "1 beats, period 100 ms"
    assert beats_in_words(BeatFigures(900, 2, 1, 3, 0.1001, 0.104, 0.25), 0.1) == (
        "900 beats, period 100 ms; interval mean 100.1 ms, 99 % 104 ms, worst 250 ms; 2 later than 1.5 periods; "
        "1 times kept back; 3 not taken by the device"
    )


def test_the_sources_of_trip_limits_are_needed(stand) -> None:
    assert sources_needed(stand) == {"rack"}
