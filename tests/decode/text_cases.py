"""Cases of the text decoder for the contract suite."""

from __future__ import annotations

from benchkit.decode.checksums import TEXT_CHECKS
from benchkit.decode.text import TextDecoder
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import Checksum, TextFormat
from tests.decode.contract import Case, bad, gap, reply, row

NAN = float("nan")

PLAIN = TextFormat(columns=("udc", "idc"), max_line_bytes=64)
CHECKED = TextFormat(
    columns=("count", "t_ms", "udc", "n"),
    checksum=Checksum.CRC16_CCITT_FALSE,
    counter_column="count",
    counter_modulus=256,
    device_time_column="t_ms",
    max_line_bytes=64,
)
COMMA = TextFormat(columns=("udc", "idc"), separator=";", decimal_mark=",", missing=("-",), max_line_bytes=64)
TABS = TextFormat(columns=("n", "count"), separator="\t", counter_column="count", missing=("-999",), max_line_bytes=64)


def checked(body: str, text_format: TextFormat = CHECKED) -> bytes:
    """A line with its check value and LF."""
    data = body.encode("ascii")
    return data + TEXT_CHECKS[text_format.checksum].tail(data) + b"\n"


TEXT_CASES = [
    Case(
        name="plain",
        make=lambda: TextDecoder(PLAIN),
        data=(
            b"400.0,12.5\n"
            b"398.7,-1e1\r\n"
            b"\n"
            b">ok set speed 2500\r\n"
            b"398.7\n"
            b",nan\n"
            b"1_0,2\n"
            b"infinity,2\n"
            b"1,0x10\n"
            b"1,2\x00\n"
            b"1,\xb52\n"
            b"1, 2\n"
            b"1e999,2\n"
            b"1,2\r\r\n" + b"7" * 65 + b"\n"
            b".5,5.\n"
            b"+0,-0\n"
        ),
        facts=(
            row(400.0, 12.5),
            row(398.7, -10.0),
            reply("ok set speed 2500"),
            bad(BadFrameReason.FIELD_COUNT, b"398.7", 5),
            row(NAN, NAN),
            bad(BadFrameReason.NOT_A_NUMBER, b"1_0,2", 7),
            bad(BadFrameReason.NOT_A_NUMBER, b"infinity,2", 8),
            bad(BadFrameReason.NOT_A_NUMBER, b"1,0x10", 9),
            bad(BadFrameReason.NUL_BYTE, b"1,2\x00", 10),
            bad(BadFrameReason.NOT_TEXT, b"1,\xb52", 11),
            bad(BadFrameReason.NOT_A_NUMBER, b"1, 2", 12),
            bad(BadFrameReason.NOT_A_NUMBER, b"1e999,2", 13),
            bad(BadFrameReason.NOT_TEXT, b"1,2\r", 14),
            bad(BadFrameReason.TOO_LONG, b"7" * 64, 15),
            row(0.5, 5.0),
            row(0.0, -0.0),
        ),
        garbage=b"\xff\x00,,,*\r\r>\n12,13,14\n" + b"x" * 200 + b"\n",
        good=b"1,2\n",
        unfinished=b"1,2",
        max_frame_bytes=64,
    ),
    Case(
        name="checked",
        make=lambda: TextDecoder(CHECKED),
        data=(
            checked("254,1000.0,400.0,1500")
            + checked("255,1001.0,400.0,1500")
            + checked("0,1002.0,400.0,1500").lower()
            + checked("1,1003.0,400.0,1500").replace(b"400.0", b"900.0")
            + checked("2,1004.0,,1500")
            + checked("2,1004.0,401.0,1500")
            + checked("1,1004.0,402.0,1500")
            + checked("3.5,1004.0,402.0,1500")
            + checked("256,1004.0,402.0,1500")
            + checked(",1004.0,402.0,1500")
            + checked("2,,402.0,1500")
            + b"2,1005.0,402.0,1500\n"
            + checked("2,1005.0,402.0,1500").replace(b"*", b" *")
            + checked("2,1005.0,402.0")
            + b">ok stop ramp\n"
            + checked("9,1012.0,403.0,1501").replace(b"\n", b"\r\n")
        ),
        facts=(
            row(400.0, 1500.0, counter=254, device_time_s=1.0),
            row(400.0, 1500.0, counter=255, device_time_s=1001.0 * 1e-3),
            row(400.0, 1500.0, counter=0, device_time_s=1002.0 * 1e-3),
            bad(BadFrameReason.CHECKSUM, checked("1,1003.0,400.0,1500").replace(b"400.0", b"900.0")[:-1], 4),
            gap(1, 5),
            row(NAN, 1500.0, counter=2, device_time_s=1004.0 * 1e-3),
            gap(None, 6),
            row(401.0, 1500.0, counter=2, device_time_s=1004.0 * 1e-3),
            gap(None, 7),
            row(402.0, 1500.0, counter=1, device_time_s=1004.0 * 1e-3),
            bad(BadFrameReason.NOT_A_NUMBER, checked("3.5,1004.0,402.0,1500")[:-1], 8),
            bad(BadFrameReason.NOT_A_NUMBER, checked("256,1004.0,402.0,1500")[:-1], 9),
            bad(BadFrameReason.NOT_A_NUMBER, checked(",1004.0,402.0,1500")[:-1], 10),
            bad(BadFrameReason.NOT_A_NUMBER, checked("2,,402.0,1500")[:-1], 11),
            bad(BadFrameReason.CHECKSUM, b"2,1005.0,402.0,1500", 12),
            bad(BadFrameReason.CHECKSUM, checked("2,1005.0,402.0,1500").replace(b"*", b" *")[:-1], 13),
            bad(BadFrameReason.FIELD_COUNT, checked("2,1005.0,402.0")[:-1], 14),
            reply("ok stop ramp"),
            gap(7, 16),
            row(403.0, 1501.0, counter=9, device_time_s=1012.0 * 1e-3),
        ),
        garbage=b"10,1013.0,4" + bytes(range(256)).replace(b"\n", b"") + b"\n*\n*29B1\n",
        good=checked("10,1013.0,403.0,1501"),
        unfinished=checked("10,1013.0,403.0,1501")[:-1],
        max_frame_bytes=64,
    ),
    Case(
        name="decimal comma",
        make=lambda: TextDecoder(COMMA),
        data=b"400,25;-1,5\n400.25;1\n-;1e-3\n;1\n1.234,5;2\n",
        facts=(
            row(400.25, -1.5),
            bad(BadFrameReason.NOT_A_NUMBER, b"400.25;1", 2),
            row(NAN, 0.001),
            bad(BadFrameReason.NOT_A_NUMBER, b";1", 4),
            bad(BadFrameReason.NOT_A_NUMBER, b"1.234,5;2", 5),
        ),
        garbage=b"1;2;3\n,;,\n",
        good=b"1;2\n",
        unfinished=b"1;2,",
        max_frame_bytes=64,
    ),
    Case(
        name="tabs, counter last, a number that means missing",
        make=lambda: TextDecoder(TABS),
        data=b"1.5\t65534\n-999\t65535\n-999.0\t0\n1\t40000\n1\t39999\n1\t-999\n",
        facts=(
            row(1.5, counter=65534),
            row(NAN, counter=65535),
            row(-999.0, counter=0),
            # 40000 - 0 is more than half of 65536: the counter went back
            gap(None, 4),
            row(1.0, counter=40000),
            gap(None, 5),
            row(1.0, counter=39999),
            bad(BadFrameReason.NOT_A_NUMBER, b"1\t-999", 6),
        ),
        garbage=b"\t\t\n1\t1\t1\n",
        good=b"2\t40000\n",
        unfinished=b"2\t4",
        max_frame_bytes=64,
    ),
]
