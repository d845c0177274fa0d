"""Where the packets of a burst source arrive: a UDP socket that is read as quickly as it fills."""

from __future__ import annotations

import contextlib
import select
import socket

from benchkit.sources.clock import Clock
from benchkit.sources.udp import address_of, not_opened

_LONGEST = 65535
_MOST_AT_ONCE = 512
_BUFFER_BYTES = 1 << 26
"""Asked of the system, which gives what it allows: at 1 MS/s of 8 channels 4 MB are a quarter of a second."""


class BurstListener:
    """An open socket for one burst source.

    Raises:
        UsageError: not an address.
        LinkError: the address is in use, or not one of this computer.
    """

    def __init__(self, name: str, port: str, clock: Clock) -> None:
        where = f"bursts.{name}"
        host, number = address_of(port, where)
        self._clock = clock
        self._socket = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.bind((host, number))
        except OSError as error:
            self._socket.close()
            raise not_opened(error, port, where) from error
        self._socket.setblocking(False)
        for size in (_BUFFER_BYTES, _BUFFER_BYTES >> 2, _BUFFER_BYTES >> 4):
            with contextlib.suppress(OSError):
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, size)
                break

    @property
    def address(self) -> str:
        """``host:port`` in use."""
        host, port = self._socket.getsockname()[:2]
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"

    def receive(self, timeout_s: float) -> list[tuple[bytes, int]]:
        """Datagrams that are there, each with its arrival [ns], after waiting for the first at most ``timeout_s``."""
        found: list[tuple[bytes, int]] = []
        if not select.select([self._socket], [], [], timeout_s)[0]:
            return found
        while len(found) < _MOST_AT_ONCE:
            try:
                datagram = self._socket.recv(_LONGEST)
            except (BlockingIOError, ConnectionResetError):
                break
            found.append((datagram, self._clock.now_ns()))
        return found

    def close(self) -> None:
        """Listen no more."""
        self._socket.close()


def free_udp_address() -> str:
    """``host:port`` of this computer where nobody listens now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return f"127.0.0.1:{probe.getsockname()[1]}"
