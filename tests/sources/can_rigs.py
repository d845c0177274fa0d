"""Rigs of a CAN bus for the contract suite."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import can

from benchkit.decode.build import decoder_for
from benchkit.model.sources import CanSignal, CanSource
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.decode.can_cases import SPEC, status
from tests.decode.contract import Fact, row
from tests.sources.contract import Rig

TWO = replace(
    SPEC,
    name="rack",
    signals=(CanSignal("udc", "InverterStatus", "DcVoltage"), CanSignal("n", "InverterStatus", "Speed")),
)
LINE_BYTES = 8


def can_fact(number: int) -> Fact:
    # 0.1 V a step: the same product that the conversion of the database makes
    return row(number * 0.1, 1500.0)


def frame_data(number: int) -> bytes:
    return status(0, volts=number * 0.1).data


def can_virtual_rig(tmp_path: Path) -> Rig:
    """python-can's virtual bus."""
    channel = str(uuid.uuid4())
    peer = can.Bus(channel, interface="virtual", ignore_config=True)

    def put(data: bytes) -> None:
        for at in range(0, len(data), LINE_BYTES):
            peer.send(can.Message(arbitration_id=256, is_extended_id=False, data=data[at : at + LINE_BYTES]))

    return _rig(replace(TWO, port=channel), frame_data, put, peer.shutdown)


def can_slcan_rig(tmp_path: Path) -> Rig:
    """An adapter with the ASCII protocol at the far end of a pseudo-terminal."""
    master, slave = os.openpty()

    def stop() -> None:
        os.close(master)
        os.close(slave)

    spec = replace(TWO, interface="slcan", port=os.ttyname(slave))
    return _rig(
        spec, lambda number: b"t1008%s\r" % frame_data(number).hex().encode(), lambda d: _write(master, d), stop
    )


def _write(descriptor: int, data: bytes) -> None:
    os.write(descriptor, data)


def _rig(spec: CanSource, line: Callable[[int], bytes], put: Callable[[bytes], None], stop: Callable[[], None]) -> Rig:
    return Rig(
        build_source(spec, HostClock()),
        put=put,
        stop=stop,
        line=line,
        fact=can_fact,
        command="BenchCommand.Mode=Stop",
        decode_again=lambda: decoder_for(spec),
    )
