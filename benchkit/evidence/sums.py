"""The list of checksums in a pack: one line a file, as ``sha256sum`` writes and reads it."""

from __future__ import annotations

import re
from collections.abc import Mapping

from benchkit.errors import DataError

NAME = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  ([^\x00-\x1f\x7f\\]+)")


def sums_text(sums: Mapping[str, str]) -> str:
    """Hash, two spaces, path; in the order of the paths. ``sha256sum --check`` reads it."""
    return "".join(f"{sums[path]}  {path}\n" for path in sorted(sums))


def parse_sums(data: bytes) -> dict[str, str]:
    """Hash by path.

    Raises:
        DataError: not as :func:`sums_text` writes it.
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise DataError("not UTF-8", where=f"{NAME}, byte {error.start}") from None
    found: dict[str, str] = {}
    for number, line in enumerate(text.removesuffix("\n").split("\n"), start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise DataError("not a checksum", where=f"{NAME}, line {number}", got=line[:100],
                            expected="64 hexadecimal digits, two spaces, a path")  # fmt: skip
        found[match[2]] = match[1]
    if sums_text(found) != text:
        raise DataError("not in the order of the paths, a path comes twice, or the last line has no end", where=NAME)
    return found
