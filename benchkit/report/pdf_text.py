"""Texts of the PDF report: styles, and any text made fit for a paragraph. Markup in a text is text."""

from __future__ import annotations

import re
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph

from benchkit.report.model import Tone
from benchkit.report.numbers import SPACE, THIN
from benchkit.report.pdf_fonts import BOLD, MONO, REGULAR

INK, MUTED, LINE, BAND = (HexColor(code) for code in ("#1d2430", "#4e5866", "#cfd5dd", "#f1f3f5"))
_TONES: dict[Tone, tuple[str, str, str]] = {
    Tone.PLAIN: ("#1d2430", "#ffffff", "#ffffff"),
    Tone.GOOD: ("#1d5c33", "#eef5ef", "#1d5c33"),
    Tone.NOTE: ("#1d2430", "#f1f3f5", "#4e5866"),
    Tone.CAUTION: ("#7a4b00", "#fdf4e0", "#c98a00"),
    Tone.ERROR: ("#9c1c14", "#fbe9e7", "#9c1c14"),
}
"""Ink in a table, ground and frame of a paragraph; the colours of the page."""
BODY_SIZE = 8.6
LEADING = 1.32
"""Distance of lines, in font sizes."""
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
"""No sign of a text: C0 controls but tab and line feed, and halves of surrogate pairs."""


def clean(text: str) -> str:
    """The text with a sign of replacement for what cannot be printed."""
    # a narrow no-break space would be taken for a place to break
    return _CONTROL.sub("\N{REPLACEMENT CHARACTER}", text).replace(THIN, SPACE)


def marked(text: str) -> str:
    """The text as a paragraph takes it: nothing in it is markup."""
    return escape(clean(text)).replace("\n", "<br/>")


def tight(text: str) -> str:
    """No line break between a number and its per cent sign."""
    return text.replace(" %", f"{SPACE}%")


def style(name: str, size: float = BODY_SIZE, **more: Any) -> ParagraphStyle:
    """A style; what is not said is that of the text."""
    given: dict[str, Any] = {"fontName": REGULAR, "textColor": INK, "splitLongWords": 1} | more
    return ParagraphStyle(name, fontSize=size, leading=given.pop("leading", LEADING * size), **given)


TITLE = style("title", 15.0, fontName=BOLD, spaceAfter=3)
SUBTITLE = style("subtitle", 8.6, textColor=MUTED, spaceAfter=5)
HEADING = style("heading", 11.5, fontName=BOLD, spaceBefore=13, spaceAfter=4)
CAPTION = style("caption", 8.8, fontName=BOLD, spaceBefore=7, spaceAfter=3)
NOTE = style("note", 7.6, textColor=MUTED, spaceBefore=2, spaceAfter=6)
LISTED = style("listed", spaceAfter=3, leftIndent=10, bulletIndent=1)
UNDER_FIGURE = style("under figure", 7.6, textColor=MUTED, spaceBefore=3, spaceAfter=9)


def cell_style(size: float, tone: Tone, *, code: bool, long: bool, head: bool) -> ParagraphStyle:
    """Style of a cell: identifiers in a fixed pitch, long ones broken anywhere."""
    loud = head or tone in (Tone.CAUTION, Tone.ERROR)
    font = MONO if code else BOLD if loud else REGULAR
    colour = INK if head else HexColor(_TONES[tone][0])
    # a monospaced letter is wider: a little smaller it takes the same room
    return style("cell", size * (0.92 if code else 1.0), fontName=font, textColor=colour,
                 wordWrap="CJK" if long else None, leading=1.25 * size)  # fmt: skip


def toned(text: str, tone: Tone, heading: str = "", *, loud: bool = False) -> Paragraph:
    """A paragraph between tables, in a frame where it is not a plain one."""
    body = marked(tight(text))
    lead = f'<font name="{BOLD}">{marked(heading)}:</font> ' if heading else ""
    if tone is Tone.PLAIN:
        return Paragraph(lead + body, style("plain", spaceBefore=3, spaceAfter=5))
    _, ground, frame = _TONES[tone]
    boxed = style(
        "toned", fontName=BOLD if loud else REGULAR, backColor=HexColor(ground), borderColor=HexColor(frame),
        borderWidth=0.8, borderPadding=4, leftIndent=5, rightIndent=5, spaceBefore=9, spaceAfter=9,
    )  # fmt: skip
    return Paragraph(lead + body, boxed)
