"""Rigs of packets and datagrams for the contract suite."""

from __future__ import annotations

import socket
from pathlib import Path

from benchkit.decode.build import decoder_for
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import (
    Framing,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    SerialPacketSource,
    TextFormat,
    UdpSource,
)
from benchkit.sources.clock import HostClock
from benchkit.sources.serial_source import SerialSource
from benchkit.sources.udp import DatagramSource
from tests.decode.contract import Fact, row
from tests.decode.packet_cases import packet, sealed
from tests.sources.contract import FORMAT, Rig, line, pty_link

PACKETS = PacketFormat(
    fields=(
        PacketField("count", NumberType.U16),
        PacketField("t_ms", NumberType.U32),
        PacketField("udc", NumberType.F32),
        PacketField("n", NumberType.F64),
    ),
    framing=Framing.COBS,
    check=PacketCheck.CRC16_MODBUS,
    counter_column="count",
    device_time_column="t_ms",
    device_time_scale_s=1e-3,
)
DATAGRAMS = PacketFormat(
    PACKETS.fields, Framing.DATAGRAM, PacketCheck.NONE, counter_column="count", device_time_column="t_ms",
    device_time_scale_s=1e-3,
)  # fmt: skip
RECORD_HEAD = 6


def packet_fact(number: int) -> Fact:
    return row(number / 4, 1500.5, counter=number, device_time_s=number * 1e-3)


def packet_line(number: int) -> bytes:
    return packet(PACKETS, number, number, number / 4, 1500.5)


def datagram(number: int) -> bytes:
    return packet(DATAGRAMS, number, number, number / 4, 1500.5)[RECORD_HEAD:]


def cobs_rig(tmp_path: Path) -> Rig:
    """Stuffed packets on a pseudo-terminal."""
    name = tmp_path / "port"
    rig = pty_link(name, SerialSource(SerialPacketSource("rack", str(name), 115200, PACKETS, 0.25), HostClock()))
    rig.line, rig.fact = packet_line, packet_fact
    rig.start_cut = BadFrameReason.PARTIAL
    return rig


def udp_packets_rig(tmp_path: Path) -> Rig:
    """A device that sends a packet a datagram."""
    spec = UdpSource("rack", "127.0.0.1:0", DATAGRAMS, 0.25)
    hello = sealed(DATAGRAMS, b">hello")[RECORD_HEAD:]
    rig = _udp_rig(spec, hello, len(datagram(0)))
    rig.line, rig.fact = datagram, packet_fact
    return rig


def udp_text_rig(tmp_path: Path) -> Rig:
    """A device that sends some text lines a datagram."""
    return _udp_rig(UdpSource("rack", "127.0.0.1:0", FORMAT, 0.25), b">hello", 10 * len(line(0)))


def _udp_rig(spec: UdpSource, hello: bytes, size: int) -> Rig:
    """Loopback. What is put goes out in datagrams of ``size`` bytes, or as many whole lines as fit in."""
    source = DatagramSource(spec, HostClock())
    device = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    device.settimeout(10.0)

    def send(data: bytes) -> None:
        host, port = source.device.rsplit(":", 1)
        device.sendto(data, (host, int(port)))

    def ready() -> None:
        send(hello)
        assert source.poll(5.0) is not None

    def put(data: bytes) -> None:
        at = 0
        while at < len(data):
            end = min(at + size, len(data))
            if isinstance(spec.format, TextFormat):
                end = data.rindex(b"\n", at, end) + 1
            send(data[at:end])
            at = end

    def got(count: int) -> bytes:
        data = device.recv(65535)
        assert len(data) == count
        return data

    return Rig(source, ready=ready, put=put, got=got, stop=device.close, decode_again=lambda: decoder_for(spec))
