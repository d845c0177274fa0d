"""The server process over a real pty and a real socket, with pyserial as the client."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import serial

from benchkit.decode.text import TextDecoder
from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrame, Gap, Reply, Rows
from benchkit.model.stand import Stand
from benchkit.simulate.drives import Load
from benchkit.simulate.links import PENDING_BYTES, Outbox, TcpLink, open_link
from benchkit.simulate.serve import run_server

ENDPOINTS = [
    pytest.param("pty", marks=pytest.mark.skipif(sys.platform == "win32", reason="no pty")),
    "127.0.0.1:0",
]
PATIENCE_S = 30.0


@dataclass
class Server:
    process: subprocess.Popen[str]
    address: str

    def end(self) -> dict[str, int]:
        self.process.send_signal(signal.SIGTERM)
        out, _ = self.process.communicate(timeout=PATIENCE_S)
        assert self.process.returncode == 0
        return dict(json.loads(out))


@contextmanager
def server(*options: str) -> Iterator[Server]:
    command = [sys.executable, str(Path(__file__).with_name("server.py")), *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield Server(process, process.stdout.readline().strip())
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@dataclass
class Client:
    """Reads through pyserial and the decoder until what is waited for has come."""

    port: serial.SerialBase
    decoder: TextDecoder
    rows: list[Rows] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    bad: list[BadFrame] = field(default_factory=list)
    replies: list[str] = field(default_factory=list)

    def until(self, met: Callable[[], bool]) -> None:
        give_up = time.monotonic() + PATIENCE_S
        while not met():
            assert time.monotonic() < give_up, (len(self.rows), self.replies, self.bad[:3])
            self.decoder.feed(self.port.read(4096), 0)
            while (event := self.decoder.next_event()) is not None:
                match event:
                    case Rows():
                        self.rows.append(event)
                    case Gap():
                        self.gaps.append(event)
                    case BadFrame():
                        self.bad.append(event)
                    case Reply():
                        self.replies.append(event.text)

    def ask(self, command: str) -> str:
        seen = len(self.replies)
        self.port.write(command.encode() + b"\n")
        self.until(lambda: len(self.replies) > seen)
        return self.replies[-1]

    @property
    def count(self) -> int:
        return sum(len(r) for r in self.rows)

    def last(self, stand: Stand, column: str) -> float:
        columns = [c for c in stand.sources["rack"].format.columns if c not in ("count", "t_ms")]
        return float(self.rows[-1].values[-1, columns.index(column)])


@contextmanager
def client(address: str, stand: Stand) -> Iterator[Client]:
    port = serial.serial_for_url(address, baudrate=921600, timeout=0.02)
    try:
        yield Client(port, TextDecoder(stand.sources["rack"].format, joined_midway=True))
    finally:
        port.close()


@pytest.mark.parametrize("endpoint", ENDPOINTS)
def test_lines_commands_and_answers_over_a_real_link(endpoint: str, stand: Stand) -> None:
    with server(endpoint) as s, client(s.address, stand) as c:
        c.until(lambda: c.count > 50)
        assert c.ask("set speed 2400") == "ok set speed 2400"
        assert c.ask("set torque 10").startswith("refused set torque 10: the propeller is mounted")
        c.until(lambda: c.last(stand, "n") > 2390.0)
        assert c.ask("stop ramp") == "ok stop ramp"
        c.until(lambda: c.last(stand, "n") < 5.0)
        assert len(c.bad) <= 1  # the line that was cut by joining midway
        # Every line from first to last is a row or counted as missing (a loaded machine may read too late).
        span = int(c.rows[-1].counter[-1]) - int(c.rows[0].counter[0]) + 1
        assert c.count + sum(g.missing or 0 for g in c.gaps) == span
        served = s.end()
        assert served["lines"] >= c.count


@pytest.mark.parametrize("endpoint", ENDPOINTS)
def test_the_drive_holds_its_state_while_the_client_is_away(endpoint: str, stand: Stand) -> None:
    with server(endpoint) as s:
        with client(s.address, stand) as c:
            assert c.ask("set speed 1800") == "ok set speed 1800"
            c.until(lambda: c.count > 0 and c.last(stand, "n") > 1795.0)
        time.sleep(0.4)
        with client(s.address, stand) as again:
            again.until(lambda: again.count > 20)
            assert again.last(stand, "n") == pytest.approx(1800.0, abs=5.0)
            assert len(again.bad) <= 1
            assert again.ask("stop torque") == "ok stop torque"


def test_with_its_watchdog_the_drive_stops_when_beats_stay_out(stand: Stand) -> None:
    with server("127.0.0.1:0", "--watchdog", "1.0") as s, client(s.address, stand) as c:
        c.ask("alive 1")
        c.ask("alive 2")
        assert c.ask("set speed 1200") == "ok set speed 1200"
        c.until(lambda: "watchdog: no new beat within 1 s, gates off" in c.replies)
        c.until(lambda: c.last(stand, "iu") < 1.0)
        assert c.ask("set speed 1200").startswith("refused")


@pytest.mark.skipif(sys.platform == "win32", reason="no pty")
def test_a_reader_that_does_not_read_costs_whole_lines_only(stand: Stand) -> None:
    with server("pty", "--rate", "2000") as s, client(s.address, stand) as c:
        c.until(lambda: c.count > 10)
        time.sleep(0.5)  # kernel buffer and device buffer overflow
        read = c.count
        c.until(lambda: c.count > read + 1000)
        lost = [g.missing or 0 for g in c.gaps]
        assert sum(lost) > 100
        assert len(c.bad) <= 1
        assert s.end()["dropped"] >= sum(lost)


def test_only_one_client_at_a_time(stand: Stand) -> None:
    with server("127.0.0.1:0") as s, client(s.address, stand) as c:
        c.until(lambda: c.count > 5)
        with pytest.raises(serial.SerialException, match="disconnected"), client(s.address, stand) as second:
            second.until(lambda: False)
        before = c.count
        c.until(lambda: c.count > before + 50)


class Narrow:
    """A link that takes a given number of bytes at each write."""

    address = "narrow"

    def __init__(self) -> None:
        self.room = 0
        self.taken = b""

    def read(self) -> bytes:
        return b""

    def write(self, data: bytes) -> int:
        part = data[: self.room]
        self.taken += part
        return len(part)

    def close(self) -> None:
        pass


def test_outbox_drops_the_oldest_whole_lines_and_never_an_answer() -> None:
    link = Narrow()
    box = Outbox(link)
    lines = [b"line %05d %s\r\n" % (k, b"." * 80) for k in range(1000)]
    box.put(lines[0])
    link.room = 10
    box.flush()  # the first line is half out
    link.room = 0
    for line in lines[1:500]:
        box.put(line)
        box.flush()
    box.put_reply(b">ok stop ramp\r\n")
    link.room = 7
    while len(link.taken) < PENDING_BYTES:
        box.flush()
    link.room = 10**6
    box.flush()
    for line in lines[500:]:
        box.put(line)
        box.flush()
    arrived = link.taken.splitlines(keepends=True)
    assert arrived[0] == lines[0]
    assert arrived[1] == b">ok stop ramp\r\n"
    kept = arrived[2:]
    assert kept == lines[-len(kept) :]
    assert box.dropped == len(lines) - 1 - len(kept)
    assert box.dropped > 300


class StandStill:
    """Time that passes when the server sleeps or looks at the clock, or when told."""

    def __init__(self) -> None:
        self.now = 100.0
        self.jumps: list[float] = []

    def clock(self) -> float:
        self.now += 1e-6
        return self.now

    def sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.now += seconds + (self.jumps.pop() if self.jumps else 0.0)


@pytest.mark.parametrize(("jumps", "low", "high"), [([], 995, 1005), ([0.2], 995, 1005), ([5.0], 1500, 1560)])
def test_pace_follows_the_clock_and_gives_up_on_long_sleeps(
    stand: Stand, jumps: list[float], low: int, high: int
) -> None:
    """One second at 1000 lines/s. Late lines are made up for; of a long sleep of the laptop half a second is."""
    time_ = StandStill()
    time_.jumps = list(jumps)
    end = time_.now + 1.0 + (jumps[0] if jumps and jumps[0] > 1.0 else 0.0)
    served = run_server(
        stand,
        load=Load.PROPELLER,
        seed=1,
        rate_hz=1000.0,
        endpoint="127.0.0.1:0",
        announce=lambda _: None,
        clock=time_.clock,
        sleep=time_.sleep,
        should_stop=lambda: time_.now >= end,
    )
    assert low <= served.lines <= high


def test_scheduled_commands_come_before_their_line(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 2 s of device time, 20 times host time, 1000 lines/s: before line 100 and not one earlier or later."""
    sent: list[bytes] = []
    monkeypatch.setattr(TcpLink, "write", lambda _, data: sent.append(data) or len(data))
    time_ = StandStill()
    end = time_.now + 0.3
    run_server(
        stand,
        load=Load.PROPELLER,
        seed=1,
        time_factor=20.0,
        endpoint="127.0.0.1:0",
        announce=lambda _: None,
        schedule=[(2.0, "fault sensor_open on t_winding"), (3.0, "set torque 5")],
        clock=time_.clock,
        sleep=time_.sleep,
        should_stop=lambda: time_.now >= end,
    )
    lines = b"".join(sent).splitlines()
    assert [b"nan" in line for line in lines].index(True) == 100
    assert lines[150].startswith(b">refused set torque 5: the propeller is mounted")


