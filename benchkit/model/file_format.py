"""How a text file is laid out around its rows: what somebody has declared of it, and nothing guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.sources import TextFormat


class Encoding(StrEnum):
    """Encoding of the lines before the rows. The rows themselves are ASCII in each of them."""

    UTF8 = "utf-8"
    UTF8_SIG = "utf-8-sig"
    """UTF-8 with a byte order mark at the start."""
    LATIN1 = "latin-1"


@dataclass(frozen=True, slots=True)
class FileFormat:
    """A delimited text file. ``text`` are its rows; the time column is ``text.device_time_column``.

    With ``iso_time`` that column holds ISO 8601 dates and times; ``zone`` (``UTC`` or ``+02:00``) is that of stamps
    which name none, None where each must name its own. A zone by place is not taken: its hour is there twice in autumn.
    """

    text: TextFormat
    has_names: bool = True
    lines_before: int = 0
    """Lines before the names that say nothing to us."""
    has_units: bool = False
    """A line of units stands behind the names."""
    encoding: Encoding = Encoding.UTF8
    is_quoted: bool = False
    """Fields may stand in double quotes (RFC 4180); then even the separator may be in them."""
    iso_time: bool = False
    zone: str | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    """Unit of a column in the file, where it is not that of the profile."""

    @property
    def is_plain(self) -> bool:
        """True where a row is read as it stands, without taking quotes or dates out of it first."""
        return not (self.is_quoted or self.iso_time)

    @property
    def first_row_line(self) -> int:
        """Number of the first line that may be a row, from 1."""
        return 1 + self.lines_before + self.has_names + self.has_units
