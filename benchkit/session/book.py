"""What is written of a run, and when writing ends: batches, the keeping process, room on the disk, the close.

Nothing here waits. A disk that fills, or a keeping process that dies, is told, takes READY away and stops the stand in
order; protection goes on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

from benchkit.errors import BenchkitError
from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.protect.outcomes import Outcome
from benchkit.protect.protection import Protection
from benchkit.runfile.closing import ClosedRun
from benchkit.session.disk import LAST_S, DiskWatch, Room
from benchkit.session.keeper import Keeper
from benchkit.session.keeping import Batch

DISK_EVERY_NS = 1_000_000_000
STOP_PATIENCE_S = 5.0
"""How long an orderly end waits for the stand to acknowledge the stop."""
LOW_DISK_BYTES = 500_000_000


class Act(Protocol):
    """Carry out what protection says."""

    def __call__(self, outcomes: Sequence[Outcome], /) -> None: ...


class Tell(Protocol):
    """Write an event."""

    def __call__(
        self,
        time_ns: int,
        kind: EventKind,
        message: str,
        source: str = "",
        channel: str = "",
        data: Mapping[str, JsonValue] | None = None,
    ) -> None: ...


class Book:
    """The writing side of one recording. ``batch`` takes what comes, ``hand_over`` gives it to the keeping process."""

    def __init__(self, run_path: Path, start_ns: int, protection: Protection, act: Act, tell: Tell) -> None:
        self.run_path = run_path
        self.keeper = Keeper()
        self.batch = Batch()
        self.disk = DiskWatch(run_path.parent)
        self.bytes_taken = self.row_bytes = 0
        self.is_retired = False
        self.next_disk = start_ns
        self._start_ns = start_ns
        self._protection, self._act, self._tell = protection, act, tell
        self._retire_by_ns: int | None = None
        self._fault_told = False
        self._closed: ClosedRun | BenchkitError | None = None

    @property
    def is_recording(self) -> bool:
        """True while what comes is kept."""
        return self.keeper.fault is None and not self.is_retired

    def hand_over(self) -> None:
        """Give the batch to the keeping process; after the end of writing it is dropped."""
        if not self.is_retired:
            self.keeper.put(self.batch)
        self.batch = Batch()

    def turn(self, now: int) -> bool:
        """Look after disk and keeping process; True when the recorder is to write what is there and ``retire``."""
        if now >= self.next_disk:
            self.next_disk = now + DISK_EVERY_NS
            self._watch_disk(now)
        self._check(now)
        if self.is_retired:
            if self._closed is None and self.keeper.is_closed:
                self.take_closed()
        elif self._retire_by_ns is not None:
            is_moving = self._protection.state in {State.RUNNING, State.STOPPING}
            return not is_moving or now >= self._retire_by_ns
        return False

    def retire(self) -> None:
        """Have the run closed; all that is to be in it has been handed over."""
        self.is_retired = True
        self.keeper.ask_to_close()

    def take_closed(self) -> ClosedRun | BenchkitError:
        """The closed run, or why it could not be closed."""
        if self._closed is None:
            try:
                self._closed = self.keeper.close()
            except BenchkitError as error:
                self._closed = error
        return self._closed

    def _watch_disk(self, now: int) -> None:
        room = self.disk.look(self.bytes_taken, self.row_bytes, (now - self._start_ns) * 1e-9)
        has_room = self.disk.free_bytes > LOW_DISK_BYTES
        self._act(self._protection.set_permissive("disk space", has_room, now, remedy="Make room on the disk"))
        if room is None or self.is_retired:
            return
        left = f"{self.disk.left_s:.0f} s" if self.disk.left_s is not None else "some time"
        if room is Room.SHORT:
            message = f"The disk lasts {left} at this rate. Make room; with {LAST_S:.0f} s left the run is closed."
            self._tell(now, EventKind.CAUTION, message, data={"disk_left_s": self.disk.left_s})
        elif room is Room.PLENTY:
            self._tell(now, EventKind.CAUTION_CLEARED, "the disk has room again")
        elif self._retire_by_ns is None:
            self._retire_by_ns = now + round(STOP_PATIENCE_S * 1e9)
            self._tell(
                now,
                EventKind.RECORDING_FAULT,
                f"The disk lasts {left}: the stand is stopped in order and the run is closed. Make room or take "
                "another folder, then start a new recording. Protection goes on until this one is ended.",
            )
            if self._protection.state is State.RUNNING:
                self._act(self._protection.request(Trigger.STOP, now, "disk nearly full"))

    def _check(self, now: int) -> None:
        is_good = self.keeper.fault is None and self._retire_by_ns is None
        self._act(self._protection.set_permissive("recording", is_good, now, remedy="Start a new recording"))
        if self.keeper.fault is not None and not self._fault_told:
            self._fault_told = True
            self._tell(now, EventKind.RECORDING_FAULT, f"{self.keeper.fault} Protection goes on.")
            if self._protection.state is State.RUNNING:
                self._act(self._protection.request(Trigger.STOP, now, "recording fault"))
