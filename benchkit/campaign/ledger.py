"""What is done of a campaign, in a file that is only added to: after a stop nothing finished is done again.

A line a run: content hash, hash of the exclusions beside it, analysis and version, and its rows. A line counts for any
file with that content, whatever its name. Runs that failed are not kept: they are tried again.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from types import TracebackType

from benchkit.campaign.points import Row
from benchkit.errors import DataError

FILE_NAME = "rows.jsonl"
Key = tuple[str, str, str]
"""Content, exclusions, version of the analysis."""


def exclusions_sha256(run_path: Path) -> str:
    """Hash of the exclusions beside a run; empty where there are none."""
    from benchkit.runfile.exclusions import exclusions_path

    try:
        return hashlib.sha256(exclusions_path(run_path).read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""


class Ledger:
    """The file of a campaign, open for adding. Rows are read back when they are asked for, not held.

    Raises:
        DataError: a line that is not ours, other than a torn last one.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._places: dict[Key, tuple[int, int]] = {}
        self._file = path.open("ab+")
        try:
            self._read_places()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def __contains__(self, key: Key) -> bool:
        return key in self._places

    def add(self, key: Key, analysis: str, rows: tuple[Row, ...]) -> None:
        """Keep the rows of one run: on the disk when this returns."""
        content, exclusions, version = key
        line = {"content_sha256": content, "exclusions_sha256": exclusions, "analysis": analysis, "version": version}
        text = json.dumps({**line, "rows": rows}, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        start = self._file.seek(0, os.SEEK_END)
        self._file.write(text)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._places[key] = (start, len(text))

    def rows(self, key: Key) -> list[Row]:
        """The rows of a run that is there."""
        start, size = self._places[key]
        self._file.seek(start)
        found: list[Row] = json.loads(self._file.read(size))["rows"]
        return found

    def _read_places(self) -> None:
        self._file.seek(0)
        at = 0
        for number, line in enumerate(self._file, start=1):
            if not line.endswith(b"\n"):
                # the writer was stopped in its middle: the run is done again, behind a line that ends here
                self._file.write(b"\n")
                self._file.flush()
                break
            if line.strip():
                key = self._key(number, line)
                if key is not None:
                    self._places[key] = (at, len(line))
            at += len(line)

    def _key(self, number: int, line: bytes) -> Key | None:
        try:
            fields = json.loads(line)
            key = (fields["content_sha256"], fields["exclusions_sha256"], fields["version"])
            if all(isinstance(part, str) for part in key) and isinstance(fields["rows"], list):
                return key
        except (ValueError, KeyError, TypeError, RecursionError):
            if line.startswith(b'{"content_sha256": '):
                return None  # a torn line that was ended by the next start: that run is done again
        raise DataError(
            "not a line of a campaign",
            where=f"{self.path}: line {number}",
            got=line[:80],
            remedy="Give the campaign a folder of its own with --out.",
        )
