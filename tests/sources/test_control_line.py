"""A control line as an output, on a port server of pyserial that really has the line."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from benchkit.model.heartbeat import ControlLine
from benchkit.sources.clock import HostClock
from benchkit.sources.control_line import LineOutputPort
from tests.sources.port_server import PortServer

PATIENCE_S = 20.0
LONG_NS = 60_000_000_000
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5 itself


@pytest.fixture
def server() -> Iterator[PortServer]:
    server = PortServer()
    yield server
    server.stop()


def until(met: Callable[[], bool]) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < give_up
        time.sleep(0.005)


@pytest.mark.parametrize("line", list(ControlLine))
def test_each_token_turns_the_line_over_once(server: PortServer, line: ControlLine) -> None:
    clock = HostClock()
    output = LineOutputPort(server.url, line, clock, LONG_NS)
    levels = server.port.rts_levels if line is ControlLine.RTS else server.port.dtr_levels
    other = server.port.dtr_levels if line is ControlLine.RTS else server.port.rts_levels
    done: list[int] = []
    try:
        for beat in range(1, 6):
            output.beat(clock.now_ns())
            until(lambda beat=beat: done.extend(output.done()) or len(done) == beat)  # type: ignore[func-returns-value]
        assert levels[-5:] == [True, False, True, False, True]
        assert not any(other[1:])  # the other line stays off from the opening on
        time.sleep(0.1)
        assert len(levels) <= 7  # nothing beats by itself: the openings of both ends, and five beats
        assert done == sorted(done)
        assert output.faults() == []
    finally:
        output.close()


def test_a_token_that_is_old_is_not_made_up_for(server: PortServer) -> None:
    clock = HostClock()
    output = LineOutputPort(server.url, ControlLine.RTS, clock, LONG_NS)
    try:
        output.beat(clock.now_ns())
        until(lambda: len(output.done()) == 1)
        before = len(server.port.rts_levels)
        assert output.beat(clock.now_ns() - LONG_NS - 1)  # as after a stall of the thread
        until(lambda: output._token_ns is None)  # taken, and left out
        output.beat(clock.now_ns())
        until(lambda: len(output.done()) == 1)
        assert len(server.port.rts_levels) == before + 1
    finally:
        output.close()


def test_handing_over_never_waits_and_does_not_pile_up(server: PortServer) -> None:
    clock = HostClock()
    output = LineOutputPort(server.url, ControlLine.RTS, clock, LONG_NS)
    try:
        output.beat(clock.now_ns())
        until(lambda: len(output.done()) == 1)
        server.hears.clear()  # the port server hangs
        before = len(server.port.rts_levels)
        taken = [output.beat(clock.now_ns()) for _ in range(100)]
        assert not all(taken)
        server.hears.set()
        until(lambda: output.beat(clock.now_ns()))
        until(lambda: len(output.done()) >= 1)
        time.sleep(0.1)
        # the one under way, the one that waited, and the last one of this test
        assert len(server.port.rts_levels) - before <= 3
    finally:
        server.hears.set()
        output.close()


def test_a_port_that_is_not_there_is_told_once() -> None:
    clock = HostClock()
    output = LineOutputPort("/dev/no-such-port", ControlLine.DTR, clock, LONG_NS)
    faults: list[str] = []
    try:
        output.beat(clock.now_ns())
        until(lambda: faults.extend(str(f) for f in output.faults()) or len(faults) == 1)  # type: ignore[func-returns-value]
        assert "heartbeat.port: port '/dev/no-such-port'" in faults[0]
        time.sleep(1.2)  # two further attempts
        assert output.faults() == []
        assert output.done() == []
    finally:
        output.close()
