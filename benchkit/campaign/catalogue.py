"""The catalogue of a folder: what is new, moved, changed or gone since the last look, and lists by condition.

It can be made again from the files alone at any time, and then says the same.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from benchkit.campaign.database import FILE_NAME, Database, Stamp
from benchkit.campaign.entry import Entry, Filter, State
from benchkit.campaign.scan import files_of, read_entry
from benchkit.campaign.tags import read_tags, write_tags
from benchkit.errors import UsageError

SETTLED_NS = 2_000_000_000
"""A file that was changed less than this before it was read is read once more: some file systems keep the time of a
change to no more than two seconds, and a second change within them would not be seen."""
BATCH = 200
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Changes:
    """What a look at the folder found to be different from the last one."""

    new: tuple[Entry, ...] = ()
    changed: tuple[Entry, ...] = ()
    moved: tuple[tuple[str, Entry], ...] = ()
    """Path before, and the run where it is now: the same content."""
    gone: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    """Folders that cannot be read."""

    @property
    def is_empty(self) -> bool:
        """True where nothing is different."""
        return not (self.new or self.changed or self.moved or self.gone)


class Catalogue:
    """The runs of one folder and all folders in it.

    ``cache`` is the file of the catalogue (default: a hidden one in the folder); where it cannot be written the
    catalogue is made anew each time. ``now_ns`` is the clock.

    Raises:
        UsageError: no such folder, or ``cache`` is another kind of file.
    """

    def __init__(self, folder: Path, cache: Path | None = None, now_ns: Callable[[], int] = time.time_ns) -> None:
        self.folder = Path(folder)
        self._now_ns = now_ns
        if not self.folder.is_dir():
            raise UsageError("no such folder", where=str(folder), remedy="Name the folder that holds the runs.")
        self._database = Database(cache if cache is not None else self.folder / FILE_NAME)

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the cache."""
        self._database.close()

    @property
    def is_kept(self) -> bool:
        """False where the catalogue could not be written and is only in memory."""
        return self._database.is_kept

    def refresh(self, progress: Progress | None = None) -> Changes:
        """Look through the folder: read what is new or changed by size or time, forget what is gone.

        ``progress`` is called with files read and files to read.
        """
        known = self._database.stamps()
        problems: list[str] = []
        files = {name: (size, mtime) for name, size, mtime in files_of(self.folder, problems)}
        to_read = sorted(name for name, (size, mtime) in files.items() if _must_read(known.get(name), size, mtime))
        # what lies below a folder that cannot be read now is not gone
        gone = {name for name in known if name not in files and not _below(name, problems)}
        found: list[Entry] = []
        for first in range(0, len(to_read), BATCH):
            batch = []
            for name in to_read[first : first + BATCH]:
                read_ns = self._now_ns()
                batch.append((read_entry(self.folder, name, *files[name]), read_ns))
                if progress is not None:
                    progress(first + len(batch), len(to_read))
            self._database.update(batch)
            found += [entry for entry, _ in batch]
        if gone:
            self._database.update((), gone)
        return _changes(known, found, gone, problems)

    def rebuild(self, progress: Progress | None = None) -> Changes:
        """Forget the cache and read every file."""
        self._database.clear()
        return self.refresh(progress)

    def entries(self, wanted: Filter = Filter()) -> list[Entry]:  # noqa: B008 - frozen
        """Runs that fulfil all conditions, in the order of their start, with their tags."""
        tags = read_tags(self.folder)
        entries = self._database.select(wanted)
        if tags:
            entries = [e._replace(tags=tags[e.tag_key]) if e.tag_key in tags else e for e in entries]
        needed = set(wanted.tags)
        return [e for e in entries if needed <= set(e.tags)] if needed else entries

    def tag(self, entries: Sequence[Entry], tag: str, *, is_on: bool, noted_utc: str) -> int:
        """Put a tag on runs, or take it off; the number of runs for which that is a change.

        Raises:
            UsageError: a run that is damaged: it has no content to keep a tag by.
        """
        damaged = [e.path for e in entries if not e.tag_key]
        if damaged:
            raise UsageError(
                "a run that cannot be read cannot be tagged",
                where=damaged[0],
                remedy="Leave it out, as with --state closed.",
            )
        tags = read_tags(self.folder)
        keys = [key for key in dict.fromkeys(e.tag_key for e in entries) if (tag in tags.get(key, ())) is not is_on]
        write_tags(self.folder, keys, tag, is_on=is_on, noted_utc=noted_utc)
        return len(keys)

    def watch(self, wait: Callable[[], bool]) -> Iterator[Changes]:
        """What changes, look by look, beginning with the second look; ``wait`` sleeps, and says whether to go on."""
        while wait():
            changes = self.refresh()
            if not changes.is_empty:
                yield changes


def _must_read(stamp: Stamp | None, size: int, mtime: int) -> bool:
    if stamp is None or (stamp.size_bytes, stamp.mtime_ns) != (size, mtime):
        return True
    # whether a recorder is alive is not in the file
    return stamp.state in (State.RECORDING, State.NOT_CLOSED) or mtime > stamp.read_ns - SETTLED_NS


def _below(name: str, problems: Sequence[str]) -> bool:
    unread = [problem.partition(": cannot be read")[0] for problem in problems]
    return any(place == "." or name.startswith(place) for place in unread)


def _changes(known: dict[str, Stamp], found: Sequence[Entry], gone: set[str], problems: Sequence[str]) -> Changes:
    left = {known[name].content_sha256: name for name in sorted(gone, reverse=True) if known[name].content_sha256}
    new, changed, moved = [], [], []
    for entry in found:
        stamp = known.get(entry.path)
        if stamp is None:
            before = left.pop(entry.content_sha256, None) if entry.content_sha256 else None
            if before is None:
                new.append(entry)
            else:
                moved.append((before, entry))
        elif (stamp.size_bytes, stamp.mtime_ns, stamp.state, stamp.content_sha256) != (
            entry.size_bytes,
            entry.mtime_ns,
            entry.state,
            entry.content_sha256,
        ):
            changed.append(entry)
    came_from = {before for before, _ in moved}
    return Changes(tuple(new), tuple(changed), tuple(moved), tuple(sorted(gone - came_from)), tuple(problems))
