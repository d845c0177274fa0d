"""Names of files inside a pack: safe to unpack on every system, and none twice."""

from __future__ import annotations

import re

_UNSAFE = re.compile(r"[\x00-\x1f\x7f<>:\"/\\|?*\ud800-\udfff]")
"""What some file system refuses, and halves of surrogate pairs."""
MOST_CHARACTERS = 120


class Names:
    """Hands out names in one folder of a pack."""

    def __init__(self, folder: str) -> None:
        self._folder, self._taken = folder, set[str]()

    def of(self, name: str) -> str:
        """Path in the pack for a file of that name: the last part of it, made safe; a number where it is taken."""
        last = re.split(r"[/\\]", name)[-1]
        stem, dot, suffix = _UNSAFE.sub("_", last).strip(" .")[-MOST_CHARACTERS:].rpartition(".")
        stem, ending = (stem, dot + suffix) if dot else (suffix, "")
        stem = stem or "file"
        found, number = f"{stem}{ending}", 1
        while found.casefold() in self._taken:
            number += 1
            found = f"{stem}_{number}{ending}"
        self._taken.add(found.casefold())
        return f"{self._folder}/{found}"


def is_safe(path: str) -> bool:
    """False for a path that leads out of the folder into which a pack is unpacked, or that some system refuses."""
    parts = path.split("/")
    return all(part not in ("", ".", "..") and not _UNSAFE.search(part) for part in parts)
