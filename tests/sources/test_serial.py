"""What is particular to serial ports."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace

import pytest

from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import Checksum, SerialTextSource
from benchkit.sources import serial_link, serial_source
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from benchkit.sources.ports import Port, device_with, list_ports, serial_number_of
from benchkit.sources.serial_source import SerialSource
from tests.sources.contract import FORMAT, all_facts, collect, fact, line, row, send_until_lost, spec

needs_pty = pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals")


@pytest.fixture
def ptys() -> Iterator[list[tuple[int, str]]]:
    """Two pseudo-terminals: the far end and the name of the near one."""
    pairs = [os.openpty() for _ in range(2)]
    yield [(master, os.ttyname(slave)) for master, slave in pairs]
    for pair in pairs:
        for end in pair:
            os.close(end)


@needs_pty
def test_port_is_ours_alone(ptys: list[tuple[int, str]]) -> None:
    first, second = (SerialSource(spec(ptys[0][1]), HostClock()) for _ in range(2))
    first.open()
    try:
        with pytest.raises(LinkError, match=r"port '.*' is in use by another program\. Close the other program"):
            second.open()
    finally:
        first.close()
    second.open()
    second.close()


@needs_pty
def test_device_that_takes_no_command_counts_as_lost(ptys: list[tuple[int, str]]) -> None:
    source = SerialSource(spec(ptys[0][1]), HostClock())
    source.open()
    with pytest.raises(LinkError, match=r"link to '.*' is lost: a command was not taken within 0\.2 s"):
        send_until_lost(source, 10_000)
    assert not source.is_open


@needs_pty
def test_a_command_that_is_taken_is_not_waited_for(
    ptys: list[tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look at the port after the write waits for the system to hand over what has come in: milliseconds."""
    source = SerialSource(spec(ptys[0][1]), HostClock())
    source.open()
    with monkeypatch.context() as patched:
        patched.setattr(serial_link.select, "select", lambda *_: pytest.fail("waits"))
        source.send("stop torque")
    assert os.read(ptys[0][0], 100) == b"stop torque\n"
    source.close()


@needs_pty
def test_first_line_without_check_value_is_not_believed(ptys: list[tuple[int, str]]) -> None:
    bare = replace(FORMAT, checksum=Checksum.NONE)
    source = SerialSource(spec(ptys[0][1], bare), HostClock())
    source.open()
    os.write(ptys[0][0], b"5,6.0,7.0,8.0\n6,7.0,8.0,9.0\n")
    found = all_facts(collect(source, 1))
    source.close()
    assert found == [
        ("bad", BadFrameReason.PARTIAL, b"5,6.0,7.0,8.0", 1),
        row(8.0, 9.0, counter=6, device_time_s=7.0 * 1e-3),
    ]


@needs_pty
def test_adapter_is_found_again_under_another_name(
    ptys: list[tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    (_, gone), (master, now) = ptys
    names = [gone]
    monkeypatch.setattr(serial_source, "list_ports", lambda: [Port(name, "adapter", "FT-0042") for name in names])
    source = SerialSource(spec(gone), HostClock())
    source.open()
    assert source.device == gone
    source.close()
    names[0] = now
    monkeypatch.setattr(source, "_device", gone + "-is-gone")
    source.open()
    assert source.device == now
    os.write(master, line(4))
    assert all_facts(collect(source, 1)) == [("gap", None, 0), fact(4)]
    source.close()


def test_missing_port_says_which_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    name = "COM249" if os.name == "nt" else "/dev/no-such-port"
    source = build_source(spec("SET-ON-COMMAND-LINE"), HostClock(), name)
    with pytest.raises(LinkError, match=r"sources\.rack: there is no port '.*'\. Ports of this computer: .*--port"):
        source.open()
    assert not source.is_open


def test_unknown_url() -> None:
    source = build_source(spec("smoke://signal"), HostClock())
    with pytest.raises(UsageError, match=r"sources\.rack: cannot use port 'smoke://signal': invalid URL.*--port"):
        source.open()


def test_nobody_listens() -> None:
    source = build_source(spec("socket://127.0.0.1:1"), HostClock())
    with pytest.raises(LinkError, match=r"cannot connect to 'socket://127\.0\.0\.1:1'.*the other end is running"):
        source.open()


def test_only_known_kinds_are_built() -> None:
    class OtherSource(SerialTextSource):
        pass

    assert build_source(spec("loop://"), HostClock()).name == "rack"
    with pytest.raises(UsageError, match="no source can be built from a str"):
        build_source("rack", HostClock())  # type: ignore[arg-type]


def test_ports_by_serial_number() -> None:
    ports = [Port("/dev/ttyUSB0", "a", "FT-1"), Port("/dev/ttyUSB1", "b", "FT-2"), Port("/dev/ttyS0", "c")]
    assert serial_number_of("/dev/ttyUSB1", ports) == "FT-2"
    assert serial_number_of("/dev/ttyS0", ports) == ""
    assert serial_number_of("/dev/ttyUSB9", ports) == ""
    assert device_with("FT-1", ports) == "/dev/ttyUSB0"
    assert device_with("", ports) is None
    assert device_with("FT-3", ports) is None
    # two adapters with one number: no guess
    assert device_with("FT-1", [*ports, Port("/dev/ttyUSB7", "d", "FT-1")]) is None


def test_listing_ports_works_here() -> None:
    assert all(port.device for port in list_ports())
