"""Runs in a folder: those that are being recorded, and those that were."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchkit.session.process import LIVE_SUFFIX
from gui.state.wording import size


@dataclass(frozen=True, slots=True)
class Found:
    """A run in a folder. ``is_live`` where a recorder announces itself beside it."""

    path: Path
    name: str
    note: str
    is_live: bool


def find_runs(folder: Path) -> tuple[Found, ...]:
    """Runs being recorded first, then recorded ones, the newest first. An unreadable folder has none."""
    try:
        files = [(p, p.stat()) for p in folder.iterdir() if p.is_file()]
    except OSError:
        return ()
    files.sort(key=lambda pair: pair[1].st_mtime, reverse=True)
    live = [
        Found(p, p.name.removesuffix(LIVE_SUFFIX), "being recorded", is_live=True)
        for p, _ in files
        if p.name.endswith(LIVE_SUFFIX)
    ]
    busy = {x.name for x in live}
    done = [
        Found(p, p.stem, size(stat.st_size), is_live=False)
        for p, stat in files
        if p.suffix == ".h5" and not {p.stem, p.name} & busy
    ]
    return (*live, *done)


def newest_live(folder: Path) -> Path | None:
    """The newest announcement of a recorder in a folder."""
    return next((x.path for x in find_runs(folder) if x.is_live), None)
