"""Colours and line styles, one table. Saturated colour is kept for abnormal states (IEC 60073, table 2).

Every pair of text and ground that the dashboard paints is a :class:`Pair` here, and a test computes its contrast
ratio (WCAG 2.2, success criterion 1.4.3: at least 4.5:1). Lines are from the set of Okabe and Ito (2008), without
its yellow, which does not show on a light ground; each line of a plot has its own dashes as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PAPER = "#F2F3EF"
PANEL = "#FBFBF8"
INK = "#20262B"
INK_SOFT = "#4C555C"
RULE = "#C6C9C4"
TICK = "#8A9298"
GRID = "#8A929830"
POWER_FILL = "#A9BAC4"
POWER_EDGE = "#6D808C"
LOSS_FILL = "#DCCDB8"
LOSS_EDGE = "#9A8464"
BAR_FILL = "#8FA3AF"
BAR_GROUND = "#E6E8E3"
RED = "#B3261E"
YELLOW = "#FFCC00"
BLUE = "#0B5CAD"
STALE_INK = "#565E64"
STALE_GROUND = "#E4E4DF"
VEIL = "#FBFBF8B0"
"""Behind a text that stands on a band."""
CAUTION_BAND = "#FFCC0030"
TRIP_BAND = "#B3261E22"
CAUTION_BAND_ACTIVE = "#FFCC00A0"
TRIP_BAND_ACTIVE = "#B3261E90"
CAUTION_EDGE = "#8A6D00"


class Tone(StrEnum):
    """What a piece of text says about itself, beside its words."""

    PLAIN = "plain"
    SOFT = "soft"
    STRONG = "strong"
    CAUTION = "caution"
    DANGER = "danger"
    ACTION = "action"
    STALE = "stale"


@dataclass(frozen=True, slots=True)
class Pair:
    """A text colour and the ground it stands on, as ``#RRGGBB``."""

    text: str
    ground: str


TONES: dict[Tone, Pair] = {
    Tone.PLAIN: Pair(INK, PAPER),
    Tone.SOFT: Pair(INK_SOFT, PAPER),
    Tone.STRONG: Pair(PAPER, "#3A444B"),
    Tone.CAUTION: Pair(INK, YELLOW),
    Tone.DANGER: Pair("#FFFFFF", RED),
    Tone.ACTION: Pair("#FFFFFF", BLUE),
    Tone.STALE: Pair(STALE_INK, STALE_GROUND),
}
"""Tones of blocks of text."""

OTHER_PAIRS: dict[str, Pair] = {
    "panel": Pair(INK, PANEL),
    "panel, soft": Pair(INK_SOFT, PANEL),
    "panel, stale": Pair(STALE_INK, PANEL),
    "panel, danger": Pair(RED, PANEL),
    "panel, caution": Pair("#6B5400", PANEL),
    "ribbon": Pair(INK, POWER_FILL),
    "loss": Pair(INK, LOSS_FILL),
    "button": Pair(INK, "#E6E8E3"),
    "button, off": Pair("#5E666B", "#EBECE8"),
    "selected row": Pair(INK, "#D3DCE2"),
}
"""Text that is not in a block with a tone."""


@dataclass(frozen=True, slots=True)
class LineStyle:
    """Colour and dashes (in units of the pen width, empty: solid) of a plotted line."""

    colour: str
    dashes: tuple[float, ...]


LINES: tuple[LineStyle, ...] = (
    LineStyle("#0072B2", ()),
    LineStyle("#D55E00", (8.0, 4.0)),
    LineStyle("#009E73", (2.0, 3.0)),
    LineStyle("#000000", (12.0, 3.0, 2.0, 3.0)),
    LineStyle("#CC79A7", (5.0, 2.0)),
)
"""Lines of one plot, in order."""


def contrast(pair: Pair) -> float:
    """Contrast ratio of a pair, 1 to 21 (WCAG 2.2, definitions of contrast ratio and relative luminance)."""
    light, dark = sorted((_luminance(pair.text), _luminance(pair.ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
