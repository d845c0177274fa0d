"""A TCP connection as plain bytes, with the same few calls as a serial port, and opened within a given time."""

from __future__ import annotations

import contextlib
import select
import socket
from urllib.parse import urlsplit

from benchkit.errors import LinkError, UsageError

_READ_BYTES = 65536
_WRITE_TIMEOUT_S = 0.2


class TcpLink:
    """An open connection to ``address``, such as ``tcp://192.0.2.7:502``; ``default_port`` where it names none.

    Raises:
        LinkError: nobody answers there within ``timeout_s``.
        UsageError: the address is none.
    """

    def __init__(self, address: str, timeout_s: float, where: str, default_port: int | None = None) -> None:
        host, port = host_and_port(address, where, default_port)
        try:
            self._socket = socket.create_connection((host, port), timeout=timeout_s)
        except OSError as error:
            raise LinkError(
                f"cannot connect to {address!r}: {error}",
                where=where,
                remedy="Check the address, and that the other end is running and waits for a connection.",
            ) from error
        # A question must go out at once, not wait for more bytes to send with it.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.settimeout(_WRITE_TIMEOUT_S)

    def read(self, timeout_s: float) -> bytes:
        """Wait up to ``timeout_s`` for a byte, then return all that is waiting; empty when nothing came.

        Raises:
            OSError: the link is lost.
        """
        ready, _, _ = select.select([self._socket], [], [], timeout_s)
        if not ready:
            return b""
        data = self._socket.recv(_READ_BYTES)
        if not data:
            raise OSError("the other end has gone")
        return data

    def write(self, data: bytes) -> None:
        """Write all of ``data``.

        Raises:
            OSError: the link is lost or did not take the bytes in time.
        """
        self._socket.sendall(data)

    def close(self) -> None:
        """Close the connection, whatever state it is in."""
        with contextlib.suppress(OSError):
            self._socket.close()


def host_and_port(address: str, where: str, default_port: int | None = None) -> tuple[str, int]:
    """Host and port of ``scheme://host:port``.

    >>> host_and_port("tcp://meter.local", "sources.meter", 502)
    ('meter.local', 502)
    """
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port or default_port
    except ValueError:
        host = port = None
    if not host or not port:
        raise UsageError(
            "no such address", where=where, got=address, expected=f"{address.partition('://')[0]}://HOST:PORT"
        )
    return host, port
