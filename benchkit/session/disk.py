"""Room for a recording: before it starts, and while it runs."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from benchkit.errors import RunFileError
from benchkit.model.sources import CanSource, ModbusSource, ScpiSource, SerialPacketSource, SerialTextSource
from benchkit.model.sources import Source as SourceSpec
from benchkit.runfile.store import RESERVE_BYTES

CAUTION_S = 600.0
LAST_S = 60.0
"""With less room than for this the stand is stopped in order and the run closed, while there is room to close it."""
EVENTS_BYTES = 1 << 20
BITS_PER_SERIAL_BYTE = 10
"""Start bit, eight data bits, stop bit."""
RUN_TO_RECEIVED = 1.6
"""A text field of about five bytes becomes eight in the run file; packets of 32-bit fields become twice as long."""
JOURNAL_TO_RECEIVED = 2.0
"""The journal holds the bytes as received; at closing they go into the run, and only then the journal is deleted."""


def check_folder(folder: Path, specs: Iterable[SourceSpec], wanted_s: float) -> str | None:
    """Make or look at the folder of a recording that is to last ``wanted_s``; return a caution when room may be short.

    Raises:
        RunFileError: it is read-only or full; the message says what to do.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".benchkit-"):
            pass
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise RunFileError(
            f"nothing can be written here: {os.strerror(error.errno) if error.errno else error}",
            where=str(folder),
            remedy="Choose another folder with --out, or make this one writable.",
        ) from error
    needed = RESERVE_BYTES + EVENTS_BYTES
    if free < needed:
        raise RunFileError(
            "the disk is full",
            where=str(folder),
            got=f"{free / 1e6:.0f} MB free",
            expected=f"at least {needed / 1e6:.0f} MB",
            remedy="Make room, or choose a folder on another disk with --out.",
        )
    rate = most_bytes_per_s(specs) * (RUN_TO_RECEIVED + JOURNAL_TO_RECEIVED)
    if rate <= 0.0 or free - needed >= rate * wanted_s:
        return None
    return (
        f"{folder}: {free / 1e9:.1f} GB free may last only {_span((free - needed) / rate)} of {_span(wanted_s)} if all "
        "links send as fast as they can. The run is closed in order before the disk is full; make room to be safe."
    )


def most_bytes_per_s(specs: Iterable[SourceSpec]) -> float:
    """Bytes per second that the links of a profile can bring at most; a link whose speed it does not say counts 0."""
    return sum(_most_of(spec) for spec in specs)


def seconds_left(free: int, received: int, row_bytes: int, elapsed_s: float) -> float | None:
    """How long the disk lasts [s] at the rate so far, so that the run can still be closed; None: not known yet.

    ``received`` bytes are in the journal, ``row_bytes`` in the run file; closing copies the journal into the run.
    """
    if elapsed_s < 1.0 or received + row_bytes == 0:
        return None
    rate = (row_bytes + JOURNAL_TO_RECEIVED * received) / elapsed_s
    return max(0.0, free - RESERVE_BYTES - EVENTS_BYTES - received) / rate


class Room(Enum):
    """How much room is left."""

    PLENTY = 0
    SHORT = 1
    LAST = 2


@dataclass(slots=True)
class DiskWatch:
    """What is left of the disk under a recording."""

    folder: Path
    free_bytes: int = 0
    left_s: float | None = None
    room: Room = Room.PLENTY

    def look(self, received: int, row_bytes: int, elapsed_s: float) -> Room | None:
        """Measure; return the room when it has changed."""
        self.free_bytes = shutil.disk_usage(self.folder).free
        self.left_s = seconds_left(self.free_bytes, received, row_bytes, elapsed_s)
        before = self.room
        if self.left_s is not None:
            caution_s = CAUTION_S if before is Room.PLENTY else 1.1 * CAUTION_S
            self.room = Room.LAST if self.left_s < LAST_S else Room.SHORT if self.left_s < caution_s else Room.PLENTY
        return self.room if self.room is not before else None


def _most_of(spec: SourceSpec) -> float:
    if isinstance(spec, (SerialTextSource, SerialPacketSource)):
        return spec.baud / BITS_PER_SERIAL_BYTE
    if isinstance(spec, (ModbusSource, ScpiSource)):
        return 16.0 * len(spec.columns) / spec.interval_s
    if isinstance(spec, CanSource):
        return spec.bitrate / 4.0  # a frame of 8 data bytes has about 130 bits; it is kept with address and time
    return 0.0


def _span(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h" if seconds >= 3600.0 else f"{seconds / 60.0:.0f} min"
