"""Tables of the PDF report: widths by content, letters smaller before a word is broken, long cells in several rows."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from reportlab.platypus import LongTable, Paragraph, TableStyle

from benchkit.report.model import Cell, Number, Table, Tone
from benchkit.report.numbers import SPACE, show
from benchkit.report.pdf_fonts import BOLD, MONO, REGULAR, width
from benchkit.report.pdf_text import BAND, INK, LINE, cell_style, clean, marked, tight

SIZES = (7.6, 7.2, 6.8, 6.4, 6.0, 5.6)
"""Letters [pt], tried in this order until no word need be broken."""
PAD = 3.0
LONG_CODE = 40
"""Identifiers longer than this are broken anywhere."""
LONG_CODE_ROOM = 22
"""Characters of one for which there is always room in a line."""
MOST_LINES = 40
"""Lines of one row; a longer cell goes on in the next row. A row must fit on a page."""
SQUEEZED = 1.12
"""Lines that a text takes over its width: words do not fill them."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """One cell as text."""

    text: str
    tone: Tone = Tone.PLAIN
    code: bool = False
    head: bool = False

    @property
    def is_long(self) -> bool:
        return self.code and len(self.text) > LONG_CODE

    @property
    def font(self) -> str:
        return MONO if self.code else BOLD if self.head or self.tone in (Tone.CAUTION, Tone.ERROR) else REGULAR

    def full(self) -> float:
        """Width of the longest line at 1 pt."""
        lines = self.text.split("\n")
        return max(width(line, self.font, 1.0) for line in lines) * (0.92 if self.code else 1.0)

    def least(self) -> float:
        """Width at 1 pt below which a word is broken, or a part of a path."""
        if self.is_long:
            return width("0" * LONG_CODE_ROOM, MONO, 0.92)
        words = re.split(r"[ \t\n]|(?<=/)", self.text)  # a path may be broken at its slashes
        return max(width(word, self.font, 1.0) for word in words) * (0.92 if self.code else 1.0)


def laid_out(table: Table, available: float) -> LongTable:
    """The table in a width [pt]; its head comes again on every page."""
    head = [_Entry(_title(c.title, c.unit), head=True) for c in table.columns]
    rows = [[_entry(cell, has_unit=bool(c.unit)) for c, cell in zip(table.columns, row, strict=True)]
            for row in table.rows]  # fmt: skip
    size, widths = _widths([head, *rows], available)
    lines = [_paragraphs(head, size)]
    for row in rows:
        lines += [_paragraphs(part, size) for part in _parts(row, widths, size)]
    made = LongTable(lines, colWidths=widths, repeatRows=1, hAlign="LEFT", spaceAfter=5)
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
                ("BACKGROUND", (0, 0), (-1, 0), BAND),
                ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.4, LINE),
                ("LEFTPADDING", (0, 0), (-1, -1), PAD),
                ("RIGHTPADDING", (0, 0), (-1, -1), PAD),
                ("TOPPADDING", (0, 0), (-1, -1), 1.8),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
            ]
        )
    )
    return made


def _title(title: str, unit: str) -> str:
    return clean(tight(f"{title} /{SPACE}{unit}" if unit else title))


def _entry(cell: Cell, *, has_unit: bool) -> _Entry:
    if isinstance(cell, Number):
        shown = show(cell)
        return _Entry(clean(shown.figures if has_unit else str(shown)))
    return _Entry(clean(cell.text), cell.tone, cell.code)


def _widths(rows: Sequence[Sequence[_Entry]], available: float) -> tuple[float, list[float]]:
    """Size of the letters and the widths of the columns, together at most ``available``."""
    columns = list(zip(*rows, strict=True))
    full = [max(entry.full() for entry in column) for column in columns]
    least = [max(entry.least() for entry in column) for column in columns]
    for size in SIZES:
        # a hair more than measured: the sum of the words is rounded
        wanted = [size * x + 2.0 * PAD + 0.5 for x in full]
        needed = [size * x + 2.0 * PAD + 0.5 for x in least]
        if sum(wanted) <= available:
            return size, wanted
        spare = available - sum(needed)
        if spare >= 0.0:
            room = [w - n for w, n in zip(wanted, needed, strict=True)]
            # a row is as high as its longest cell: columns with much text get more, and so does one long cell
            beyond = [[max(0.0, e.full() - x) for e in column] for column, x in zip(columns, least, strict=True)]
            shares = [math.sqrt(sum(x) * max(x)) for x in beyond]
            return size, _spread(needed, room, shares, spare)
    return SIZES[-1], _cut(needed, available)


def _cut(needed: Sequence[float], available: float) -> list[float]:
    """The widest columns cut to one width, so that all fit; the narrow ones keep what they need."""
    left, level = available, available
    for done, width_needed in enumerate(sorted(needed)):
        level = left / (len(needed) - done)
        if width_needed > level:
            break
        left -= width_needed
    return [min(width_needed, level) for width_needed in needed]


def _spread(needed: list[float], room: list[float], shares: list[float], spare: float) -> list[float]:
    """``needed`` and a part of ``spare`` each by its share, none beyond its room."""
    widths, open_ones = list(needed), [i for i, x in enumerate(room) if x > 0.0]
    while open_ones and spare > 1e-6:
        total = sum(shares[i] for i in open_ones)
        given = {i: min(room[i] - (widths[i] - needed[i]), spare * shares[i] / total) for i in open_ones}
        for i, more in given.items():
            widths[i] += more
        spare -= sum(given.values())
        open_ones = [i for i in open_ones if room[i] - (widths[i] - needed[i]) > 1e-6]
    return widths


def _parts(row: Sequence[_Entry], widths: Sequence[float], size: float) -> Iterator[list[_Entry]]:
    """The row, cut into several where a cell has more lines than a page takes."""
    cut = [list(_pieces(entry, room - 2.0 * PAD, size)) for entry, room in zip(row, widths, strict=True)]
    for part in zip_longest(*cut, fillvalue=_Entry("")):
        yield list(part)


def _pieces(entry: _Entry, room: float, size: float) -> Iterator[_Entry]:
    per_line = max(1.0, room / (size * max(width(entry.text, entry.font, 1.0) / max(1, len(entry.text)), 0.05)))
    lines = sum(1.0 + SQUEEZED * len(line) / per_line for line in entry.text.split("\n"))
    if lines <= MOST_LINES:
        yield entry
        return
    length, rest = max(1, int(len(entry.text) * MOST_LINES / lines)), entry.text
    while rest:
        stop = length if len(rest) > length else len(rest)
        at = max(rest.rfind(" ", stop // 2, stop), rest.rfind("\n", stop // 2, stop)) if stop < len(rest) else -1
        stop = at + 1 if at > 0 else stop
        yield _Entry(rest[:stop].strip(), entry.tone, entry.code)
        rest = rest[stop:]


def _paragraphs(row: Sequence[_Entry], size: float) -> list[Paragraph]:
    return [Paragraph(marked(e.text), cell_style(size, e.tone, code=e.code, long=e.is_long, head=e.head)) for e in row]
