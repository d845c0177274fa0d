"""Rigs of polled instruments for the contract suite."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from benchkit.decode.build import decoder_for
from benchkit.model.sources import ModbusSource, ScpiSource
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.decode.contract import Fact, row
from tests.sources.contract import Rig
from tests.sources.instruments import ModbusPeer, Pty, ScpiPeer, modbus_spec, scpi_spec, values_of

ROWS = 20


def polled_fact(number: int) -> Fact:
    """Row ``number``: a polled instrument has neither counter nor clock."""
    return row(*values_of(number))


def _rig(spec: ModbusSource | ScpiSource, stop: Callable[[], None], command: str) -> Rig:
    return Rig(
        build_source(spec, HostClock()),
        stop=stop,
        first_rows=ROWS,
        fact=polled_fact,
        command=command,
        decode_again=lambda: decoder_for(spec),
    )


def modbus_rtu_rig(tmp_path: Path) -> Rig:
    """A pymodbus server at the far end of a pseudo-terminal."""
    pty = Pty(tmp_path / "port")
    peer = ModbusPeer(pty=pty)

    def stop() -> None:
        peer.stop()
        pty.unplug()

    return _rig(modbus_spec(pty.name), stop, "write speed 2500")


def modbus_tcp_rig(tmp_path: Path) -> Rig:
    """A pymodbus server on loopback."""
    peer = ModbusPeer()
    return _rig(modbus_spec(f"tcp://127.0.0.1:{peer.port}"), peer.stop, "write speed 2500")


def scpi_pty_rig(tmp_path: Path) -> Rig:
    """An instrument at the far end of a pseudo-terminal."""
    pty = Pty(tmp_path / "port")
    peer = ScpiPeer(pty=pty)

    def stop() -> None:
        peer.stop()
        pty.unplug()

    return _rig(scpi_spec(pty.name), stop, "SOUR:SPE 2500")


def scpi_tcp_rig(tmp_path: Path) -> Rig:
    """An instrument on loopback."""
    peer = ScpiPeer()
    return _rig(scpi_spec(f"socket://127.0.0.1:{peer.port}"), peer.stop, "SOUR:SPE 2500")
