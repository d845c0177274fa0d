"""Photos of a run: they lie in a folder beside it, and events name them with their hash."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from benchkit.model.events import Event

_FOLDER = ".photos"


def photo_folder(run_path: Path) -> Path:
    """The folder of the photos of a run: ``RUN.photos`` beside ``RUN.h5``."""
    return run_path.with_name(f"{run_path.stem}{_FOLDER}")


@dataclass(frozen=True, slots=True)
class NamedPhoto:
    """A photo that an event names. ``fault`` says why it is not the one that was taken; empty where it is."""

    name: str
    path: Path
    fault: str = ""


def named_photos(run_path: Path, events: Iterable[Event]) -> Iterator[NamedPhoto]:
    """Every photo that the events name, looked for beside the run, also after the run file was renamed."""
    for event in events:
        told, digest = event.data.get("photo"), event.data.get("sha256")
        if not isinstance(told, str) or not isinstance(digest, str):
            continue
        folder, name = PurePosixPath(told).parent, PurePosixPath(told).name
        places = [photo_folder(run_path) / name]
        if len(folder.parts) == 1 and folder.suffix == _FOLDER:
            places.insert(0, run_path.parent / folder.name / name)
        yield _looked_at(name, places, digest)


def _looked_at(name: str, places: list[Path], digest: str) -> NamedPhoto:
    found = [place for place in places if place.is_file()]
    for place in found:
        with place.open("rb") as stream:
            if hashlib.file_digest(stream, "sha256").hexdigest() == digest:
                return NamedPhoto(name, place)
    if found:
        return NamedPhoto(name, found[0], "not the photo that was attached: another SHA-256 than in the event log")
    return NamedPhoto(name, places[0], f"not in {places[0].parent.name} beside the run")
