"""What is particular to Modbus: a pymodbus server answers, late, wrongly or not at all."""

from __future__ import annotations

import random
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from pymodbus.constants import ExcCodes

from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap, Reply, Rows
from benchkit.model.sources import ModbusRegister, ModbusTable, NumberType
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Source
from tests.sources.contract import poll_until_lost
from tests.sources.instruments import REGISTERS, UNIT, ModbusPeer, Pty, QueueingRtuDevice, modbus_spec
from tests.sources.polled_rigs import needs_pty


@contextmanager
def device(path: Path | None, **changes: object) -> Iterator[tuple[ModbusPeer, Source]]:
    """A server and an open source, over RTU where there is a path for a pseudo-terminal, else over TCP."""
    pty = Pty(path / "port") if path else None
    peer = ModbusPeer(pty=pty)
    port = pty.name if pty else f"tcp://127.0.0.1:{peer.port}"
    source = build_source(modbus_spec(port, **changes), HostClock())
    try:
        yield peer, source
    finally:
        source.close()
        peer.stop()
        if pty:
            pty.unplug()


def events_until(
    source: Source, is_enough: Callable[[list[DecodeEvent]], bool], polls: int = 1500
) -> list[DecodeEvent]:
    events: list[DecodeEvent] = []
    for _ in range(polls):
        polled = source.poll(0.02)
        events += polled.events if polled else []
        if is_enough(events):
            return events
    raise AssertionError(f"not in time: {events}")


def rows_of(events: list[DecodeEvent]) -> list[list[float]]:
    return [values for event in events if isinstance(event, Rows) for values in event.values.tolist()]


def has(kind: type, count: int = 1) -> Callable[[list[DecodeEvent]], bool]:
    return lambda events: sum(isinstance(event, kind) for event in events) >= count


both = pytest.mark.parametrize("is_rtu", [pytest.param(True, marks=needs_pty, id="rtu"), pytest.param(False, id="tcp")])


@both
def test_exceptions_are_no_samples(tmp_path: Path, is_rtu: bool) -> None:
    with device(tmp_path if is_rtu else None) as (peer, source):
        peer.script = lambda function, address, count: ExcCodes.ILLEGAL_ADDRESS if function == 4 else None
        source.open()
        events = events_until(source, has(BadFrame, 3))
        assert rows_of(events) == []
        first = next(event for event in events if isinstance(event, BadFrame))
        assert first.reason is BadFrameReason.ERROR_REPLY
        assert (
            first.detail
            == "read input 8…9: exception 2, illegal data address. Check addresses and table in the profile."
        )
        assert first.data == b"\x84\x02"
        peer.script = lambda function, address, count: None
        assert len(rows_of(events_until(source, has(Rows, 3)))) == 3


@both
def test_no_answer_is_a_gap(tmp_path: Path, is_rtu: bool) -> None:
    with device(tmp_path if is_rtu else None, timeout_s=0.05) as (peer, source):
        peer.script = lambda function, address, count: 0.06 if len(peer.requests) == 3 else None
        source.open()
        cause = f"read holding 100…101: no answer of unit {UNIT} within 0.05 s"

        def unanswered(events: list[DecodeEvent]) -> list[Gap]:
            return [event for event in events if isinstance(event, Gap) and event.cause == cause]

        # a busy computer may leave out sweeps before, which is a gap of another cause
        events = events_until(source, lambda events: bool(unanswered(events)) and len(rows_of(events)) > 5)
        assert unanswered(events)[0].missing == 1
        # the sweeps of the 12 intervals that the time-out took are told as well, with their number
        assert sum(event.missing or 0 for event in events if isinstance(event, Gap)) >= 10


def late(chance: random.Random) -> float:
    """About one answer in eight is late: by a little, or by more than the whole next exchange."""
    return chance.choice([0.031, 0.045, 0.07, 0.1]) if chance.random() < 0.12 else 0.0


@needs_pty
def test_late_answer_on_a_serial_line_is_never_taken_for_the_next_question(tmp_path: Path) -> None:
    # Two reads of two registers each: nothing but their order tells the answers apart.
    registers = tuple(ModbusRegister(f"r{a}", ModbusTable.HOLDING, a, NumberType.U16) for a in (100, 101, 110, 111))
    chance = random.Random(11)
    pty = Pty(tmp_path / "port")
    device = QueueingRtuDevice(pty, lambda number: late(chance))
    source = build_source(modbus_spec(pty.name, timeout_s=0.03, registers=registers), HostClock())
    try:
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 30 and has(Gap, 6)(events), 3000)
    finally:
        source.close()
        device.stop()
        pty.unplug()
    for first, odd, second, other_odd in rows_of(events):
        assert (odd, other_odd) == (101, 111)
        assert second == first + 1, "two answers that do not follow each other are one row"
    numbers = [row[0] for row in rows_of(events)]
    assert numbers == sorted(set(numbers))


