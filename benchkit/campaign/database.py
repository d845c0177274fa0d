"""The catalogue on disk: one SQLite table that is a cache of the files and may be deleted at any time."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import itemgetter
from pathlib import Path
from typing import Any

from benchkit.campaign.entry import Entry, Filter, State
from benchkit.errors import UsageError

FILE_NAME = ".benchkit-runs.sqlite"
APPLICATION_ID = 0x62_6B_72_6E
"""Marks our files, so that no other database is ever taken for a cache."""
VERSION = 1
_COLUMNS = tuple(name for name in Entry._fields if name != "tags")
_TYPES = dict.fromkeys(("size_bytes", "mtime_ns", "simulated", "rows"), "INTEGER") | {"duration_s": "REAL"}
_BUSY_S = 20.0


@dataclass(frozen=True, slots=True)
class Stamp:
    """What decides whether a file must be read again."""

    size_bytes: int
    mtime_ns: int
    read_ns: int
    state: State
    content_sha256: str


class Database:
    """An open catalogue. ``path`` None, or a place that cannot be written: it lives in memory."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.is_kept = path is not None
        """False where nothing is left on disk."""
        if path is None:
            self._db = _memory()
            return
        try:
            self._db = _opened(path)
        except sqlite3.OperationalError:
            self._db, self.is_kept = _memory(), False
        except sqlite3.DatabaseError:
            if not _may_replace(path):
                raise UsageError(
                    "is no catalogue of runs", where=str(path), remedy="Name another file for the catalogue."
                ) from None
            path.unlink()  # a cache: what it held is made again from the files
            self._db = _opened(path)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def stamps(self) -> dict[str, Stamp]:
        """Every file that is known, by path."""
        rows = self._db.execute("SELECT path, size_bytes, mtime_ns, read_ns, state, content_sha256 FROM runs")
        return {path: Stamp(size, mtime, read, State(state), sha) for path, size, mtime, read, state, sha in rows}

    def update(self, found: Iterable[tuple[Entry, int]], gone: Iterable[str] = ()) -> None:
        """Put entries, each with the time at which its file was read [ns], and forget paths; all or nothing."""
        places = ", ".join("?" * (len(_COLUMNS) + 2))
        try:
            with self._db:
                self._db.executemany("DELETE FROM runs WHERE path = ?", [(path,) for path in gone])
                self._db.executemany(
                    f"INSERT OR REPLACE INTO runs ({', '.join(_COLUMNS)}, read_ns, started_s) VALUES ({places})",  # noqa: S608
                    (
                        [*(getattr(entry, name) for name in _COLUMNS), read_ns, _seconds(entry.started_utc)]
                        for entry, read_ns in found
                    ),
                )
        except sqlite3.OperationalError as error:
            raise UsageError(
                f"the catalogue cannot be written: {error}",
                where=str(self.path),
                remedy="Name another place for it with --cache.",
            ) from error

    def clear(self) -> None:
        """Forget everything."""
        with self._db:
            self._db.execute("DELETE FROM runs")

    def select(self, wanted: Filter) -> list[Entry]:
        """Entries that fulfil all conditions but tags, in the order of their start; those without one come last."""
        conditions, values = _conditions(wanted)
        where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
        rows = self._db.execute(
            f"SELECT {', '.join(_COLUMNS)}, started_s FROM runs{where}",  # noqa: S608 - our own words; values are bound
            values,
        ).fetchall()
        # quicker here than from an index, which would go to a row after the other
        rows.sort(key=_BY_START)
        return [_entry(row) for row in rows]


_BY_START = itemgetter(len(_COLUMNS), _COLUMNS.index("path"))
_STATES = {str(state): state for state in State}
_STATE, _SIMULATED = _COLUMNS.index("state"), _COLUMNS.index("simulated")


def _entry(row: tuple[Any, ...]) -> Entry:
    """A row of the table: it has the columns in the order of the fields."""
    values = list(row[:-1])
    values[_STATE] = _STATES[values[_STATE]]
    if values[_SIMULATED] is not None:
        values[_SIMULATED] = bool(values[_SIMULATED])
    return Entry._make((*values, ()))


def _conditions(wanted: Filter) -> tuple[list[str], list[object]]:
    conditions: list[str] = []
    values: list[object] = []

    def like(names: Sequence[str], pattern: str) -> None:
        if pattern:
            conditions.append("(" + " OR ".join(f"lower({name}) GLOB lower(?)" for name in names) + ")")
            values.extend([pattern] * len(names))

    like(("inverter", "motor"), wanted.article)
    for name in ("firmware", "propeller", "operator", "stand"):
        like((name,), getattr(wanted, name))
    if wanted.run:
        conditions.append(
            "(run_id GLOB ? OR path GLOB ? OR path GLOB '*/' || ? OR (length(?) >= 8 AND content_sha256 GLOB ? || '*'))"
        )
        values.extend([wanted.run] * 5)
    if wanted.first_day:
        conditions.append("day >= ?")
        values.append(wanted.first_day)
    if wanted.last_day:
        conditions.append("day != '' AND day <= ?")
        values.append(wanted.last_day)
    if wanted.simulated is not None:
        conditions.append("simulated = ?")
        values.append(int(wanted.simulated))
    if wanted.states:
        conditions.append(f"state IN ({', '.join('?' * len(wanted.states))})")
        values.extend(str(state) for state in wanted.states)
    return conditions, values


def _seconds(started_utc: str) -> float:
    """Start as seconds since the epoch, to put runs of several offsets in order; behind all others where not known."""
    return datetime.fromisoformat(started_utc).timestamp() if started_utc else math.inf


def _memory() -> sqlite3.Connection:
    db = sqlite3.connect(":memory:")
    _make(db)
    return db


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=_BUSY_S)
    try:
        found = [db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
        is_empty = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
        if is_empty:
            _make(db)
        elif found != [APPLICATION_ID, VERSION]:
            raise sqlite3.DatabaseError("another version, or not ours")
        else:
            db.execute(f"SELECT {', '.join(_COLUMNS)}, read_ns, started_s FROM runs LIMIT 1")  # noqa: S608
    except BaseException:
        db.close()
        raise
    return db


def _make(db: sqlite3.Connection) -> None:
    columns = ", ".join(f"{name} {_TYPES.get(name, 'TEXT')}" for name in _COLUMNS if name != "path")
    with db:
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute(f"CREATE TABLE runs (path TEXT PRIMARY KEY, {columns}, read_ns INTEGER, started_s REAL)")


def _may_replace(path: Path) -> bool:
    """A file that is ours by its name or its mark."""
    if path.name == FILE_NAME:
        return True
    with path.open("rb") as file:
        head = file.read(72)
    return head[:15] == b"SQLite format 3" and int.from_bytes(head[68:72], "big") == APPLICATION_ID
