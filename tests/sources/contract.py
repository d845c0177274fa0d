"""Contract suite of sources: rigs that put real bytes before a source; ``test_contract.py`` tries each."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchkit.decode.contract import Decoder
from benchkit.model.samples import BadFrameReason, Rows, join_rows
from benchkit.model.sources import Checksum, CsvTailSource, SerialTextSource, TextFormat
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Polled, Source
from benchkit.sources.csv_file import CsvSource
from benchkit.sources.csv_tail import CsvTail
from benchkit.sources.replay import ReplaySource
from benchkit.sources.serial_source import SerialSource
from tests.decode.contract import Fact, facts, row
from tests.decode.text_cases import checked

FORMAT = TextFormat(
    columns=("count", "t_ms", "udc", "n"),
    checksum=Checksum.CRC16_CCITT_FALSE,
    counter_column="count",
    device_time_column="t_ms",
    max_line_bytes=128,
)


def line(number: int) -> bytes:
    """Row ``number`` of the invented device, as bytes."""
    return checked(f"{number},{number}.0,{number / 4!r},1500.5", FORMAT)


def fact(number: int) -> Fact:
    """The same row as the decoder must give it."""
    return row(number / 4, 1500.5, counter=number, device_time_s=number * 1e-3)


def spec(port: str, text_format: TextFormat = FORMAT) -> SerialTextSource:
    return SerialTextSource(name="rack", port=port, baud=115200, format=text_format, stale_after_s=0.25)


@dataclass
class Rig:
    """A source and its far end.

    ``put`` sends bytes to the source, ``got`` returns bytes that the source has sent, ``cut`` takes the link away and
    ``mend`` brings it back. Where there is no such thing it is None. ``ready`` prepares the far end after an opening.
    """

    source: Source
    ready: Callable[[], None] = lambda: None
    put: Callable[[bytes], None] | None = None
    got: Callable[[int], bytes] | None = None
    cut: Callable[[], None] | None = None
    mend: Callable[[], None] | None = None
    stop: Callable[[], None] = lambda: None
    first_rows: int = 0
    """Rows that come without ``put``: what stands in the file."""
    has_bytes: bool = True
    takes_commands: bool = True
    line: Callable[[int], bytes] = line
    """Row of that number on the wire."""
    fact: Callable[[int], Fact] = fact
    """Row of that number as the decoder must give it."""
    start_cut: BadFrameReason = BadFrameReason.CHECKSUM
    """What becomes of a row whose start went nowhere."""
    command: str = "set speed 2500"
    decode_again: Callable[[], Decoder] | None = None
    """Of a polled instrument: a new decoder for what ``poll`` gave as bytes. Rows then come by themselves, with what
    the instrument says of itself and the sweeps that a busy computer left out between them."""

    def facts(self, polled: list[Polled]) -> list[Fact]:
        """What has come, in order; of a polled instrument the rows."""
        found = all_facts(polled)
        return found if self.decode_again is None else [one for one in found if one[0] == "row"]


def collect(source: Source, rows: int, *, polls: int = 400) -> list[Polled]:
    """Poll until so many rows have come (or it has taken far too long)."""
    found: list[Polled] = []
    for _ in range(polls):
        polled = source.poll(0.02)
        if polled is not None:
            found.append(polled)
        if sum(len(e) for p in found for e in p.events if isinstance(e, Rows)) >= rows:
            break
    return found


def poll_until_lost(source: Source, found: list[Polled]) -> None:
    """Poll and keep what comes, until the source raises (or it has taken far too long)."""
    for _ in range(100):
        polled = source.poll(0.02)
        if polled is not None:
            found.append(polled)


def send_until_lost(source: Source, commands: int) -> None:
    """Send so many commands, unless the source raises."""
    for _ in range(commands):
        source.send("stop ramp")


def all_facts(polled: list[Polled]) -> list[Fact]:
    return facts(event for one in polled for event in one.events)


def pty_rig(tmp_path: Path) -> Rig:
    """Text lines on a pseudo-terminal."""
    name = tmp_path / "port"
    return pty_link(name, SerialSource(spec(str(name)), HostClock()))


def pty_link(name: Path, source: Source) -> Rig:
    """A pseudo-terminal pair; the port is a link, so that the device can come back under the same name."""
    ends: list[int] = []

    def plug() -> None:
        master, slave = os.openpty()
        name.unlink(missing_ok=True)
        name.symlink_to(os.ttyname(slave))
        ends[:] = [master, slave]

    def unplug() -> None:
        while ends:
            os.close(ends.pop())

    def put(data: bytes) -> None:
        os.write(ends[0], data)

    def got(count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += os.read(ends[0], count - len(data))
        return data

    def cut() -> None:
        unplug()
        name.unlink()

    plug()
    return Rig(source, put=put, got=got, cut=cut, mend=plug, stop=unplug)


def tcp_rig(tmp_path: Path) -> Rig:
    """A TCP server on loopback that the source connects to."""
    servers: list[socket.socket] = []
    peers: list[socket.socket] = []

    def listen(port: int = 0) -> int:
        server = socket.create_server(("127.0.0.1", port))
        server.settimeout(10.0)
        servers.append(server)
        return int(server.getsockname()[1])

    def ready() -> None:
        peer, _ = servers[0].accept()
        peer.settimeout(10.0)
        peers.append(peer)

    def put(data: bytes) -> None:
        peers[-1].sendall(data)

    def got(count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += peers[-1].recv(count - len(data))
        return data

    def stop() -> None:
        for one in (*peers, *servers):
            one.close()
        peers.clear()
        servers.clear()

    port = listen()
    source = SerialSource(spec("SET-ON-COMMAND-LINE"), HostClock(), f"socket://127.0.0.1:{port}")
    return Rig(
        source,
        ready=ready,
        put=put,
        got=got,
        cut=stop,
        mend=lambda: (listen(port), None)[1],
        stop=stop,
    )


def loop_rig(tmp_path: Path) -> Rig:
    """pyserial's loop: what is written comes back."""
    source = SerialSource(spec("loop://"), HostClock())

    def put(data: bytes) -> None:
        assert source._link is not None
        source._link.write(data)

    return Rig(source, put=put)