def test_late_answer_over_tcp_is_never_taken_for_the_next_question() -> None:
    chance = random.Random(11)
    with device(None, timeout_s=0.03) as (peer, source):
        peer.script = lambda function, address, count: late(chance)
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 30 and has(Gap, 6)(events), 3000)
    assert {n for _, n in rows_of(events)} == {1500.5}
    numbers = [udc for udc, _ in rows_of(events)]
    assert numbers == sorted(set(numbers))


@needs_pty
def test_device_that_was_silent_for_long_comes_back(tmp_path: Path) -> None:
    """More questions go unanswered than there are numbers of registers to tell them apart by."""
    with device(tmp_path, timeout_s=0.02, registers=(REGISTERS[0],)) as (peer, source):
        is_away = [True]
        peer.mangle = lambda data: b"" if is_away[0] else data
        source.open()
        events_until(source, has(Gap, 4))
        is_away[0] = False
        assert len(rows_of(events_until(source, has(Rows, 3)))) == 3


@needs_pty
def test_damaged_answer_is_no_sample(tmp_path: Path) -> None:
    with device(tmp_path, timeout_s=0.05) as (peer, source):
        sent = [0]

        def flip(data: bytes) -> bytes:
            sent[0] += 1
            return data[:4] + bytes([data[4] ^ 4]) + data[5:] if sent[0] == 4 else data

        peer.mangle = flip
        source.open()
        events = events_until(source, lambda events: has(BadFrame)(events) and len(rows_of(events)) > 5)
        (refused,) = [event for event in events if isinstance(event, BadFrame)]
        assert refused.reason is BadFrameReason.CHECKSUM
        assert "no sound answer" in refused.detail
        assert refused.data.startswith(bytes([UNIT, 4, 4]))
        numbers = [udc for udc, _ in rows_of(events)]
        assert numbers == sorted(set(numbers))


@needs_pty
def test_noise_on_the_line_is_no_sample(tmp_path: Path) -> None:
    chance = random.Random(12)
    with device(tmp_path, timeout_s=0.03) as (peer, source):
        peer.mangle = lambda data: data if chance.random() < 0.7 else chance.randbytes(chance.randrange(1, 40))
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 20 and has(BadFrame, 5)(events))
    assert {n for _, n in rows_of(events)} == {1500.5}
    numbers = [udc for udc, _ in rows_of(events)]
    assert numbers == sorted(set(numbers))


def test_few_reads(tmp_path: Path) -> None:
    registers = tuple(ModbusRegister(f"r{i}", ModbusTable.HOLDING, 2 * i, NumberType.U16) for i in range(90))
    with device(None, registers=registers, largest_gap=1) as (peer, source):
        source.open()
        events_until(source, has(Rows))
        # 90 registers at every second address: 63 in 125 addresses, then 27 in 53
        assert peer.requests[:2] == [(3, 0, 125), (3, 126, 53)]


@both
def test_set_points_are_written(tmp_path: Path, is_rtu: bool) -> None:
    with device(tmp_path if is_rtu else None) as (peer, source):
        source.open()
        source.send("write speed 2500")
        source.send("write torque 25")
        events = events_until(source, has(Reply, 2))
        assert [event.text for event in events if isinstance(event, Reply)] == [
            "ok write speed 2500",
            "ok write torque 25",
        ]
        # speed: gain 0.5; torque: 25.0 is 0x41C80000, low word first
        assert peer.written == [(200, [5000]), (210, [0x0000, 0x41C8])]
        assert [request for request in peer.requests if request[0] in (6, 16)] == [(6, 200, 1), (16, 210, 2)]


@both
def test_set_point_that_the_device_refuses(tmp_path: Path, is_rtu: bool) -> None:
    with device(tmp_path if is_rtu else None, timeout_s=0.05) as (peer, source):
        peer.script = lambda function, address, count: (
            ExcCodes.ILLEGAL_VALUE if function == 6 else 0.2 if function == 16 else None
        )
        source.open()
        source.send("write speed 2500")
        source.send("write torque 25")
        events = events_until(source, has(Reply, 2))
        assert [event.text for event in events if isinstance(event, Reply)] == [
            "refused write speed 2500: holding 200: exception 3, illegal data value",
            f"unanswered write torque 25: holding 210…211: no answer of unit {UNIT} within 0.05 s",
        ]
        assert len(rows_of(events_until(source, has(Rows, 3), 3000))) >= 3


