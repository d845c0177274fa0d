"""Clocks: one that runs, one that is moved by hand."""

from __future__ import annotations

from datetime import UTC, timedelta

from benchkit.sources.clock import HostClock, ManualClock


def test_host_clock_never_goes_back_and_sleeps() -> None:
    clock = HostClock()
    before = clock.now_ns()
    clock.sleep(0.001)
    clock.sleep(0.0)
    clock.sleep(-1.0)
    # sleeps at least as long as asked: guaranteed by the language for Python 3.5 and newer
    assert clock.now_ns() - before >= 1_000_000
    assert clock.utc_now().tzinfo is UTC


def test_manual_clock_moves_only_when_told() -> None:
    clock = ManualClock(start_ns=5)
    utc = clock.utc_now()
    clock.sleep(-1.0)
    assert clock.now_ns() == 5
    clock.sleep(0.25)
    clock.advance(0.75)
    assert clock.now_ns() == 1_000_000_005
    assert clock.utc_now() - utc == timedelta(seconds=1)