def csv_rig(tmp_path: Path) -> Rig:
    path = tmp_path / "run.csv"
    path.write_bytes(b"count,t_ms,udc,n\n" + b"".join(line(i) for i in range(500)))
    return Rig(CsvSource(path, FORMAT, HostClock()), first_rows=500)


def tail_rig(tmp_path: Path) -> Rig:
    """A file that grows; what stood in it before the opening is history."""
    path = tmp_path / "growing.csv"
    path.write_bytes(line(900))
    tail = CsvTailSource("rack", str(path), FORMAT, has_names=False, skip_existing=True, stale_after_s=0.05)

    def put(data: bytes) -> None:
        with path.open("ab") as file:
            file.write(data)

    return Rig(CsvTail(tail, HostClock()), put=put, takes_commands=False)


def replay_rig(tmp_path: Path) -> Rig:
    blocks = [recorded(0, 200), recorded(200, 200), recorded(200, 500)]
    return Rig(ReplaySource("rack", ("udc", "n"), blocks, HostClock(), None), first_rows=500, has_bytes=False)


def recorded(start: int, stop: int) -> Rows:
    """Rows as a run would hand them in, one each millisecond."""
    number = np.arange(start, stop)
    return Rows(
        arrival_ns=5_000_000_000 + number * 1_000_000,
        device_time_s=number * 1e-3,
        counter=number,
        values=np.column_stack([number / 4, np.full(len(number), 1500.5)]),
    )


def joined(polled: list[Polled]) -> Rows:
    return join_rows([e for p in polled for e in p.events if isinstance(e, Rows)])
