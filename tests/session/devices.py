"""Devices on real links for tests with several sources: a pseudo-terminal whose cable can be pulled, TCP, UDP.

Every row says what it must be: with the counter ``n`` it carries the device time ``n / rate`` and the value ``n mod
1000``. So a row that was invented, repeated or mixed up is seen. A device goes on counting while nobody listens. Run as
a program, with the kind and the rate of each device as arguments, it serves them until its input ends.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import sys
import threading
import time
import tty
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from zlib import crc32

from benchkit.model.calibration import Calibration
from benchkit.model.sources import Checksum, SerialTextSource, TextFormat
from benchkit.model.sources import Source as SourceSpec
from benchkit.model.stand import Channel, Stand
from benchkit.units import Quantity

MODULUS = 65536
TEXT_WRAP_MS = 2**20
TEXT = TextFormat(
    columns=("count", "t_ms", "load"),
    checksum=Checksum.XOR8,
    counter_column="count",
    counter_modulus=MODULUS,
    device_time_column="t_ms",
)
WRAPPING_TEXT = replace(TEXT, checksum=Checksum.CRC32, device_time_modulus=TEXT_WRAP_MS)
Write = Callable[[bytes], bool]


def text_line(n: int, rate_hz: float) -> bytes:
    """Row ``n`` as a line with its check value."""
    body = f"{n % MODULUS},{n / rate_hz * 1000.0:.3f},{n % 1000}".encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"%s*%02X\n" % (body, check)


def wrapping_line(n: int, rate_hz: float) -> bytes:
    """Row ``n`` as a line with CRC-32, its device time starting at zero again after ``TEXT_WRAP_MS``."""
    body = f"{n % MODULUS},{round(n / rate_hz * 1000.0) % TEXT_WRAP_MS},{n % 1000}".encode()
    return b"%s*%08X\n" % (body, crc32(body))


def packet(n: int, rate_hz: float) -> bytes:
    """Row ``n`` as a packet: sync, length, u32 counter, u32 device time in us, f32 value, CRC-32."""
    body = struct.pack("<BBBIIf", 0xA5, 0x5A, 12, n % 2**32, round(n / rate_hz * 1e6) % 2**32, n % 1000)
    return body + struct.pack("<I", crc32(body))


def stuffed(n: int, rate_hz: float) -> bytes:
    """Row ``n`` as a packet without zeros, ended by one: u16 counter, u32 device time in us, f32 value, CRC-32.

    For fewer than 254 bytes the rule is short: each zero becomes the way to the next one.
    """
    body = struct.pack("<HIf", n % MODULUS, round(n / rate_hz * 1e6) % 2**32, n % 1000)
    body += struct.pack("<I", crc32(body))
    return b"".join(bytes([len(part) + 1]) + part for part in body.split(b"\0")) + b"\0"


def datagram(n: int, rate_hz: float) -> bytes:
    """Row ``n`` as a datagram: as the packet, without sync and length."""
    body = struct.pack("<IIf", n % 2**32, round(n / rate_hz * 1e6) % 2**32, n % 1000)
    return body + struct.pack("<I", crc32(body))


class Device(threading.Thread):
    """Counts at its rate from the start on, and hands each row to ``write``. ``sent`` is the number of rows so far."""

    def __init__(self, rate_hz: float, frame: Callable[[int, float], bytes], write: Write) -> None:
        super().__init__(daemon=True)
        self.rate_hz, self.frame, self.write = rate_hz, frame, write
        self.sent = 0
        self.dropped = 0
        self._over = threading.Event()

    def run(self) -> None:
        """Send until ``end``."""
        start = time.perf_counter()
        while not self._over.wait(min(0.002, 1.0 / self.rate_hz)):
            due = int((time.perf_counter() - start) * self.rate_hz)
            for n in range(self.sent, due):
                if not self.write(self.frame(n, self.rate_hz)):
                    self.dropped += 1
            self.sent = max(self.sent, due)

    def end(self) -> None:
        """Stop, and wait for it."""
        self._over.set()
        self.join()


class Cable:
    """A pseudo-terminal under a name that stays, as a port found again by its serial number does."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self._lock = threading.Lock()
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        """Put the cable in."""
        own, other = os.openpty()
        tty.setraw(other)
        os.set_blocking(own, False)
        part = self.name.with_name(self.name.name + ".part")
        part.symlink_to(os.ttyname(other))
        with self._lock:
            self._ends = (own, other)
        part.replace(self.name)

    def pull(self) -> None:
        """Take the cable out, in the middle of whatever is going over it."""
        self.name.unlink()
        with self._lock:
            assert self._ends is not None
            for end in self._ends:
                os.close(end)
            self._ends = None

    def write(self, data: bytes) -> bool:
        """Send; False when the cable is out or the buffer of the port is full."""
        with self._lock:
            if self._ends is None:
                return False
            with contextlib.suppress(BlockingIOError):
                return os.write(self._ends[0], data) == len(data)
            return False


