"""Whether the file of a plan still says what it said: looked at once a second, in a thread of its own.

A recorder carries out the plan it has read. Who edits the file afterwards may think that the next start takes it; so a
plan is not gone on with while its file says something else. A file that is gone says nothing, and stops nothing.
"""

from __future__ import annotations

import hashlib
import threading
from pathlib import Path

from benchkit.errors import BenchkitError
from benchkit.profiles.toml_files import read_toml

LOOK_EVERY_S = 1.0
PATIENCE_S = 5.0


def text_sha256(text: str) -> str:
    """The hash by which a plan is known."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


class PlanWatch:
    """Watches ``path`` for another text than that of ``sha256``. Close it; the thread never holds the recorder up."""

    def __init__(self, path: Path, sha256: str, look_every_s: float = LOOK_EVERY_S) -> None:
        self._path, self._sha256, self._every_s = path, sha256, look_every_s
        self._words = ""
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="plan file", daemon=True)
        self._thread.start()

    def __call__(self) -> str:
        """Words about a text that is another one now; empty while it is not."""
        return self._words

    def look(self) -> None:
        """Look at once."""
        if not self._path.exists():
            self._words = ""
            return
        try:
            found = f"hash {text_sha256(read_toml(self._path)[1])[:8]}"
        except (BenchkitError, OSError):
            found = "no plan"
        same = f"hash {self._sha256[:8]}"
        self._words = "" if found == same else f"{self._path.name} is another one by now: {found}, it was {same}"

    def close(self) -> None:
        """End the thread."""
        self._ends.set()
        self._thread.join(PATIENCE_S)

    def _watch(self) -> None:
        while not self._ends.wait(self._every_s):
            self.look()
