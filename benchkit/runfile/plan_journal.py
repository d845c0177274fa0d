"""The journal of a plan: one file beside the runs, lines that are only added, and a small page that is written over.

``NAME_HASH.plan`` holds one entry a line: eight hexadecimal digits (CRC-32 of the rest of the line), a blank, JSON. A
thread of its own writes and syncs them, so that a slow disk holds nobody up. A last line that was torn is left out; a
damaged line before it is an error, for an account with a hole in it is none.

``NAME_HASH.tally`` is one page of memory that belongs to the file: the times since the last line, written with every
look and in two places in turn. It outlives the process, not the power: after a loss of power the lines alone count,
which are at most a second old.
"""

from __future__ import annotations

import json
import math
import mmap
import os
import queue
import struct
import threading
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchkit.errors import RunFileError
from benchkit.plans.account import Account, account_of
from benchkit.plans.entries import Entry, EntryKind
from benchkit.runfile.journal import take_lock

SUFFIX, TALLY_SUFFIX = ".plan", ".tally"
_SLOT = struct.Struct("<IQdddq")
"""CRC, count, totals of time under way, reading and in tolerance [s], index of the step."""
_PAGE = 4096
PATIENCE_S = 10.0


def plan_journal_path(folder: Path, name: str, sha256: str) -> Path:
    """The journal of a plan in the folder of its runs: another text of the plan has another one."""
    return folder / f"{name}_{sha256[:8]}{SUFFIX}"


def other_texts(folder: Path, name: str, sha256: str) -> list[str]:
    """Words about plans of the same name and another text that were begun in ``folder`` and are not over."""
    mine, found = plan_journal_path(folder, name, sha256), []
    for path in sorted(folder.glob(f"{name}_????????{SUFFIX}")):
        if path == mine:
            continue
        try:
            entries, _ = read_plan_journal(path)
        except (RunFileError, OSError):
            found.append(f"{path.name} cannot be read")
            continue
        kinds = {entry.kind for entry in entries}
        if EntryKind.BEGUN in kinds and not kinds & {EntryKind.FINISHED, EntryKind.ABANDONED}:
            done = account_of(entries)
            found.append(f"{path.name} was begun and is not over, {done.standing} of {done.asked.points} points done")
    return found


@dataclass(frozen=True, slots=True)
class Tally:
    """Totals since the beginning of the journal [s], and the step they ended in."""

    way_s: float = 0.0
    read_s: float = 0.0
    good_s: float = 0.0
    step: int = -1


def entry_line(entry: Entry) -> bytes:
    """One entry as a line."""
    time_s = entry.time_s if math.isfinite(entry.time_s) else None
    body = {"kind": entry.kind.value, "time_s": time_s, "message": entry.message, "data": dict(entry.data)}
    text = json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")
    return b"%08x %s\n" % (zlib.crc32(text), text)


def entry_from(line: bytes) -> Entry | None:
    """The entry of a line without its end; None where it is not whole."""
    try:
        check, text = line[:8], line[9:]
        if line[8:9] != b" " or int(check, 16) != zlib.crc32(text):
            return None
        body = json.loads(text)
        time_s = body["time_s"]
        return Entry(
            EntryKind(body["kind"]),
            math.nan if time_s is None else float(time_s),
            str(body["message"]),
            dict(body["data"]),
        )
    except (ValueError, KeyError, TypeError):
        return None


def read_plan_journal(path: Path) -> tuple[list[Entry], int]:
    """Entries of a journal, and the length of what is whole [bytes]; nothing where there is no file.

    Raises:
        RunFileError: a line before the last is damaged.
    """
    if not path.exists():
        return [], 0
    data = path.read_bytes()
    entries: list[Entry] = []
    whole = 0
    lines = data.split(b"\n")
    for number, line in enumerate(lines[:-1], start=1):
        entry = entry_from(line)
        if entry is None:
            if number == len(lines) - 1 and not lines[-1]:
                break  # torn at its end by a loss of power: its place was there, its text was not
            raise RunFileError(
                "a line of the journal is damaged",
                where=f"{path.name}: line {number}",
                remedy="The account cannot be trusted from there on. Move the file away to begin anew.",
            )
        entries.append(entry)
        whole += len(line) + 1
    return entries, whole