class TcpServer:
    """Sends to whoever is connected last; others wait."""

    def __init__(self, port: int = 0) -> None:
        self._listening = socket.create_server(("127.0.0.1", port))
        self._listening.setblocking(False)
        self._peer: socket.socket | None = None
        self.address = f"socket://127.0.0.1:{self._listening.getsockname()[1]}"

    def write(self, data: bytes) -> bool:
        """Send; False when nobody is connected."""
        with contextlib.suppress(BlockingIOError):
            self._peer, _ = self._listening.accept()
            self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._peer is None:
            return False
        try:
            self._peer.sendall(data)
        except OSError:
            self._peer.close()
            self._peer = None
            return False
        return True

    def close(self) -> None:
        """Close both sockets."""
        for each in (self._peer, self._listening):
            if each is not None:
                each.close()


class UdpSender:
    """Sends datagrams to one address."""

    def __init__(self, to: tuple[str, int]) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._to = to

    def write(self, data: bytes) -> bool:
        """Send one datagram."""
        try:
            self._socket.sendto(data, self._to)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


def text_source(name: str, port: str, stale_after_s: float = 0.5) -> SerialTextSource:
    """A source that reads ``text_line``."""
    return SerialTextSource(name, port, 921_600, TEXT, stale_after_s)


def stand_of(airboat: Stand, specs: list[SourceSpec]) -> Stand:
    """A stand of these sources, one channel each, without limits."""
    sources: Mapping[str, SourceSpec] = {spec.name: spec for spec in specs}
    channels = {
        f"{name}_load": Channel(f"{name}_load", name, Quantity.FORCE, name, "load", -1e6, 1e6, Calibration())
        for name in sources
    }
    stops = {
        name: replace(action, steps=tuple(replace(step, source=specs[0].name) for step in action.steps))
        for name, action in airboat.stop_actions.items()
    }
    limits = replace(airboat.limit_set, limits=())
    return replace(
        airboat, sources=sources, channels=channels, roles={}, limit_set=limits, stop_actions=stops, propeller=None
    )


def serve(arguments: list[str]) -> None:
    """``KIND:RATE[:PORT]`` for each device; prints one address a line, serves until its input ends."""
    devices, cables = [], []
    for argument in arguments:
        kind, rate, *where = argument.split(":")
        if kind in {"text", "packets"}:
            cable = Cable(Path(where[0]))
            cable.plug()
            cables.append(cable)
            write: Write = cable.write
            address = str(cable.name)
        elif kind == "tcp":
            server = TcpServer()
            write, address = server.write, server.address
        else:
            write, address = UdpSender(("127.0.0.1", int(where[0]))).write, f"127.0.0.1:{where[0]}"
        frame = {"text": text_line, "tcp": text_line, "packets": packet, "udp": datagram}[kind]
        devices.append(Device(float(rate), frame, write))
        print(address, flush=True)
    for device in devices:
        device.start()
    while select.select([sys.stdin], [], [], 1.0)[0] == []:
        pass
    for device in devices:
        device.end()
    print(*(device.dropped for device in devices), flush=True)


if __name__ == "__main__":
    serve(sys.argv[1:])