@pytest.mark.parametrize(
    ("command", "told"),
    [
        ("write sped 5", r"no set-point of that name .*'sped'.*Did you mean 'speed'"),
        ("write 200 5", "no set-point of that name"),
        ("set speed 5", "no such command .*write NAME VALUE"),
        ("write speed", "no such command .*write NAME VALUE"),
        ("write speed fast", "not a number"),
        ("write speed nan", "does not fit the register"),
        ("write speed 40000", "does not fit the register"),
    ],
)
def test_commands_that_write_nothing(command: str, told: str) -> None:
    source = build_source(modbus_spec("tcp://127.0.0.1:1"), HostClock())
    with pytest.raises(UsageError, match=told):
        source.send(command)


def test_source_without_set_points_takes_no_commands() -> None:
    spec = replace(modbus_spec("tcp://127.0.0.1:1"), set_points=(), set_point_command=None)
    with pytest.raises(UsageError, match=r"sources\.rack: this source takes no commands"):
        build_source(spec, HostClock()).send("write speed 5")


def test_server_that_no_longer_answers_counts_as_lost() -> None:
    with device(None, timeout_s=0.02) as (peer, source):
        source.open()
        events_until(source, has(Rows))
        peer.mangle = lambda data: b""
        with pytest.raises(LinkError, match=r"is lost: no answer to 5 sweeps running"):
            poll_until_lost(source, [])


def test_other_sources_do_not_wait_for_a_slow_device() -> None:
    with device(None) as (peer, source):
        peer.script = lambda function, address, count: 0.1
        source.open()
        polls = 0
        while source.poll(0.0) is None:
            polls += 1
        # a poll that waited for the device would have brought the row itself
        assert polls > 100


def test_without_pymodbus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pymodbus", None)
    with pytest.raises(UsageError, match=r"Modbus needs the package pymodbus\. .*benchkit\[modbus\]"):
        build_source(modbus_spec("tcp://127.0.0.1:1"), HostClock())


def test_the_coil_of_the_heartbeat_is_written_for_a_fresh_token_only() -> None:
    clock = HostClock()
    with device(None) as (peer, source):
        assert not source.offer("coil 12 on", clock.now_ns() + 10**10)  # type: ignore[attr-defined]  # not open
        source.open()
        told: list[DecodeEvent] = []
        for level in ("on", "off", "on"):
            assert source.offer(f"coil 12 {level}", clock.now_ns() + 10**10)  # type: ignore[attr-defined]
            told += events_until(source, has(Reply))
        assert [e.text for e in told if isinstance(e, Reply)] == ["ok coil 12 on", "ok coil 12 off", "ok coil 12 on"]
        assert peer.written == [(12, [1]), (12, [0]), (12, [1])]
        source.offer("coil 12 off", clock.now_ns() - 1)  # type: ignore[attr-defined]
        events_until(source, has(Rows, 5))
        assert len(peer.written) == 3
        with pytest.raises(UsageError, match=r"no such command.*expected write NAME VALUE"):
            source.send("coil 12 on")  # nobody else writes a coil


def test_offers_do_not_pile_up_behind_a_device_that_is_slow() -> None:
    clock = HostClock()
    with device(None, timeout_s=5.0) as (peer, source):
        peer.script = lambda function, address, count: 0.3 if function == 3 else None
        source.open()
        events_until(source, has(Rows))
        offers = [source.offer(f"coil 12 {n}", clock.now_ns() + 10**10) for n in ("on", "off") * 20]  # type: ignore[attr-defined]
        assert offers.count(True) <= 2
        told = events_until(source, has(Rows, 4))
        assert 1 <= sum(isinstance(event, Reply) for event in told) <= 2
        assert source.is_open


def test_a_coil_that_the_device_refuses_is_told() -> None:
    with device(None) as (peer, source):
        peer.script = lambda function, address, count: ExcCodes.ILLEGAL_ADDRESS if function == 5 else None
        source.open()
        source.offer("coil 12 on", HostClock().now_ns() + 10**10)  # type: ignore[attr-defined]
        (reply,) = [e for e in events_until(source, has(Reply)) if isinstance(e, Reply)]
        assert reply.text.startswith("refused coil 12 on: coil 12: exception 2, illegal data address")
