"""How many open flags each run of a folder has, as far as somebody has let them be looked for.

Finding them takes the whole analysis of a run, so what was found is kept in a small file of the folder, a line a run,
by the content hash and the version of benchkit that looked. It is a memory, no record: it may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit import __version__

if TYPE_CHECKING:
    from benchkit.report.model import RunReport

FILE_NAME = ".benchkit-flags.jsonl"


@dataclass(frozen=True, slots=True)
class FlagCount:
    """Open flags of one run by their severity; ``reason`` says why they could not be looked for."""

    errors: int = 0
    cautions: int = 0
    notes: int = 0
    codes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def text(self) -> str:
        """``1 error, 2 cautions``."""
        if self.reason:
            return "cannot be analysed"
        counted = ((self.errors, "error"), (self.cautions, "caution"), (self.notes, "note"))
        return ", ".join(f"{n} {word}{'s' if n != 1 else ''}" for n, word in counted if n) or "none"

    @property
    def is_loud(self) -> bool:
        """True where there is an error or a caution, or the run cannot be analysed."""
        return bool(self.errors or self.cautions or self.reason)


def count_flags(run: RunReport) -> FlagCount:
    """Counted from the flags of the report."""
    from benchkit.report.flags import open_flags
    from benchkit.report.model import Tone

    found = open_flags(run)
    errors, cautions, notes = (sum(f.tone is tone for f in found) for tone in (Tone.ERROR, Tone.CAUTION, Tone.NOTE))
    return FlagCount(errors, cautions, notes, tuple(dict.fromkeys(f.code for f in found)))


class FlagBook:
    """The memory of one folder. Where it cannot be written it lasts as long as the program."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME
        self._known: dict[str, FlagCount] = {}
        self.read()

    def read(self) -> None:
        """What the file says; lines that are no such memory are passed over."""
        try:
            lines = self._path.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            return
        for line in lines:
            with contextlib.suppress(ValueError, TypeError, KeyError):
                fields = json.loads(line)
                if fields["version"] == __version__:
                    flags = fields["flags"]
                    self._known[str(fields["run"])] = FlagCount(**{**flags, "codes": tuple(flags["codes"])})

    def find(self, content_sha256: str) -> FlagCount | None:
        """Flags of a run; None where nobody looked yet."""
        return self._known.get(content_sha256) if content_sha256 else None

    def put(self, content_sha256: str, flags: FlagCount) -> None:
        """Keep what was found."""
        self._known[content_sha256] = flags
        line = json.dumps({"run": content_sha256, "version": __version__, "flags": asdict(flags)}, ensure_ascii=False)
        with contextlib.suppress(OSError), self._path.open("a", encoding="utf-8") as file:
            file.write(f"{line}\n")

    def known(self) -> Mapping[str, FlagCount]:
        """All of it, by content hash."""
        return self._known
