"""Rigs of polled instruments for the contract suite."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.decode.build import decoder_for
from benchkit.model.sources import ModbusSource, ScpiSource
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.decode.contract import Fact, row
from tests.sources.contract import Rig
from tests.sources.instruments import ModbusPeer, Pty, ScpiPeer, free_port, modbus_spec, scpi_spec, values_of

ROWS = 20


def polled_fact(number: int) -> Fact:
    """Row ``number``: a polled instrument has neither counter nor clock."""
    return row(*values_of(number))


def _rig(
    spec: ModbusSource | ScpiSource, command: str, make: Callable[[], ModbusPeer | ScpiPeer], pty: Pty | None
) -> Rig:
    """``make`` brings the instrument to the far end, at first and after the link was cut."""
    peers = [make()]

    def cut() -> None:
        peers[-1].stop()
        if pty is not None:
            pty.unplug()

    def mend() -> None:
        if pty is not None:
            pty.plug()
        peers.append(make())

    if pty is None:
        scheme = "tcp" if isinstance(spec, ModbusSource) else "socket"
        spec = replace(spec, port=f"{scheme}://127.0.0.1:{peers[0].port}")
    return Rig(
        build_source(spec, HostClock()),
        cut=cut,
        mend=mend,
        stop=cut,
        first_rows=ROWS,
        fact=polled_fact,
        command=command,
        decode_again=lambda: decoder_for(spec),
    )


def modbus_rtu_rig(tmp_path: Path) -> Rig:
    """A pymodbus server at the far end of a pseudo-terminal."""
    pty = Pty(tmp_path / "port")
    return _rig(modbus_spec(pty.name), "write speed 2500", lambda: ModbusPeer(pty=pty), pty)


def modbus_tcp_rig(tmp_path: Path) -> Rig:
    """A pymodbus server on loopback."""
    port = free_port()
    return _rig(modbus_spec("tcp://"), "write speed 2500", lambda: ModbusPeer(port=port), None)


def scpi_pty_rig(tmp_path: Path) -> Rig:
    """An instrument at the far end of a pseudo-terminal."""
    pty = Pty(tmp_path / "port")
    return _rig(scpi_spec(pty.name), "SOUR:SPE 2500", lambda: ScpiPeer(pty=pty), pty)


def scpi_tcp_rig(tmp_path: Path) -> Rig:
    """An instrument on loopback."""
    port = free_port()
    return _rig(scpi_spec("socket://"), "SOUR:SPE 2500", lambda: ScpiPeer(port=port), None)


needs_pty = pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals")
POLLED_RIGS = [
    pytest.param(modbus_rtu_rig, id="modbus_rtu", marks=needs_pty),
    pytest.param(modbus_tcp_rig, id="modbus_tcp"),
    pytest.param(scpi_pty_rig, id="scpi_pty", marks=needs_pty),
    pytest.param(scpi_tcp_rig, id="scpi_tcp"),
]
