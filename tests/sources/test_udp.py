"""What is particular to datagrams, over real sockets on loopback."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from itertools import pairwise

import pytest

from benchkit.decode.build import decoder_for
from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrameReason, Gap, Rows
from benchkit.model.sources import UdpSource
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock, ManualClock
from benchkit.sources.udp import DatagramSource
from tests.decode.contract import decode, facts
from tests.sources.contract import FORMAT, all_facts, collect, fact, line
from tests.sources.packet_rigs import DATAGRAMS, datagram, packet_fact


def spec(port: str = "127.0.0.1:0") -> UdpSource:
    return UdpSource("rack", port, DATAGRAMS, 0.25)


@pytest.fixture
def device() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.settimeout(10.0)
        yield one


@pytest.fixture
def source() -> Iterator[DatagramSource]:
    one = DatagramSource(spec(), HostClock())
    one.open()
    yield one
    one.close()


def address(source: DatagramSource) -> tuple[str, int]:
    host, port = source.device.rsplit(":", 1)
    return host, int(port)


def test_lost_and_late_datagrams_are_seen(device: socket.socket, source: DatagramSource) -> None:
    for number in (0, 1, 5, 4, 6):
        device.sendto(datagram(number), address(source))
    found = all_facts(collect(source, 5))
    assert found == [
        packet_fact(0),
        packet_fact(1),
        ("gap", 3, 3),
        packet_fact(5),
        ("gap", None, 4),
        packet_fact(4),
        ("gap", 1, 5),
        packet_fact(6),
    ]


def test_cut_datagram_is_no_row(device: socket.socket, source: DatagramSource) -> None:
    for data in (datagram(0), datagram(1)[:-1], datagram(2)):
        device.sendto(data, address(source))
    assert all_facts(collect(source, 2)) == [
        packet_fact(0),
        ("bad", BadFrameReason.LENGTH, datagram(1)[:-1], 2),
        ("gap", 1, 3),
        packet_fact(2),
    ]


class SteppingClock(ManualClock):
    """Every look at the clock takes a millisecond."""

    def now_ns(self) -> int:
        self.advance(0.001)
        return super().now_ns()


def test_each_datagram_has_its_own_arrival(device: socket.socket) -> None:
    source = DatagramSource(spec(), SteppingClock())
    source.open()
    for number in range(8):
        device.sendto(datagram(number), address(source))
    polled = collect(source, 8)
    source.close()
    rows = [event for one in polled for event in one.events if isinstance(event, Rows)]
    arrivals = [int(t) for block in rows for t in block.arrival_ns]
    # Exact: the clock is read once a datagram.
    assert [b - a for a, b in pairwise(arrivals)] == [1_000_000] * 7
    # The bytes handed out give the same rows with the same arrivals again.
    again = decoder_for(spec())
    for one in polled:
        again.feed(one.data, one.arrival_ns)
    event = again.next_event()
    assert isinstance(event, Rows)
    assert event.arrival_ns.tolist() == arrivals[: len(event)]
    assert facts([event])[0] == packet_fact(0)


def test_lines_over_several_datagrams(device: socket.socket) -> None:
    source = DatagramSource(UdpSource("rack", "127.0.0.1:0", FORMAT, 0.25), HostClock())
    source.open()
    for data in (line(0) + line(1)[:-1], line(2), line(3)[:9], line(4)):
        device.sendto(data, address(source))
    found = all_facts(collect(source, 4))
    source.close()
    # The end of a datagram ends a line, with LF or without; a line is never put together from two.
    assert found[:4] == [fact(0), fact(1), fact(2), ("bad", BadFrameReason.CHECKSUM, line(3)[:9], 4)]
    assert found[-1] == fact(4)


def test_commands_go_to_the_last_sender(device: socket.socket, source: DatagramSource) -> None:
    with pytest.raises(LinkError, match=r"sources\.rack: no datagram has come to .*\. Check that the device is on"):
        source.send("stop ramp")
    assert source.is_open
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.sendto(datagram(0), address(source))
        collect(source, 1)
        device.sendto(datagram(1), address(source))
        collect(source, 1)
    source.send("stop ramp")
    assert device.recv(100) == b"stop ramp\n"


@pytest.mark.skipif(not hasattr(socket, "SO_REUSEPORT"), reason="a second loopback address is not sure on Windows")
def test_second_host_is_told_once(device: socket.socket) -> None:
    source = DatagramSource(spec("0.0.0.0:0"), HostClock())
    source.open()
    port = address(source)[1]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        try:
            other.bind(("127.0.0.2", 0))
        except OSError:
            source.close()
            pytest.skip("this computer has one loopback address")
        for sender in (device, other, device, other):
            sender.sendto(datagram(0), ("127.0.0.1", port))
        polled = collect(source, 4)
    source.close()
    gaps = [event.cause for one in polled for event in one.events if isinstance(event, Gap)]
    assert [cause for cause in gaps if "datagrams come from" in cause] == [
        "datagrams come from 127.0.0.2 too, not only from 127.0.0.1"
    ]


def test_opening_again_begins_with_a_gap(device: socket.socket, source: DatagramSource) -> None:
    source.close()
    source.open()
    device.sendto(datagram(9), address(source))
    assert all_facts(collect(source, 1)) == [("gap", None, 0), packet_fact(9)]


def test_address_in_use(source: DatagramSource) -> None:
    second = build_source(spec(), HostClock(), source.device)
    with pytest.raises(LinkError, match=r"sources\.rack: '127\.0\.0\.1:\d+' is in use by another program"):
        second.open()


def test_address_of_another_computer() -> None:
    # 192.0.2.0/24 is set aside for documentation (RFC 5737): no computer has it.
    with pytest.raises(LinkError, match=r"cannot listen at '192\.0\.2\.1:5005'.*Name an address of this computer"):
        DatagramSource(spec("192.0.2.1:5005"), HostClock()).open()


@pytest.mark.parametrize("port", ["5005", "127.0.0.1", "127.0.0.1:", ":5005", "127.0.0.1:70000", "127.0.0.1:5x"])
def test_no_address(port: str) -> None:
    with pytest.raises(UsageError, match=r"sources\.rack\.port: not an address to listen at.*host:port"):
        DatagramSource(spec(port), HostClock())


def test_ipv6() -> None:
    source = DatagramSource(spec("[::1]:0"), HostClock())
    try:
        source.open()
    except LinkError:
        pytest.skip("this computer has no IPv6")
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as device:
        port = int(source.device.rsplit(":", 1)[1])
        assert source.device == f"[::1]:{port}"
        device.sendto(datagram(0), ("::1", port))
        assert all_facts(collect(source, 1)) == [packet_fact(0)]
    source.close()


def test_bytes_of_a_poll_stand_for_themselves(device: socket.socket, source: DatagramSource) -> None:
    for number in range(20):
        device.sendto(datagram(number), address(source))
    data = b"".join(one.data for one in collect(source, 20))
    assert facts(decode(decoder_for(spec()), [data])) == [packet_fact(i) for i in range(20)]
