"""Frames of an invented inverter, encoded by cantools, as records for the decoder."""

from __future__ import annotations

from pathlib import Path

import cantools.database
from cantools.database.can import Database

from benchkit.decode.can_frames import ERROR, EXTENDED, CanDecoder, CanFrame, pack
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import CanSignal, CanSource
from tests.decode.contract import Case, bad, row

DBC = (Path(__file__).resolve().parents[1] / "files" / "marsh_inverter.dbc").read_text(encoding="utf-8")
MS = 1_000_000
NAN = float("nan")
# The library read by the book: what it encodes is what our decoder must find again.
DATABASE = cantools.database.load_string(DBC, "dbc")
assert isinstance(DATABASE, Database)
SIGNALS = (
    CanSignal("udc", "InverterStatus", "DcVoltage"),
    CanSignal("idc", "InverterStatus", "DcCurrent"),
    CanSignal("n", "InverterStatus", "Speed"),
    CanSignal("state", "InverterStatus", "State"),
    CanSignal("tj", "InverterTemps", "JunctionTemp"),
    CanSignal("tw", "InverterTemps", "WindingTemp"),
    CanSignal("torque", "InverterTorque", "Torque"),
)
SPEC = CanSource(
    name="inverter",
    interface="virtual",
    port="marsh",
    bitrate=500_000,
    dbc=DBC,
    signals=SIGNALS,
    row_message="InverterStatus",
    stale_after_s=0.1,
    set_point_command="BenchCommand.{name}Set={value}",
)


def frame(message: str, at_ms: float, **values: float) -> CanFrame:
    """One frame, encoded by cantools."""
    found = DATABASE.get_message_by_name(message)
    data = found.encode(values, strict=False)
    return CanFrame(found.frame_id, data, round(at_ms * MS), flags=EXTENDED * found.is_extended_frame)


def status(at_ms: float, volts: float = 400.0, amps: float = 12.5, rpm: float = 1500.0, state: int = 2) -> CanFrame:
    return frame("InverterStatus", at_ms, DcVoltage=volts, DcCurrent=amps, Speed=rpm, State=state)


def packed(*frames: CanFrame) -> bytes:
    return b"".join(pack(one) for one in frames)


SHORT = CanFrame(256, b"\1\2\3", 30 * MS)
BUS_ERROR = CanFrame(0x20, bytes(8), 31 * MS, flags=ERROR)
CAN_CASES = [
    Case(
        name="can",
        make=lambda: CanDecoder(SPEC),
        data=packed(
            status(1),
            frame("InverterTemps", 2, Sensor=0, JunctionTemp=75.5),
            frame("InverterTorque", 3, Torque=41.25),
            CanFrame(0x555, b"\xca\xf2", 4 * MS),
            status(5, amps=-3.2),
            frame("InverterTemps", 6, Sensor=2, WindingTemp=-12.0),
            CanFrame(256, bytes(4), 7 * MS),
            status(8, volts=600.1),
        ),
        facts=(
            row(400.0, 12.5, 1500.0, 2.0, NAN, NAN, NAN),
            row(400.0, -3.2, 1500.0, 2.0, 75.5, NAN, 41.25),
            bad(BadFrameReason.LENGTH, bytes(4), 7),
            bad(BadFrameReason.OUT_OF_RANGE, status(8, volts=600.1).data, 8),
            row(NAN, 12.5, 1500.0, 2.0, 75.5, -12.0, 41.25),
        ),
        garbage=b"\xca\xca\xf2\xff\0 noise \xca" + packed(SHORT, BUS_ERROR),
        good=packed(status(9)),
        unfinished=packed(status(9))[:-1],
        max_frame_bytes=88,
    )
]
