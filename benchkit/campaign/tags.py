"""Tags of runs, in one small file of the folder: ``run-tags.jsonl``. The runs themselves are never written.

A line a change: the content hash of the run (before its closing its run id), the tag, on or off, when. Lines are only
added. As it goes by content, a tag stays with a run that is renamed or moved within the folder; who copies runs
elsewhere copies the file too, and the files of two folders may be put one behind the other.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path

from benchkit.errors import DataError, UsageError

FILE_NAME = "run-tags.jsonl"
MAX_TAG = 60


def read_tags(folder: Path) -> dict[str, tuple[str, ...]]:
    """Tags in force by key (see :attr:`Entry.tag_key`), sorted; empty where the folder has none.

    Raises:
        DataError: a line that is not a tag, other than a torn last one.
    """
    path = folder / FILE_NAME
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return {}
    found: dict[str, set[str]] = {}
    *lines, torn = data.split(b"\n")
    for number, line in enumerate([*lines, torn], start=1):
        if not line.strip():
            continue
        try:
            fields = json.loads(line)
            key, tag, is_on = fields["run"], fields["tag"], fields["on"]
            if not (isinstance(key, str) and isinstance(tag, str) and isinstance(is_on, bool)):
                raise TypeError
        except (ValueError, KeyError, TypeError, RecursionError):
            if line is torn:
                continue  # the writer was stopped in its middle
            raise DataError(
                "not a tag",
                where=f"{FILE_NAME}: line {number}",
                got=line[:80],
                expected='{"run": …, "tag": …, "on": true, "noted_utc": …}',
                remedy="Mend or delete that line.",
            ) from None
        tags = found.setdefault(key, set())
        (tags.add if is_on else tags.discard)(tag)
    return {key: tuple(sorted(tags)) for key, tags in found.items() if tags}


def write_tags(folder: Path, keys: Iterable[str], tag: str, *, is_on: bool, noted_utc: str) -> None:
    """Put a tag on runs, or take it off: lines are added at the end of the file.

    Raises:
        UsageError: a tag that is empty, too long or not one printable line.
    """
    if not tag.strip() or tag != tag.strip() or len(tag) > MAX_TAG or not tag.isprintable():
        raise UsageError("not a tag", got=tag[:80], expected=f"1 to {MAX_TAG} printable characters on one line")
    lines = [
        json.dumps({"run": key, "tag": tag, "on": is_on, "noted_utc": noted_utc}, ensure_ascii=False) for key in keys
    ]
    if not lines:
        return
    path = folder / FILE_NAME
    with path.open("ab+") as file:
        file.truncate(_whole_lines(path))  # a torn line never counted; behind it the next one would be lost too
        file.write("".join(f"{line}\n" for line in lines).encode())
        file.flush()
        os.fsync(file.fileno())


def _whole_lines(path: Path) -> int:
    """Bytes up to the last line that was written whole."""
    return path.read_bytes().rfind(b"\n") + 1
