"""Rules of the limits, one by one. Expected times are exact: they follow from the rules in benchkit/protect/limits.py.

The words (set point, deadband, on-delay, off-delay, latching) are those of IEC 62682; times here are in ms.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.errors import UsageError
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.protect.limits import Evidence, LimitEngine

NAN = math.nan
MS = 1_000_000
ABOVE, BELOW, STALE = LimitKind.ABOVE, LimitKind.BELOW, LimitKind.STALE
TRIP, CAUTION = Severity.TRIP, Severity.CAUTION


def limit(kind=ABOVE, severity=TRIP, set_point=10.0, on=0, off=0, deadband=0.0, latching=False):
    return Limit("x", "c", kind, severity, set_point, on / 1e3, off / 1e3, deadband, latching, "stop")


def engine(*limits, stale_ms=1000):
    return LimitEngine(limits, {"s": ("c",)}, {"s": stale_ms / 1e3}, 0)


def changes(found):
    """(ms, acts) of the changes; a silence is found one nanosecond after its patience."""
    return [(c.time_ns / MS, c.acts) for c in found]


def feed(subject, *samples):
    times = np.array([round(ms * MS) for ms, _ in samples], dtype=np.int64)
    return subject.feed("s", times, np.array([[v] for _, v in samples], dtype=np.float64))


@pytest.mark.parametrize(
    ("kind", "samples", "expected"),
    [
        # equality does not count, the next representable number does
        (ABOVE, [(1, 10.0), (2, math.nextafter(10.0, 11.0))], [(2, True)]),
        (BELOW, [(1, 10.0), (2, math.nextafter(10.0, 9.0))], [(2, True)]),
        # for the return equality counts: 10 - 2 = 8, 10 + 2 = 12
        (ABOVE, [(1, 11.0), (2, 9.0), (3, math.nextafter(8.0, 9.0)), (4, 8.0)], [(1, True), (4, False)]),
        (BELOW, [(1, 9.0), (2, 11.0), (3, math.nextafter(12.0, 11.0)), (4, 12.0)], [(1, True), (4, False)]),
    ],
)
def test_set_point_and_deadband(kind, samples, expected):
    assert changes(feed(engine(limit(kind, deadband=2.0)), *samples)) == expected


def test_on_delay_ends_with_the_sample_that_completes_it_not_one_before():
    rows = [(t, 11.0) for t in range(1, 8)]
    assert changes(feed(engine(limit(on=5)), *rows[:5])) == []
    assert changes(feed(engine(limit(on=5)), *rows)) == [(6, True)]  # since 1 ms, for 5 ms


def test_a_sample_that_says_otherwise_starts_the_on_delay_anew():
    rows = [(1, 11.0), (5, 10.0), (6, 11.0), (10, 11.0), (11, 11.0)]
    assert changes(feed(engine(limit(on=5)), *rows)) == [(11, True)]


def test_the_sample_at_the_very_end_of_a_delay_decides():
    assert changes(feed(engine(limit(on=5)), (1, 11.0), (6, 10.0))) == []


def test_a_sample_holds_until_the_next_one():
    """The delay is over at 6 ms although the sample at 7 ms is back: nothing said so before."""
    assert changes(feed(engine(limit(on=5)), (1, 11.0), (7, 0.0))) == [(6, True), (7, False)]
    ticked = engine(limit(on=5))
    assert changes(feed(ticked, (1, 11.0))) == []
    assert changes(ticked.tick(6 * MS - 1)) == []
    assert changes(ticked.tick(6 * MS)) == [(6, True)]


def test_off_delay():
    rows = [(1, 11.0), (2, 0.0), (4, 10.5), (5, 0.0), (8, 0.0), (9, 0.0)]
    assert changes(feed(engine(limit(off=4)), *rows)) == [(1, True), (9, False)]


def test_within_the_deadband_the_off_delay_starts_anew():
    rows = [(1, 11.0), (2, 8.0), (3, 9.0), (4, 8.0), (6, 8.0)]
    assert changes(feed(engine(limit(off=2, deadband=2.0)), *rows)) == [(1, True), (6, False)]


@pytest.mark.parametrize("kind", [ABOVE, BELOW])
def test_not_measured_is_the_condition_of_a_trip_with_its_on_delay(kind):
    harmless = {ABOVE: 0.0, BELOW: 20.0}[kind]
    found = feed(engine(limit(kind, on=2)), (1, harmless), (2, NAN), (3, NAN), (4, NAN))
    assert changes(found) == [(4, True)]
    assert found[0].evidence is Evidence.NOT_MEASURED


@pytest.mark.parametrize("kind", [ABOVE, BELOW])
def test_not_measured_neither_raises_nor_clears_a_caution(kind):
    beyond, harmless = {ABOVE: (11.0, 0.0), BELOW: (9.0, 20.0)}[kind]
    assert changes(feed(engine(limit(kind, CAUTION)), (1, NAN), (2, NAN))) == []
    assert changes(feed(engine(limit(kind, CAUTION)), (1, beyond), (2, NAN), (3, harmless))) == [(1, True), (3, False)]
    assert changes(feed(engine(limit(kind, CAUTION, on=2)), (1, beyond), (2, NAN), (3, beyond), (4, beyond))) == []


def test_silence_is_the_condition_of_a_trip_from_the_instant_the_age_exceeds():
    subject = engine(limit(on=3), stale_ms=10)
    assert changes(feed(subject, (5, 0.0))) == []
    assert subject.tick(15 * MS) == []  # age 10 ms: not more than 10 ms
    assert subject.tick(18 * MS) == []
    (found,) = subject.tick(18 * MS + 1)
    assert (found.time_ns, found.acts, found.evidence) == (18 * MS + 1, True, Evidence.SILENT)
    assert changes(feed(subject, (30, 0.0))) == [(30, False)]


def test_silence_between_two_rows_trips_without_a_tick():
    found = feed(engine(limit(), stale_ms=10), (5, 0.0), (15, 0.0), (26, 0.0))
    assert [(c.time_ns, c.acts) for c in found] == [(25 * MS + 1, True), (26 * MS, False)]


def test_silence_from_the_start_counts():
    subject = engine(limit(), stale_ms=10)
    assert subject.tick(10 * MS) == []
    assert [c.time_ns for c in subject.tick(20 * MS)] == [10 * MS + 1]


def test_silence_counts_from_the_opening_of_the_link():
    subject = engine(limit(), limit(STALE, set_point=0.02), stale_ms=10)
    subject.source_opened("s", 100 * MS)
    assert subject.tick(110 * MS) == []
    assert [c.time_ns for c in subject.tick(200 * MS)] == [110 * MS + 1, 120 * MS + 1]


def test_a_silence_belongs_to_the_last_row_of_the_source():
    subject = engine(limit(), stale_ms=10)
    feed(subject, (1, 0.0), (2, 0.0), (3, 0.0))
    assert [c.row for c in subject.tick(100 * MS)] == [3]


def test_silence_does_not_raise_a_caution():
    subject = engine(limit(severity=CAUTION), stale_ms=10)
    assert changes(feed(subject, (5, 0.0))) == []
    assert subject.tick(1000 * MS) == []


def test_a_stale_limit_counts_good_samples_only():
    subject = engine(limit(STALE, set_point=0.01), stale_ms=1000)
    found = feed(subject, (5, 1.0), (10, NAN), (15, NAN), (20, 1.0))
    assert [(c.time_ns, c.acts) for c in found] == [(15 * MS + 1, True), (20 * MS, False)]


def test_a_stale_caution_raises():
    subject = engine(limit(STALE, CAUTION, set_point=0.01), stale_ms=1000)
    feed(subject, (5, 1.0))
    assert [c.time_ns for c in subject.tick(100 * MS)] == [15 * MS + 1]


def test_a_lost_source_trips_at_once_and_stays_missing_until_a_row():
    subject = engine(limit(), limit(STALE, set_point=0.5), limit(severity=CAUTION), limit(on=2))
    feed(subject, (1, 0.0))
    found = subject.source_lost("s", 3 * MS)
    assert changes(found) == [(3, True), (3, True)]
    assert {c.evidence for c in found} == {Evidence.LOST}
    assert changes(subject.tick(5 * MS)) == [(5, True)]
    assert feed(subject, (6, 0.0)) == []  # rows of a lost source are not looked at
    subject.source_back("s")
    assert subject.tick(7 * MS) == []
    assert changes(feed(subject, (8, 0.0))) == [(8, False)] * 3


def test_latching_holds_until_released():
    subject = engine(limit(latching=True), limit(severity=CAUTION, latching=True))
    feed(subject, (1, 11.0))
    assert subject.release() == ()  # it still acts
    feed(subject, (2, 0.0))
    assert (len(subject.standing), len(subject.latched)) == (0, 2)
    assert [x.severity for x in subject.release(CAUTION)] == [CAUTION]
    assert [x.severity for x in subject.release()] == [TRIP]
    assert subject.latched == ()


def test_changes_come_in_the_order_of_time_then_row():
    a = Limit("a", "c", ABOVE, TRIP, 10.0, on_delay_s=0.002)
    b = Limit("b", "c", ABOVE, TRIP, 10.5)
    found = feed(LimitEngine((a, b), {"s": ("c",)}, {"s": 1.0}, 0), (1, 10.2), (2, 11.0), (3, 11.0))
    assert [(c.limit.name, c.time_ns // MS, c.row) for c in found] == [("b", 2, 2), ("a", 3, 3)]


def test_wrong_calls_change_nothing():
    subject = engine(limit())
    feed(subject, (5, 0.0))
    with pytest.raises(UsageError, match=r"s: a block of the wrong shape \(got \(1, 2\); expected \(1, 1\)\)"):
        subject.feed("s", np.array([6 * MS]), np.array([[11.0, 11.0]]))
    with pytest.raises(UsageError, match="s: arrival times go back"):
        feed(subject, (4, 11.0))
    with pytest.raises(UsageError, match="s: arrival times go back"):
        feed(subject, (7, 11.0), (6, 11.0))
    with pytest.raises(UsageError, match=r"unknown source \(got 'z'; expected one of s\)"):
        subject.feed("z", np.array([7 * MS]), np.array([[11.0]]))
    assert subject.standing == ()
    assert changes(feed(subject, (8, 11.0))) == [(8, True)]


def test_a_limit_on_an_unknown_channel_is_refused():
    with pytest.raises(UsageError, match=r"x: a limit on a channel that no source delivers \(got 'c'\)"):
        LimitEngine((limit(),), {"s": ("d",)}, {"s": 1.0}, 0)


def test_an_empty_block_is_nothing():
    assert engine(limit()).feed("s", np.empty(0, dtype=np.int64), np.empty((0, 1))) == []