def test_a_schedule_that_is_not_understood_is_refused(stand: Stand) -> None:
    with pytest.raises(UsageError, match=r"schedule: 'fualt stuck on': unknown command. Did you mean 'fault'"):
        run_server(stand, load=Load.MACHINE, seed=1, announce=lambda _: None, schedule=[(1.0, "fualt stuck on")])


def test_endpoints_that_cannot_be_opened() -> None:
    with pytest.raises(UsageError, match=r"not an endpoint.*got 'COM7'; expected pty or HOST:PORT"):
        open_link("COM7")
    with pytest.raises(UsageError, match="not an endpoint"):
        open_link("127.0.0.1:99999")
    taken = TcpLink("127.0.0.1", 0)
    try:
        with pytest.raises(LinkError, match=r"cannot listen.*Take another port"):
            open_link(taken.address.removeprefix("socket://"))
    finally:
        taken.close()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"time_factor": 0.0}, "time factor must be above 0"),
        ({"rate_hz": -1.0}, "line rate must be above 0"),
        ({"watchdog_s": 0.0}, "watchdog needs a time"),
    ],
)
def test_options_out_of_range(stand: Stand, options: dict[str, float], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        run_server(stand, load=Load.MACHINE, seed=1, announce=lambda _: None, **options)  # type: ignore[arg-type]
