"""Every source keeps the contract of ``benchkit.sources.contract``."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrameReason
from benchkit.sources.clock import HostClock
from tests.decode.contract import decode, facts
from tests.sources.can_rigs import can_slcan_rig, can_virtual_rig
from tests.sources.contract import (
    Rig,
    all_facts,
    collect,
    csv_rig,
    joined,
    loop_rig,
    poll_until_lost,
    pty_rig,
    replay_rig,
    send_until_lost,
    tail_rig,
    tcp_rig,
)
from tests.sources.packet_rigs import cobs_rig, udp_packets_rig, udp_text_rig
from tests.sources.polled_rigs import modbus_rtu_rig, modbus_tcp_rig, scpi_pty_rig, scpi_tcp_rig

needs_pty = pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals")
RIGS = [
    pytest.param(pty_rig, id="pty", marks=needs_pty),
    pytest.param(tcp_rig, id="tcp"),
    pytest.param(cobs_rig, id="cobs", marks=needs_pty),
    pytest.param(loop_rig, id="loop"),
    pytest.param(csv_rig, id="csv"),
    pytest.param(replay_rig, id="replay"),
    pytest.param(tail_rig, id="csv_tail"),
]
POLLED = [
    pytest.param(udp_packets_rig, id="udp_packets"),
    pytest.param(udp_text_rig, id="udp_text"),
    pytest.param(can_virtual_rig, id="can_virtual"),
    pytest.param(can_slcan_rig, id="can_slcan", marks=needs_pty),
    pytest.param(modbus_rtu_rig, id="modbus_rtu", marks=needs_pty),
    pytest.param(modbus_tcp_rig, id="modbus_tcp"),
    pytest.param(scpi_pty_rig, id="scpi_pty", marks=needs_pty),
    pytest.param(scpi_tcp_rig, id="scpi_tcp"),
]
LINKS = RIGS[:3]


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    make: Callable[[Path], Rig] = request.param
    rig = make(tmp_path)
    yield rig
    rig.source.close()
    rig.stop()


each = pytest.mark.parametrize("rig", RIGS + POLLED, indirect=True)
each_that_can_be_silent = pytest.mark.parametrize("rig", RIGS, indirect=True)
each_link = pytest.mark.parametrize("rig", LINKS, indirect=True)


def start(rig: Rig, count: int = 500) -> int:
    """Open, and put rows where they do not come by themselves. Return how many rows will come."""
    rig.source.open()
    rig.ready()
    if rig.put is not None:
        # Less than what a pseudo-terminal or the loop takes in at once.
        count = min(count, 60)
        rig.put(b"".join(rig.line(i) for i in range(count)))
        return count
    return rig.first_rows


@each
def test_before_opening(rig: Rig) -> None:
    assert not rig.source.is_open
    assert not rig.source.is_finished
    assert rig.source.columns == ("udc", "n")
    assert rig.source.name
    with pytest.raises(LinkError, match="is not open"):
        rig.source.poll(0.0)


@each
def test_rows_come_through(rig: Rig) -> None:
    count = start(rig)
    assert rig.source.is_open
    found = rig.facts(collect(rig.source, count))
    assert found == [rig.fact(i) for i in range(count)]


@each
def test_bytes_come_through(rig: Rig) -> None:
    count = start(rig)
    data = b"".join(polled.data for polled in collect(rig.source, count))
    if rig.decode_again is not None:
        again = facts(decode(rig.decode_again(), [data]))
        assert [one for one in again if one[0] == "row"] == [rig.fact(i) for i in range(count)]
        return
    names = b"" if rig.put is not None else b"count,t_ms,udc,n\n"
    assert data == (names + b"".join(rig.line(i) for i in range(count)) if rig.has_bytes else b"")


@each
def test_arrival_is_host_time(rig: Rig) -> None:
    clock = HostClock()
    before = clock.now_ns()
    polled = collect(rig.source, start(rig))
    after = clock.now_ns()
    arrivals = joined(polled).arrival_ns
    assert before <= arrivals[0]
    assert (arrivals[1:] >= arrivals[:-1]).all()
    assert arrivals[-1] <= polled[-1].arrival_ns <= after


@each
def test_opening_twice_changes_nothing(rig: Rig) -> None:
    count = start(rig)
    rig.source.open()
    assert rig.facts(collect(rig.source, count)) == [rig.fact(i) for i in range(count)]


@each_that_can_be_silent
def test_nothing_there(rig: Rig) -> None:
    collect(rig.source, start(rig))
    for _ in range(3):
        assert rig.source.poll(0.001) is None
    assert rig.source.is_finished == (rig.put is None)


@each
def test_closed(rig: Rig) -> None:
    start(rig)
    rig.source.close()
    rig.source.close()
    assert not rig.source.is_open
    with pytest.raises(LinkError, match="is not open"):
        rig.source.poll(0.0)
    if rig.put is not None or rig.decode_again is not None:
        with pytest.raises(LinkError, match="is not open"):
            rig.source.send(rig.command)


@each_link
def test_line_cut_by_closing_is_told(rig: Rig) -> None:
    assert rig.put is not None
    rig.source.open()
    rig.ready()
    rig.put(rig.line(0) + rig.line(1)[:10])
    collect(rig.source, 1)
    rig.source.close()
    polled = rig.source.poll(0.0)
    assert polled is not None
    assert all_facts([polled]) == [("bad", BadFrameReason.PARTIAL, rig.line(1)[:10], 2)]
    with pytest.raises(LinkError, match="is not open"):
        rig.source.poll(0.0)


@each
def test_commands(rig: Rig) -> None:
    start(rig, 0)
    if (rig.put is None and rig.decode_again is None) or not rig.takes_commands:
        with pytest.raises(UsageError, match="takes no commands"):
            rig.source.send("set speed 2500")
        return
    rig.source.send(rig.command)
    if rig.got is not None:
        assert rig.got(15) == b"set speed 2500\n"
    for text in ("", "stop\nstart", "stop \u00b5", "stop\r"):
        with pytest.raises(UsageError, match="a command is one line of ASCII text"):
            rig.source.send(text)


@each_link
def test_cable_out_in_the_middle_of_a_line(rig: Rig) -> None:
    assert rig.put is not None
    assert rig.cut is not None
    assert rig.mend is not None
    rig.source.open()
    rig.ready()
    rig.put(rig.line(0) + rig.line(1) + rig.line(2)[:14])
    before = collect(rig.source, 2)
    rig.cut()
    with pytest.raises(LinkError, match=r"sources\.rack: link to .* is lost: .*\. Check cable and power"):
        poll_until_lost(rig.source, before)
    assert all_facts(before) == [rig.fact(0), rig.fact(1), ("bad", BadFrameReason.PARTIAL, rig.line(2)[:14], 3)]
    assert not rig.source.is_open
    assert not rig.source.is_finished
    for _ in range(2):
        with pytest.raises(LinkError, match="is lost"):
            rig.source.poll(0.0)
        with pytest.raises(LinkError, match="is lost"):
            rig.source.send("stop ramp")
    with pytest.raises(LinkError, match=r"there is no port|cannot connect"):
        rig.source.open()

    rig.mend()
    rig.source.open()
    rig.ready()
    # What comes first is the rest of a line whose start went nowhere: never a sample.
    rig.put(rig.line(7)[5:] + rig.line(8))
    after = all_facts(collect(rig.source, 1))
    assert after == [("gap", None, 0), ("bad", rig.start_cut, rig.line(7)[5:-1], 1), rig.fact(8)]


@each_link
def test_rows_before_the_cut_are_not_lost(rig: Rig) -> None:
    assert rig.cut is not None
    count = start(rig)
    polled = rig.source.poll(1.0)
    assert polled is not None
    rig.cut()
    found = [polled]
    with pytest.raises(LinkError, match="is lost"):
        poll_until_lost(rig.source, found)
    kept = [f for f in all_facts(found) if f[0] == "row"]
    assert kept == [rig.fact(i) for i in range(len(kept))]
    assert 0 < len(kept) <= count


@each_link
def test_command_into_a_cut_link(rig: Rig) -> None:
    assert rig.cut is not None
    start(rig, 1)
    collect(rig.source, 1)
    rig.cut()
    with pytest.raises(LinkError, match="is lost"):
        send_until_lost(rig.source, 100)
    assert not rig.source.is_open
    with pytest.raises(LinkError, match="is lost"):
        rig.source.poll(0.0)