class PlanJournal:
    """Open journal of a plan. ``entries`` are those that were there; ``add`` hands a line to the writing thread.

    Raises:
        RunFileError: a damaged line before the last, a file that cannot be opened, or one that another recording holds.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.fault: str | None = None
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
        except OSError as error:
            raise _cannot_open(path, error) from error
        try:
            if not take_lock(self._file):
                raise RunFileError(
                    "another recording carries out this plan here",
                    where=str(path),
                    remedy="End it, or use another folder.",
                )
            self.entries, whole = read_plan_journal(path)
            self._count, self.tally = _newest(path)
            os.ftruncate(self._file, whole)
            os.lseek(self._file, 0, os.SEEK_END)
            self._page = _open_page(_tally_path(path))
        except OSError as error:
            os.close(self._file)
            raise _cannot_open(path, error) from error
        except RunFileError:
            os.close(self._file)
            raise
        self._queue: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write, name="plan journal", daemon=True)
        self._thread.start()

    def add(self, entries: Sequence[Entry]) -> None:
        """Write these; returns at once."""
        if entries:
            self._queue.put(b"".join(entry_line(entry) for entry in entries))

    def note(self, tally: Tally) -> None:
        """Keep the totals of this moment: no file is written, a page of memory is."""
        self._count += 1
        body = _SLOT.pack(0, self._count, tally.way_s, tally.read_s, tally.good_s, tally.step)[4:]
        slot = (self._count % 2) * _SLOT.size
        self._page[slot : slot + _SLOT.size] = struct.pack("<I", zlib.crc32(body)) + body

    def close(self) -> None:
        """Write what is waiting and let go."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join(PATIENCE_S)
        if not self._page.closed:
            self._page.close()

    def _write(self) -> None:
        try:
            while (data := self._queue.get()) is not None:
                while not self._queue.empty():
                    more = self._queue.get()
                    if more is None:
                        self._queue.put(None)
                        break
                    data += more
                try:
                    while data:
                        data = data[os.write(self._file, data) :]
                    os.fsync(self._file)
                except OSError as error:
                    self.fault = f"the journal of the plan cannot be written: {error.strerror}"
                    return
        finally:
            os.close(self._file)


def _cannot_open(path: Path, error: OSError) -> RunFileError:
    return RunFileError("the journal of the plan cannot be opened", where=str(path), got=error.strerror)


def _tally_path(path: Path) -> Path:
    return path.with_suffix(TALLY_SUFFIX)


def _open_page(path: Path) -> mmap.mmap:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    try:
        if os.fstat(descriptor).st_size < _PAGE:
            os.ftruncate(descriptor, _PAGE)
        return mmap.mmap(descriptor, _PAGE)
    finally:
        os.close(descriptor)


def read_tally(path: Path) -> Tally | None:
    """The newest whole totals beside the journal at ``path``; None where there are none."""
    return _newest(path)[1]


def untold(account: Account, tally: Tally | None) -> Tally | None:
    """What the tally has beyond the lines, whose ``account`` this is; None where it has nothing."""
    if tally is None:
        return None
    rest = Tally(tally.way_s - account.way_s, tally.read_s - account.read_s, tally.good_s - account.good_s, tally.step)
    return rest if rest.way_s > 1e-9 and min(rest.read_s, rest.good_s) > -1e-9 else None


def _newest(path: Path) -> tuple[int, Tally | None]:
    try:
        page = _tally_path(path).read_bytes()
    except OSError:
        return 0, None
    best: tuple[int, Tally | None] = (0, None)
    for start in (0, _SLOT.size):
        body = page[start : start + _SLOT.size]
        if len(body) < _SLOT.size or zlib.crc32(body[4:]) != struct.unpack("<I", body[:4])[0]:
            continue
        _, count, way_s, read_s, good_s, step = _SLOT.unpack(body)
        if count > best[0]:
            best = (count, Tally(way_s, read_s, good_s, step))
    return best
