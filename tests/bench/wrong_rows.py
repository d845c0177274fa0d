"""How many wrong rows get through when frames are damaged: by framing and by check value.

Frames of known numbers are sent; one group of eight in two is damaged one to three times: a flipped bit, bytes lost,
inserted, doubled, zeroed, a burst of 0xFF, a line end. A row is wrong when its numbers are not those that were sent
under its counter. Seeded: the same figures at every run.

All figures together are taken of half a megabyte a format; ``--only`` one of them, of two megabytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchkit.model.sources import Checksum, PacketCheck, PacketFormat, TextFormat
from tests.bench.figure import Figure
from tests.decode.fuzzing import COBS, DATAGRAM, LENGTH, TEXT, fuzz

BYTES, SHORT_BYTES, SEED = 2_000_000, 500_000, 11
FORMATS: dict[str, TextFormat | PacketFormat] = {
    **{f"text, {check.value}": replace(TEXT, checksum=check) for check in Checksum},
    **{
        f"{f.framing.value}, {check.value}": replace(f, check=check)
        for f in (COBS, LENGTH, DATAGRAM)
        for check in PacketCheck
    },
}
NAMES = tuple(f"wrong rows: {name}" for name in FORMATS)


def measure() -> Iterator[Figure]:
    """Wrong rows per thousand damages, one figure a format and check value."""
    yield from _measure(BYTES)


def measure_short() -> Iterator[Figure]:
    """The same of a quarter of the bytes, where all figures are taken."""
    yield from _measure(SHORT_BYTES)


def _measure(size: int) -> Iterator[Figure]:
    for name, f in FORMATS.items():
        found = fuzz(f, size, SEED)
        yield Figure(f"wrong rows: {name}", 1e3 * found.wrong / found.damages, "per 1000 damages")


if __name__ == "__main__":
    for figure in measure():
        print(figure.line(), flush=True)
