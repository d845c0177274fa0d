"""Fonts of the PDF report: DejaVu, as matplotlib brings them. The same file on every system, so the same bytes."""

from __future__ import annotations

from functools import cache
from pathlib import Path

REGULAR, BOLD, MONO = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"


@cache
def register() -> None:
    """Make the fonts known to reportlab, once in a process."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (REGULAR, BOLD, MONO):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)


def width(text: str, font: str, size: float) -> float:
    """Width of a text [pt]."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, size))
