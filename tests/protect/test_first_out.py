"""First-out: exact cases of what can and cannot be told apart."""

from __future__ import annotations

import pytest

from benchkit.protect.first_out import Cause, SampleInterval, add_cause

INTERVAL_NS = {"rack": 100, "pump": 1000, "": 0}


def first_out(*causes):
    known = None
    for cause in causes:
        known = add_cause(known, cause, INTERVAL_NS.__getitem__)
    return known.limits, known.order_resolved


@pytest.mark.parametrize(
    ("second", "resolved"),
    [
        (Cause("b", 500, "rack", 7), False),  # the same row
        (Cause("b", 600, "rack", 7), False),  # before the next row, one interval later
        (Cause("b", 601, "rack", 7), True),  # still before the next row, which does not come: silence
        (Cause("b", 500, "rack", 8), True),  # the next row, although it came in the same piece
        (Cause("b", 1500, "pump", 1), False),  # the slower source tells 1000 ns apart, not less
        (Cause("b", 1501, "pump", 1), True),
        (Cause("b", 100, "pump", 1), False),  # told later, but not later: nobody knows
        (Cause("b", 600), False),  # from outside: the interval of the rack
        (Cause("b", 601), True),
    ],
)
def test_second_cause(second, resolved):
    expected = (("a",), True) if resolved else (("a", "b"), False)
    assert first_out(Cause("a", 500, "rack", 7), second) == expected


def test_the_first_is_kept_and_named_once():
    causes = [Cause("a", 0, "rack", 1), Cause("b", 9000, "rack", 9), Cause("a", 9500, "rack", 10)]
    assert first_out(*causes) == (("a",), True)


def test_a_silent_source_is_one_cause_on_many_limits():
    a, b = (Cause(name, 500, "rack", 7, "rack silent") for name in "ab")
    known = add_cause(add_cause(None, a, INTERVAL_NS.__getitem__), b, INTERVAL_NS.__getitem__)
    assert (known.limits, known.order_resolved, str(known)) == (("a", "b"), True, "rack silent: a, b")
    known = add_cause(known, Cause("c", 550, "rack", 7), INTERVAL_NS.__getitem__)
    assert str(known) == "rack silent: a, b, c (order not resolved)"
    known = add_cause(known, Cause("d", 550, "rack", 7, "rack silent"), INTERVAL_NS.__getitem__)
    assert not known.order_resolved


def test_text():
    one = add_cause(None, Cause("a", 0, "rack", 1), INTERVAL_NS.__getitem__)
    both = add_cause(one, Cause("b", 0, "rack", 1), INTERVAL_NS.__getitem__)
    assert (str(one), str(both)) == ("a", "a, b (order not resolved)")


def test_interval_of_single_rows_is_the_longest_step_of_late():
    interval = SampleInterval()
    assert interval.ns == 0
    for time in (1000, 1100, 1200, 1450, 1500):
        interval.note(time, time, 1)
    assert interval.ns == 250
    for time in range(1600, 1600 + 100 * SampleInterval.BLOCKS, 100):
        interval.note(time, time, 1)
    assert interval.ns == 100  # the long step is forgotten


def test_interval_of_pieces_is_that_of_the_pieces():
    """Sixteen rows at once every 16 ms: arrivals tell 16 ms apart, not 1 ms."""
    interval = SampleInterval()
    for k in range(5):
        interval.note(16_000_000 * k, 16_000_000 * k, 16)
    assert interval.ns == 16_000_000


def test_interval_of_long_blocks_is_that_of_their_rows():
    interval = SampleInterval()
    interval.note(0, 999_000, 1000)  # 999 steps of 1000 ns
    interval.note(1_000_000, 1_999_000, 1000)
    assert interval.ns == 1000


def test_a_declared_interval_counts():
    interval = SampleInterval(0.002)
    interval.note(0, 0, 1)
    interval.note(9_000_000, 9_000_000, 1)
    assert interval.ns == 2_000_000
