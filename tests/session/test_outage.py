"""Counting an outage by the counter of the device, and links that are opened aside.

Exact: the true number of rows is made first, the counter from it.
"""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.errors import LinkError
from benchkit.session.opening import Opening
from benchkit.session.outage import missing_over
from benchkit.sources.contract import Polled


@given(
    last=st.integers(0, 10**9),
    missing=st.integers(0, 10**6),
    modulus=st.sampled_from([256, 65536, 2**32]),
    rate_hz=st.sampled_from([1.0, 1000.0, 20_000.0]),
    late=st.floats(-0.2, 0.2),
)
def test_the_true_number_is_found_over_any_number_of_turns(
    last: int, missing: int, modulus: int, rate_hz: float, late: float
) -> None:
    """The last and the first row may have waited, together up to a fifth of a turn."""
    outage_s = max(0.0, (missing + late * modulus) / rate_hz)
    assert missing_over(last % modulus, (last + missing + 1) % modulus, modulus, outage_s, rate_hz) == missing


@given(missing=st.integers(0, 10**5), off=st.floats(0.3, 0.7))
def test_a_number_that_does_not_go_with_the_time_is_not_given(missing: int, off: float) -> None:
    assert missing_over(0, (missing + 1) % 1000, 1000, (missing + off * 1000) / 100.0, 100.0) is None


class Slow:
    """A source that opens when it is let, or fails to."""

    name = "far"
    columns = ("a",)
    is_finished = False

    def __init__(self, *, fails: bool = False) -> None:
        self.gate = threading.Event()
        self.fails = fails
        self.is_open = False
        self.closed = 0

    def open(self) -> None:
        self.gate.wait(10.0)
        if self.fails:
            raise LinkError("nobody answers", where="far")
        self.is_open = True

    def poll(self, timeout_s: float) -> Polled | None:
        return None

    def send(self, command: str) -> None:
        """Takes anything."""

    def close(self) -> None:
        self.is_open = False
        self.closed += 1


def test_an_opening_does_not_hold_its_caller_and_hands_on_its_error() -> None:
    source = Slow(fails=True)
    opening = Opening(source)
    assert not opening.is_done
    source.gate.set()
    opening.wait(5.0)
    assert opening.is_done
    with pytest.raises(LinkError, match="nobody answers"):
        opening.check()


def test_a_link_that_is_no_longer_wanted_is_closed_when_it_opens_at_last() -> None:
    source = Slow()
    opening = Opening(source)
    opening.give_up()
    assert source.closed == 0
    source.gate.set()
    opening.wait(5.0)
    while source.closed == 0:
        time.sleep(0.001)
    assert not source.is_open


def test_an_open_link_that_is_given_up_is_closed_at_once() -> None:
    source = Slow()
    source.gate.set()
    opening = Opening(source)
    opening.wait(5.0)
    opening.give_up()
    assert source.closed == 1
