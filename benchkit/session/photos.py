"""Photos of a run: copied into a folder beside it, named in an event with their hash.

The run file takes no new data sets while it is being recorded, and the recorder waits for no disk. So the dashboard on
the stand's computer copies the photo, and the recorder writes down its name and SHA-256.
"""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from pathlib import Path

from benchkit.errors import UsageError
from benchkit.runfile.photos import photo_folder

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".heic")
LARGEST_BYTES = 40_000_000
_STARTS = {
    (".jpg", ".jpeg"): (b"\xff\xd8\xff",),
    (".png",): (b"\x89PNG\r\n\x1a\n",),
    (".webp",): (b"RIFF",),
    (".heic",): (b"\x00\x00\x00",),
}


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that lies beside a run."""

    path: Path
    sha256: str
    size: int


def keep_photo(source: Path, run_path: Path) -> Photo:
    """Copy a photo into the folder beside the run, under a new number; the original stays where it is.

    Raises:
        UsageError: it cannot be read, is too large, or is no photo; or the run does not lie on this machine.
    """
    where = str(source)
    if not run_path.exists():
        raise UsageError(
            "the run does not lie on this machine", where=where, got=str(run_path),
            remedy="Attach the photo on the stand's computer; a note can be written from here.",
        )  # fmt: skip
    suffix = source.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError("not a photo", where=where, got=suffix or "no suffix", expected=", ".join(SUFFIXES))
    try:
        size = source.stat().st_size
        if size > LARGEST_BYTES:
            raise UsageError("too large", where=where, got=f"{size / 1e6:.0f} MB", expected="at most 40 MB")
        data = source.read_bytes()
    except OSError as error:
        raise UsageError("cannot be read", where=where, got=error.strerror) from None
    starts = next(found for names, found in _STARTS.items() if suffix in names)
    if not data.startswith(starts):
        raise UsageError("its content is not what its name says", where=where, got=data[:8].hex(), expected=suffix)
    folder = photo_folder(run_path)
    try:
        folder.mkdir(exist_ok=True)
        path = _new_place(folder, source, suffix)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644), "wb") as file:
            file.write(data)
    except OSError as error:
        raise UsageError("cannot be kept beside the run", where=str(folder), got=error.strerror) from None
    return Photo(path, hashlib.sha256(data).hexdigest(), len(data))


def _new_place(folder: Path, source: Path, suffix: str) -> Path:
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", source.stem).strip("._-")[:60] or "photo"
    number = sum(1 for _ in folder.iterdir()) + 1
    return folder / f"{number:03d}_{stem}{suffix}"
