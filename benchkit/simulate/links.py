"""The two ends a simulated stand can talk through: a pty, or a TCP server for one client. Neither ever waits.

What does not fit is not sent: a device does not stop measuring because nobody reads. The oldest lines that wait are
dropped, and always whole, so a late reader sees a jump of the counter, never half a line, and then fresh data.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
from collections import deque
from typing import Protocol

from benchkit.errors import LinkError, UsageError

PENDING_BYTES = 16_384
"""What may wait inside the device: about 90 lines of 180 bytes, as the send buffer of an adapter."""
PENDING_REPLIES = 200
"""Answers that may wait: far more than anyone asks at once, and yet bounded."""


class Link(Protocol):
    """One end, non-blocking."""

    @property
    def address(self) -> str:
        """What the client opens: a device path or a ``socket://`` URL."""
        ...

    def read(self) -> bytes:
        """What has come, or nothing."""
        ...

    def write(self, data: bytes) -> int:
        """Send the beginning of ``data`` as far as it fits; return how many bytes went."""
        ...

    def close(self) -> None:
        """Give the end back."""
        ...


class Outbox:
    """Lines that wait for a link, bounded; ``dropped`` counts the data lines that did not fit."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._started = b""  # rest of what has partly gone; it must go before anything else
        self._replies: deque[bytes] = deque(maxlen=PENDING_REPLIES)
        self._lines: deque[bytes] = deque()
        self._size = 0
        self.dropped = 0

    def put(self, line: bytes) -> None:
        """Queue a data line; drop the oldest where there is no room."""
        if not line:
            return
        self._lines.append(line)
        self._size += len(line)
        while self._size > PENDING_BYTES:
            self._size -= len(self._lines.popleft())
            self.dropped += 1

    def put_reply(self, reply: bytes) -> None:
        """Queue an answer: it goes before the lines that wait and is not dropped for them."""
        if reply:
            self._replies.append(reply)

    def flush(self) -> None:
        """Send what the link takes."""
        data = b"".join((self._started, *self._replies, *self._lines))
        if not data:
            return
        sent = self._link.write(data)
        if sent == len(data):
            self._started = b""
            self._replies.clear()
            self._lines.clear()
            self._size = 0
            return
        while sent:
            part = self._started or self._next()
            self._started = part[sent:]
            sent -= min(sent, len(part))

    def _next(self) -> bytes:
        if self._replies:
            return self._replies.popleft()
        line = self._lines.popleft()
        self._size -= len(line)
        return line


if sys.platform != "win32":
    import tty

    class PtyLink:
        """Master of a pseudo terminal in raw mode. The other end stays open here, so that a client may come and go."""

        def __init__(self) -> None:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self._address = os.ttyname(self._slave)

        @property
        def address(self) -> str:
            return self._address

        def read(self) -> bytes:
            try:
                return os.read(self._master, 4096)
            except BlockingIOError:
                return b""

        def write(self, data: bytes) -> int:
            try:
                return os.write(self._master, data)
            except BlockingIOError:
                return 0

        def close(self) -> None:
            os.close(self._slave)
            os.close(self._master)


class TcpLink:
    """TCP server for one client at a time; a second one is turned away, the next may come when the first has gone."""

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        try:
            self._server = socket.create_server((host, port))
        except OSError as error:
            raise LinkError(
                f"cannot listen: {error}",
                where=f"{host}:{port}",
                remedy="Take another port, or 0 for any free one.",
            ) from error
        self._server.setblocking(False)
        self._client: socket.socket | None = None
        self._host, self._port = self._server.getsockname()[:2]

    @property
    def address(self) -> str:
        return f"socket://{self._host}:{self._port}"

    def read(self) -> bytes:
        self._accept()
        if self._client is None:
            return b""
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def write(self, data: bytes) -> int:
        if self._client is None:
            return len(data)  # nobody listens: it goes where the bytes of an open port go
        try:
            return self._client.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._drop()
            return len(data)

    def close(self) -> None:
        self._drop()
        self._server.close()

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            client, _ = self._server.accept()
            if self._client is not None:
                client.close()
                return
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def open_link(endpoint: str | None) -> Link:
    """Open ``"pty"``, ``"HOST:PORT"`` (port 0: any free one), or with None whichever the platform has, pty first.

    Raises:
        UsageError: the endpoint is not understood, or there is no pty here.
        LinkError: the port cannot be opened.
    """
    if endpoint is None:
        endpoint = "127.0.0.1:0" if sys.platform == "win32" else "pty"
    if endpoint == "pty":
        if sys.platform != "win32":
            return PtyLink()
        else:  # noqa: RET505  the type checker reads the branch, not the return
            raise UsageError("there is no pty on this platform", remedy="Use a TCP endpoint such as 127.0.0.1:5025.")
    host, colon, port = endpoint.rpartition(":")
    if not colon or not host or not port.isdecimal() or int(port) > 65_535:
        raise UsageError("not an endpoint", got=endpoint, expected="pty or HOST:PORT", remedy="Example: 127.0.0.1:5025")
    return TcpLink(host, int(port))
