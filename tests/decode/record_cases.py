"""Cases of the decoder contract suite: records of polled instruments."""

from __future__ import annotations

import struct

from benchkit.decode.records import Outcome, failure, record
from benchkit.decode.registers import RegisterDecoder
from benchkit.decode.scpi import ScpiDecoder, pack_replies
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import (
    ByteOrder,
    ModbusRegister,
    ModbusTable,
    NumberType,
    ScpiQuery,
    ScpiReply,
)
from tests.decode.contract import Case, bad, gap, reply, row

NAN = float("nan")
REGISTERS = (
    ModbusRegister("temp", ModbusTable.INPUT, 8, NumberType.I16, gain=0.1),
    ModbusRegister("udc", ModbusTable.HOLDING, 100, NumberType.F32),
    ModbusRegister("energy", ModbusTable.HOLDING, 102, NumberType.U32, ByteOrder.LITTLE, offset=-1.0),
)
QUERIES = (
    ScpiQuery("MEAS:VOLT?", ("udc", "idc")),
    ScpiQuery("FETC:SPE?", ("n", "m"), ScpiReply.BLOCK, NumberType.I16),
)


def sweep_of_registers(number: int, temp: int, udc: float, energy: int) -> bytes:
    """Record of a sweep; the low word of ``energy`` comes first."""
    words = struct.pack(">hf", temp, udc) + struct.pack(">HH", energy & 0xFFFF, energy >> 16)
    return record(Outcome.ANSWERED, number, words)


def sweep_of_answers(number: int, volts: bytes, speeds: bytes) -> bytes:
    return record(Outcome.ANSWERED, number, pack_replies([volts, speeds]))


ILLEGAL = b"\x83\x02"
GOOD = sweep_of_registers(8, 250, 400.5, 70000)
GOOD_ANSWERS = sweep_of_answers(8, b"400.25,-1", b"#14\x05\xdc\x0a\x0a")
WRONG_COUNT = pack_replies([b"1", b"#14\x05\xdc\x0a\x0a"])

RECORD_CASES = [
    Case(
        name="registers of a Modbus device",
        make=lambda: RegisterDecoder(REGISTERS),
        data=sweep_of_registers(0, -105, 400.25, 65536 + 2)
        + failure(Outcome.NO_ANSWER, 1, "read holding 100…103: no answer of unit 17 within 0.3 s")
        # sweeps 2 to 4 were left out
        + sweep_of_registers(5, 250, float("nan"), 1)
        + record(Outcome.REPLY, 0, b"ok write speed 2500")
        + failure(Outcome.ERROR_REPLY, 6, "read input 8: exception 2, illegal data address", ILLEGAL)
        + failure(Outcome.DAMAGED, 7, "read input 8: no sound answer", b"\x11\x04\x02"),
        facts=(
            # 65538 - 1: offset -1 after gain 1
            row(-105 * 0.1, 400.25, 65537.0),
            gap(1, 2),
            gap(3, 3),
            row(250 * 0.1, NAN, 0.0),
            reply("ok write speed 2500"),
            bad(BadFrameReason.ERROR_REPLY, ILLEGAL, 4),
            bad(BadFrameReason.CHECKSUM, b"\x11\x04\x02", 5),
        ),
        garbage=GOOD[:-1] + bytes([GOOD[-1] ^ 1]) + bytes(300),
        good=GOOD,
        unfinished=GOOD[:-1],
        max_frame_bytes=1024,
    ),
    Case(
        name="answers of a SCPI instrument",
        make=lambda: ScpiDecoder(QUERIES),
        data=record(Outcome.REPLY, 0, b"identity: Reed Instruments,RI-4,SN 0012,1.07")
        # 0x05DC = 1500, 0x0A0A = 2570: a line feed within a block is content
        + sweep_of_answers(0, b"4.0025E+02,-1.5", b"#14\x05\xdc\x0a\x0a")
        # 9.91E37 says: not a number; 9.9E37: infinity
        + sweep_of_answers(1, b"9.91E37, 9.9E+37", b"#0\x00\x01\xff\xff")
        + record(Outcome.ANSWERED, 2, WRONG_COUNT)
        + failure(Outcome.NO_ANSWER, 3, "no answer to MEAS:VOLT? within 0.3 s"),
        facts=(
            reply("identity: Reed Instruments,RI-4,SN 0012,1.07"),
            row(400.25, -1.5, 1500.0, 2570.0),
            row(NAN, NAN, 1.0, -1.0),
            bad(BadFrameReason.FIELD_COUNT, WRONG_COUNT, 3),
            gap(1, 4),
        ),
        garbage=GOOD_ANSWERS[:-1] + bytes([GOOD_ANSWERS[-1] ^ 1]) + bytes(300),
        good=GOOD_ANSWERS,
        unfinished=GOOD_ANSWERS[:-1],
        max_frame_bytes=66_000,
    ),
]
