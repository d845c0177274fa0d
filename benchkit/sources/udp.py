"""Datagrams over UDP: each holds one packet or some text lines.

Datagrams may get lost, come twice or come late, and nobody says so: a counter in the packets shows it. The bytes that a
poll hands out are records with length and time of arrival of each datagram (:mod:`benchkit.decode.datagrams`).
"""

from __future__ import annotations

import contextlib
import errno
import select
import socket

from benchkit.decode.build import decoder_for
from benchkit.decode.datagrams import record
from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import Gap
from benchkit.model.sources import UdpSource
from benchkit.sources.clock import Clock
from benchkit.sources.commands import command_line
from benchkit.sources.contract import Polled
from benchkit.sources.link_book import LinkBook

_LONGEST = 65535
_MOST_AT_ONCE = 256
"""Datagrams taken by one poll: other sources have their turn."""
_BUFFER_BYTES = 1 << 22
"""Asked of the system: what comes while the computer is busy must find room, there is no second sending."""
_MOST_SENDERS = 16

Address = tuple[str, int]


class DatagramSource:
    """UDP source (see :class:`benchkit.sources.contract.Source`).

    ``port_override`` takes the place of the ``host:port`` of the profile. Commands go to where the last datagram came
    from.
    """

    is_finished = False

    def __init__(self, spec: UdpSource, clock: Clock, port_override: str | None = None) -> None:
        self._spec, self._clock = spec, clock
        self._where = f"sources.{spec.name}"
        self._wanted = port_override or spec.port
        self._bind_to = address_of(self._wanted, self._where)
        self._decoder = decoder_for(spec)
        self._socket: socket.socket | None = None
        self._sender: Address | None = None
        self._hosts: list[str] = []
        self._book = LinkBook(clock, self._where)

    @property
    def name(self) -> str:
        return self._spec.name

    @property
    def wait_on(self) -> int | None:
        """Descriptor that the recorder can wait on; None while closed."""
        return None if self._socket is None else self._socket.fileno()

    @property
    def columns(self) -> tuple[str, ...]:
        return self._decoder.columns

    @property
    def device(self) -> str:
        """``host:port`` in use."""
        if self._socket is None:
            return self._wanted
        host, port = self._socket.getsockname()[:2]
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"

    @property
    def is_open(self) -> bool:
        return self._socket is not None

    def open(self) -> None:
        """Listen, or listen again.

        Raises:
            LinkError: the address is in use or not one of this computer.
        """
        if self._socket is not None:
            return
        self._socket = self._listen()
        self._sender, self._hosts = None, []
        self._decoder = decoder_for(self._spec)
        self._book.opened(_not_listened)

    def poll(self, timeout_s: float) -> Polled | None:
        """Wait up to ``timeout_s`` for a datagram; return those that are there, or None.

        Raises:
            LinkError: the link is lost or not open.
        """
        waiting = self._book.waiting()
        if waiting is not None:
            return waiting
        if self._socket is None:
            raise self._book.why_closed(repr(self._wanted))
        try:
            received = self._receive(self._socket, timeout_s)
        except OSError as error:
            raise self._lose(error) from error
        if not received:
            return None
        arrival_ns = received[-1][1]
        data = b"".join(record(datagram, arrival_ns - came_ns) for datagram, came_ns in received)
        self._decoder.feed(data, arrival_ns)
        return Polled(data, arrival_ns, self._book.taken() + list(iter(self._decoder.next_event, None)))

    def send(self, command: str) -> None:
        """Send one command line to where the last datagram came from.

        Raises:
            LinkError: the link is lost, not open, or nothing has come yet.
            UsageError: the text is not one line of ASCII.
        """
        data = command_line(command, self._where)
        if self._socket is None:
            raise self._book.why_closed(repr(self._wanted))
        if self._sender is None:
            remedy = "Check that the device is on and sends to this address."
            what = f"no datagram has come to {self.device}: where a command must go is not known"
            raise LinkError(what, where=self._where, remedy=remedy)
        try:
            self._socket.sendto(data, self._sender)
        except OSError as error:
            raise self._lose(error) from error

    def close(self) -> None:
        """Listen no more."""
        if self._socket is None:
            return
        self._socket.close()
        self._socket = None
        self._decoder.close(self._book.closed())

    def _listen(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._bind_to[0] else socket.AF_INET
        listening = socket.socket(family, socket.SOCK_DGRAM)
        try:
            listening.bind(self._bind_to)
        except OSError as error:
            listening.close()
            raise not_opened(error, self._wanted, self._where) from error
        listening.setblocking(False)
        with contextlib.suppress(OSError):  # the system gives what it allows
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        return listening

    def _receive(self, listening: socket.socket, timeout_s: float) -> list[tuple[bytes, int]]:
        """Datagrams that are there, each with its arrival, after waiting for the first."""
        found: list[tuple[bytes, int]] = []
        if not select.select([listening], [], [], timeout_s)[0]:
            return found
        while len(found) < _MOST_AT_ONCE:
            try:
                datagram, sender = listening.recvfrom(_LONGEST)
            except BlockingIOError:
                break
            except ConnectionResetError:
                continue  # Windows tells so that an earlier command found nobody
            found.append((datagram, self._clock.now_ns()))
            self._sender = (sender[0], sender[1])
            if sender[0] not in self._hosts and len(self._hosts) < _MOST_SENDERS:
                self._new_host(sender[0], found[-1][1])
        return found

    def _new_host(self, host: str, now_ns: int) -> None:
        if self._hosts:
            cause = f"datagrams come from {host} too, not only from {', '.join(self._hosts)}"
            self._book.events.append(Gap(now_ns, None, cause))
        self._hosts.append(host)

    def _lose(self, error: OSError) -> LinkError:
        self.close()
        return self._book.lost(
            f"link at {self._wanted!r} is lost: {error}",
            "Check the network of this computer; the link is opened again when it is back.",
        )


def _not_listened(down_since_ns: int, now_ns: int) -> Gap:
    return Gap(now_ns, None, f"nobody listened for {(now_ns - down_since_ns) / 1e9:.3f} s")


def address_of(text: str, where: str) -> Address:
    """Host and port of ``host:port``; UsageError where it is something else."""
    host, colon, port = text.rpartition(":")
    if not (colon and host and port.isascii() and port.isdigit() and int(port) < 1 << 16):
        raise UsageError(
            "not an address to listen at",
            where=f"{where}.port",
            got=text,
            expected="host:port, such as 192.168.1.10:5005 or 0.0.0.0:5005",
            remedy="Name it in the stand profile, or with --port SOURCE=HOST:PORT.",
        )
    return host.strip("[]"), int(port)


def not_opened(error: OSError, wanted: str, where: str) -> LinkError:
    """What kept the system from listening, and what to do."""
    if error.errno == errno.EADDRINUSE:
        remedy = "Close the other program (or the other recording) first."
        return LinkError(f"{wanted!r} is in use by another program", where=where, remedy=remedy)
    remedy = "Name an address of this computer, or 0.0.0.0 for all of them: --port SOURCE=HOST:PORT."
    return LinkError(f"cannot listen at {wanted!r}: {error.strerror or error}", where=where, remedy=remedy)
