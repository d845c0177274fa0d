"""How fast bytes become rows, beside the fastest libraries on the same bytes in the same run.

Packets: 24 values of 32 bits, a counter and a device time, CRC-16, in COBS frames, fed in pieces of 64 KiB as a port
hands them out. Beside it the same packets as they were before stuffing: ``numpy.frombuffer`` of all of them at once,
and the check value of each by the fastest library, compared. Text: 24 columns of the forms that instruments print, a
counter and a device time, fed as a file is read. Beside it ``pandas.read_csv(engine="c")`` of the same lines at once.
Both are taken alternately and the medians of the ratios count.
"""

from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from fastcrc import crc16

from benchkit.decode import cobs
from benchkit.decode.contract import Decoder
from benchkit.decode.packets import PacketDecoder
from benchkit.decode.text import TextDecoder
from benchkit.model.samples import Rows
from benchkit.model.sources import Framing, NumberType, PacketCheck, PacketField, PacketFormat, TextFormat
from tests.bench.figure import Figure, at_least

NAMES = (
    "packets_ratio",
    "packets_million_s",
    "length_packets_ratio",
    "text_ratio",
    "text_mb_s",
)
CHANNELS, ROUNDS = 24, 9
PACKETS, LINES = 60_000, 40_000
PIECE = 1 << 16
FILE_PIECE = 1 << 20
RECORD = np.dtype([("count", "<u2"), ("time", "<u4"), ("values", "<f4", (CHANNELS,)), ("check", "<u2")])
FORMAT = PacketFormat(
    fields=(
        PacketField("count", NumberType.U16),
        PacketField("t_us", NumberType.U32),
        *(PacketField(f"c{i}", NumberType.F32) for i in range(CHANNELS)),
    ),
    framing=Framing.COBS,
    check=PacketCheck.CRC16_CCITT_FALSE,
    counter_column="count",
    device_time_column="t_us",
)
LENGTH = PacketFormat(
    FORMAT.fields, Framing.LENGTH, FORMAT.check, sync=b"\xa5\x5a", counter_column="count", device_time_column="t_us"
)
LINE = TextFormat(
    columns=("count", "t_ms", *(f"c{i}" for i in range(CHANNELS))),
    counter_column="count",
    counter_modulus=2**32,
    device_time_column="t_ms",
)


def measure() -> Iterator[Figure]:
    """Figures of packets, then of text."""
    bare = packets()
    size = RECORD.itemsize
    single = [bare[at : at + size] for at in range(0, len(bare), size)]
    stuffed = b"".join(cobs.encode(one) + b"\0" for one in single)
    headed = _with_heads(single)
    ratio, seconds = _beside(lambda: decoded(PacketDecoder(FORMAT), stuffed, PIECE, PACKETS), lambda: by_library(bare))
    yield at_least("packets_ratio", ratio, "of library", 0.5)
    yield Figure("packets_million_s", PACKETS / seconds / 1e6, "10^6 packets/s")
    ratio, _ = _beside(lambda: decoded(PacketDecoder(LENGTH), headed, PIECE, PACKETS), lambda: by_library(bare))
    yield at_least("length_packets_ratio", ratio, "of library", 0.5)
    text = lines()
    ratio, seconds = _beside(lambda: decoded(TextDecoder(LINE), text, FILE_PIECE, LINES), lambda: by_pandas(text))
    yield at_least("text_ratio", ratio, "of pandas", 0.6)
    yield Figure("text_mb_s", len(text) / seconds / 1e6, "MB/s")


def packets() -> bytes:
    """Bytes of the packets before they are framed."""
    chance = np.random.default_rng(1)
    table = np.zeros(PACKETS, dtype=RECORD)
    table["count"] = np.arange(PACKETS) % 65536
    table["time"] = 50 * np.arange(PACKETS)
    table["values"] = chance.normal(400.0, 30.0, size=(PACKETS, CHANNELS))
    covered = RECORD.itemsize - 2
    data = table.tobytes()
    table["check"] = [crc16.ibm_3740(data[at : at + covered]) for at in range(0, len(data), RECORD.itemsize)]
    return table.tobytes()


def _with_heads(single: list[bytes]) -> bytes:
    """The same packets in length framing; the check value covers the head, so it is made anew."""
    found = []
    for one in single:
        body = b"\xa5\x5a" + bytes([len(one) - 2]) + one[:-2]
        found.append(body + crc16.ibm_3740(body).to_bytes(2, "little"))
    return b"".join(found)


def by_library(data: bytes) -> int:
    """What libraries alone need: the fields as arrays, and every check value computed and compared."""
    table = np.frombuffer(data, dtype=RECORD)
    size, covered = RECORD.itemsize, RECORD.itemsize - 2
    right = [crc16.ibm_3740(data[at : at + covered]) for at in range(0, len(data), size)]
    assert (table["check"] == right).all()
    return len(table)


def lines() -> bytes:
    """Lines of numbers in the forms that instruments print."""
    chance = np.random.default_rng(2)
    values = chance.normal(100.0, 60.0, size=(LINES, CHANNELS))
    forms = ["%.3f", "%.2f", "%.4f", "%.1f"]
    row = "%d,%d," + ",".join(forms[i % len(forms)] for i in range(CHANNELS)) + "\n"
    return "".join(row % (i, 5 * i, *v) for i, v in enumerate(values.tolist())).encode()


def by_pandas(data: bytes) -> int:
    """The C reader of pandas on all lines at once, every column a double."""
    return len(pd.read_csv(io.BytesIO(data), header=None, engine="c", dtype=np.float64))


def decoded(decoder: Decoder, data: bytes, piece: int, expected: int) -> int:
    """Feed everything and count the rows; nothing may be refused."""
    count = 0
    for at in range(0, len(data), piece):
        decoder.feed(data[at : at + piece], at)
        while (event := decoder.next_event()) is not None:
            assert isinstance(event, Rows), event
            count += len(event)
    assert count == expected
    return count


def _beside(ours: Callable[[], object], theirs: Callable[[], object]) -> tuple[float, float]:
    """Median of how fast ours is as a share of theirs, and our median time in s."""
    ratios, times = [], []
    for _ in range(ROUNDS):
        mine, other = _seconds(ours), _seconds(theirs)
        ratios.append(other / mine)
        times.append(mine)
    return statistics.median(ratios), statistics.median(times)


def _seconds(act: Callable[[], object]) -> float:
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


if __name__ == "__main__":
    for figure in measure():
        print(figure.line())
