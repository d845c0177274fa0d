"""The thread that asks polled instruments: its schedule, its queues, its end; and links that are lost."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchkit.decode.records import Outcome, record
from benchkit.errors import LinkError, UsageError
from benchkit.sources import polling
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from benchkit.sources.polling import Line, Worker
from benchkit.sources.tcp_link import host_and_port
from tests.sources.contract import Rig, all_facts, collect, poll_until_lost
from tests.sources.instruments import modbus_spec, scpi_spec
from tests.sources.polled_rigs import POLLED_RIGS

MS = 1_000_000


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    make: Callable[[Path], Rig] = request.param
    rig = make(tmp_path)
    yield rig
    rig.source.close()
    rig.stop()
    assert not [t.name for t in threading.enumerate() if t.name == "poll rack"]


each = pytest.mark.parametrize("rig", POLLED_RIGS, indirect=True)


@each
def test_link_cut_and_mended(rig: Rig) -> None:
    assert rig.cut is not None
    assert rig.mend is not None
    rig.source.open()
    found = collect(rig.source, 5)
    rig.cut()
    with pytest.raises(LinkError, match=r"sources\.rack: link to .* is lost: .*\. Check cable and power"):
        poll_until_lost(rig.source, found)
    rows = [one for one in all_facts(found) if one[0] == "row"]
    assert rows == [rig.fact(i) for i in range(len(rows))]
    assert not rig.source.is_open
    for _ in range(2):
        with pytest.raises(LinkError, match="is lost"):
            rig.source.poll(0.0)
        with pytest.raises(LinkError, match="is lost"):
            rig.source.send(rig.command)
    with pytest.raises(LinkError, match=r"there is no port|cannot connect"):
        rig.source.open()

    rig.mend()
    rig.source.open()
    after = all_facts(collect(rig.source, 5))
    assert after[0] == ("gap", None, 0)
    assert [one for one in after if one[0] == "row"] == [rig.fact(i) for i in range(5)]


def send_slowly_until_lost(rig: Rig) -> None:
    """Send again and again, unless the source raises; the thread needs a moment to see the loss."""
    for _ in range(1000):
        rig.source.send(rig.command)
        threading.Event().wait(0.005)


@each
def test_loss_seen_by_a_command_keeps_the_rows_before_it(rig: Rig) -> None:
    assert rig.cut is not None
    rig.source.open()
    found = collect(rig.source, 1)
    rig.cut()
    with pytest.raises(LinkError, match="is lost"):
        send_slowly_until_lost(rig)
    assert not rig.source.is_open
    with pytest.raises(LinkError, match="is lost"):
        poll_until_lost(rig.source, found)
    rows = [one for one in all_facts(found) if one[0] == "row"]
    assert rows == [rig.fact(i) for i in range(len(rows))]


class _Clock(HostClock):
    """Each look at it takes a millisecond."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        self.ns += MS
        return self.ns


class _NoLink:
    def read(self, timeout_s: float) -> bytes:
        return b""

    def write(self, data: bytes) -> None:
        return None

    def close(self) -> None:
        return None


class _Slow:
    """An instrument whose sweeps take ``took`` milliseconds each of ``clock``."""

    unanswered = 0

    def __init__(self, clock: _Clock, took: list[int]) -> None:
        self.clock = clock
        self.took = took
        self.begun: list[tuple[int, int]] = []
        self.is_done = threading.Event()

    def sweep(self, number: int, between: Callable[[], None]) -> bytes:
        self.begun.append((number, self.clock.ns))
        if not self.took:
            self.is_done.set()
            threading.Event().wait(0.01)
            return b""
        self.clock.ns += self.took.pop(0) * MS
        return record(Outcome.ANSWERED, number, b"")

    def command(self, text: str) -> bytes:
        if text == "block":
            self.is_done.wait(10.0)
        return record(Outcome.REPLY, 0, text.encode())


def _run(took: list[int]) -> tuple[list[tuple[int, int]], int]:
    """Sweeps of an instrument with an interval of 20 ms: numbers and begins; and the begin of the schedule."""
    clock = _Clock()
    made: list[_Slow] = []

    def instrument_on(line: Line) -> _Slow:
        made.append(_Slow(clock, took))
        return made[0]

    worker = Worker("slow", _NoLink(), clock, 0.020, instrument_on, None)
    assert made[0].is_done.wait(10.0)
    worker.stop()
    return made[0].begun, made[0].begun[0][1]


def test_schedule_does_not_drift() -> None:
    begun, start = _run([3] * 12)
    assert [number for number, _ in begun[:12]] == list(range(12))
    for number, at in begun[:12]:
        # due every 20 ms; some looks at the clock of 1 ms each until it is seen, and no more of them at the end
        assert abs(at - (start + number * 20 * MS)) <= 6 * MS


def test_sweeps_that_found_no_time_are_left_out() -> None:
    # 0 takes 50 ms: 1 is left out, 2 begins late and at once; 2 takes 90 ms: to 140 ms and some looks, so 7 is next
    begun, _ = _run([50, 90, 5, 5])
    assert [number for number, _ in begun[:4]] == [0, 2, 7, 8]


def test_fault_of_ours_is_raised_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(spec: object, line: object, **options: object) -> object:
        class Broken:
            unanswered = 0

            def sweep(self, number: int, between: object) -> bytes:
                raise ZeroDivisionError("a fault")

        return Broken()

    monkeypatch.setattr("benchkit.sources.scpi.ScpiInstrument", broken)
    monkeypatch.setattr("benchkit.sources.scpi.SerialLink", lambda *a: _NoLink())
    source = build_source(scpi_spec("none"), HostClock())
    source.open()
    with pytest.raises(ZeroDivisionError, match="a fault"):
        poll_until_lost(source, [])
    assert not source.is_open


def test_too_many_waiting_records_are_seen_as_a_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(polling, "MAX_WAITING", 3)
    clock = _Clock()
    slow = _Slow(clock, [20] * 10)
    worker = Worker("slow", _NoLink(), clock, 0.020, lambda line: slow, None)
    assert slow.is_done.wait(10.0)
    worker.stop()
    kept = []
    while (item := worker.next_record(0.0)) is not None:
        kept.append(item[0])
    assert len(kept) == 3


def test_commands_that_pile_up_count_as_a_loss() -> None:
    clock = _Clock()
    slow = _Slow(clock, [])
    slow.is_done = threading.Event()
    worker = Worker("slow", _NoLink(), clock, 3600.0, lambda line: slow, None)
    assert slow.is_done.wait(10.0)
    slow.is_done.clear()
    assert worker.command("block")
    taken = 0
    while worker.command("more"):
        taken += 1
    assert taken in (polling.MAX_COMMANDS - 1, polling.MAX_COMMANDS)
    slow.is_done.set()
    worker.stop()


@pytest.mark.parametrize("port", ["tcp://", "tcp://host:port", "tcp://host:99999", "tcp://:502"])
def test_address_that_is_none(port: str) -> None:
    source = build_source(modbus_spec(port), HostClock())
    with pytest.raises(UsageError, match=r"sources\.rack: no such address .*tcp://HOST:PORT"):
        source.open()


def test_port_of_an_address() -> None:
    assert host_and_port("tcp://[::1]:1502", "here") == ("::1", 1502)
    assert host_and_port("tcp://meter", "here", 502) == ("meter", 502)


def test_nobody_listens() -> None:
    source = build_source(scpi_spec("socket://127.0.0.1:1"), HostClock())
    with pytest.raises(LinkError, match=r"cannot connect to 'socket://127\.0\.0\.1:1'.*the other end is running"):
        source.open()
