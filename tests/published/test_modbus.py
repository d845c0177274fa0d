"""Frames of Modbus RTU against printed ones, by the library that makes and reads ours.

Widely printed example of function 03 on a serial line: unit 17 is asked for holding registers 108 to 110 (address
0x006B); its answer says AE41 5652 4340. Seen second-hand, in guides to Modbus and in test vectors of several
independent libraries; the form of request and answer is that of MODBUS Application Protocol Specification V1.1b3, 6.3
(https://modbus.org/specs.php), whose own example asks for the same registers.

CRC: Greg Cook, *Catalogue of parametrised CRC algorithms*, https://reveng.sourceforge.io/crc-catalogue/ :
CRC-16/MODBUS, check value 0x4B37 of the nine ASCII digits "123456789".
"""

from __future__ import annotations

import struct

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest

from benchkit.decode.registers import RegisterWords, gather, plan_reads
from benchkit.model.sources import ModbusRegister, ModbusTable, NumberType

REQUEST = bytes.fromhex("11 03 00 6B 00 03 76 87")
ANSWER = bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD")
REGISTERS = tuple(
    ModbusRegister(name, ModbusTable.HOLDING, address, NumberType.U16)
    for name, address in (("a", 107), ("b", 108), ("c", 109))
)


def test_request() -> None:
    (read,) = plan_reads(REGISTERS)
    assert (read.address, read.count) == (0x6B, 3)
    request = ReadHoldingRegistersRequest(address=read.address, count=read.count, dev_id=17)
    assert FramerRTU(DecodePDU(False)).buildFrame(request) == REQUEST


def test_answer() -> None:
    used, answer = FramerRTU(DecodePDU(False)).handleFrame(ANSWER, 17, 0)
    assert used == len(ANSWER)
    assert answer is not None
    assert list(answer.registers) == [0xAE41, 0x5652, 0x4340]
    words = gather(REGISTERS, [(plan_reads(REGISTERS)[0], struct.pack(">3H", *answer.registers))])
    assert RegisterWords(REGISTERS).values(words) == [0xAE41, 0x5652, 0x4340]


def test_check_value() -> None:
    # pymodbus gives it as it goes onto the line: low byte first
    assert FramerRTU.compute_CRC(b"123456789").to_bytes(2, "big") == bytes.fromhex("37 4B")
