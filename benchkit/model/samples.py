"""What a decoder gives: rows of numbers as received, and everything that was not a good row."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Good rows, oldest first.

    ``arrival_ns`` (n,) is the host's monotonic time at which the last byte of the row came; ``device_time_s`` (n,)
    is NaN where the source has no clock; ``counter`` (n,) is -1 where it has none; ``values`` (n, columns) are the
    numbers as received, before calibration, NaN where not measured.
    """

    arrival_ns: IntArray
    device_time_s: FloatArray
    counter: IntArray
    values: FloatArray

    def __len__(self) -> int:
        return int(self.arrival_ns.shape[0])


class BadFrameReason(StrEnum):
    """Why a frame was refused."""

    FIELD_COUNT = "field_count"
    NOT_A_NUMBER = "not_a_number"
    CHECKSUM = "checksum"
    NUL_BYTE = "nul_byte"
    NOT_TEXT = "not_text"
    TOO_LONG = "too_long"
    PARTIAL = "partial"
    """Its start or its end was not seen."""
    ERROR_REPLY = "error_reply"
    """The device answered that it cannot do what it was asked."""
    LENGTH = "length"
    """A packet of another length than declared."""
    STUFFING = "stuffing"
    """Bytes between two delimiters that no encoder makes."""
    NO_SYNC = "no_sync"
    """Bytes in which no packet begins."""
    OUT_OF_RANGE = "out_of_range"
    """A value outside the range that the database declares; that value is NaN, the others of the frame stand."""
    NOT_IN_DATABASE = "not_in_database"
    """Of a layout that the database does not know."""
    BUS_ERROR = "bus_error"
    """The interface reports an error of the bus."""


@dataclass(frozen=True, slots=True)
class BadFrame:
    """A frame that was refused, with its first bytes as evidence. No sample is made from it.

    ``frame`` counts the frames since the opening from 1 (of text: the line number); 0 where that is not known.
    """

    arrival_ns: int
    reason: BadFrameReason
    detail: str
    data: bytes
    frame: int = 0


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames known to be missing before the next row; ``missing`` is None where it cannot be counted.

    ``frame`` is the number of the frame after the gap, counted as in :class:`BadFrame`.
    """

    arrival_ns: int
    missing: int | None
    cause: str
    frame: int = 0


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer line of the device, without its prefix."""

    arrival_ns: int
    text: str


DecodeEvent = Rows | BadFrame | Gap | Reply


def join_rows(blocks: list[Rows]) -> Rows:
    """One block from several; rows keep their order."""
    return Rows(
        arrival_ns=np.concatenate([b.arrival_ns for b in blocks]),
        device_time_s=np.concatenate([b.device_time_s for b in blocks]),
        counter=np.concatenate([b.counter for b in blocks]),
        values=np.concatenate([b.values for b in blocks]),
    )
