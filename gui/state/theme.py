"""Colours and line styles, a table for each ground. Saturated colour is kept for abnormal states (IEC 60073).

Every pair of text and ground that the dashboard paints is a :class:`Pair` here, and a test computes its contrast
ratio (WCAG 2.2, success criterion 1.4.3: at least 4.5:1) on both grounds. Lines are from the set of Okabe and Ito
(2008), on the light ground without its yellow, which does not show there; each line of a plot has its own dashes as
well.

The names in capitals are those of the ground in use: read them where something is painted (``theme.INK``), do not keep
them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Ground(StrEnum):
    """What the dashboard is painted on."""

    LIGHT = "light"
    DARK = "dark"


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


@dataclass(frozen=True, slots=True)
class LineStyle:
    """Colour and dashes (in pixels, empty: solid) of a plotted line."""

    colour: str
    dashes: tuple[float, ...]


_LIGHT: Mapping[str, str] = {
    "PAPER": "#F2F3EF",
    "PANEL": "#FBFBF8",
    "INK": "#20262B",
    "INK_SOFT": "#4C555C",
    "RULE": "#C6C9C4",
    "TICK": "#8A9298",
    "GRID": "#8A929830",
    "HOVER": "#DADDD6",
    "POWER_FILL": "#A9BAC4",
    "POWER_EDGE": "#6D808C",
    "LOSS_FILL": "#DCCDB8",
    "LOSS_EDGE": "#9A8464",
    "BAR_FILL": "#8FA3AF",
    "BAR_GROUND": "#E6E8E3",
    "RED": "#B3261E",
    "YELLOW": "#FFCC00",
    "BLUE": "#0B5CAD",
    "STALE_INK": "#4B5359",
    "STALE_GROUND": "#D0D1CA",
    "VEIL": "#FBFBF8B0",
    "CAUTION_BAND": "#FFCC0030",
    "TRIP_BAND": "#B3261E22",
    "CAUTION_BAND_ACTIVE": "#FFCC00A0",
    "TRIP_BAND_ACTIVE": "#B3261E90",
    "CAUTION_EDGE": "#8A6D00",
    "STRONG_GROUND": "#3A444B",
    "STRONG_INK": "#F2F3EF",
    "DANGER_INK": "#FFFFFF",
    "DANGER_ON_PANEL": "#B3261E",
    "CAUTION_INK": "#20262B",
    "CAUTION_ON_PANEL": "#6B5400",
    "ACTION_INK": "#FFFFFF",
    "BUTTON": "#E6E8E3",
    "BUTTON_OFF": "#EBECE8",
    "BUTTON_OFF_INK": "#5E666B",
    "SELECTED": "#D3DCE2",
}
_DARK: Mapping[str, str] = {
    "PAPER": "#14181B",
    "PANEL": "#1C2226",
    "INK": "#E7EAE6",
    "INK_SOFT": "#AEB8BE",
    "RULE": "#3B444A",
    "TICK": "#77838B",
    "GRID": "#77838B38",
    "HOVER": "#38434A",
    "POWER_FILL": "#4A6270",
    "POWER_EDGE": "#8FA9B8",
    "LOSS_FILL": "#5E4F3A",
    "LOSS_EDGE": "#B59C74",
    "BAR_FILL": "#6F8B9A",
    "BAR_GROUND": "#2A3238",
    "RED": "#C8372D",
    "YELLOW": "#FFCC00",
    "BLUE": "#1F6FC4",
    "STALE_INK": "#A3ACB1",
    "STALE_GROUND": "#2B3135",
    "VEIL": "#1C2226B0",
    "CAUTION_BAND": "#FFCC0026",
    "TRIP_BAND": "#E0554A30",
    "CAUTION_BAND_ACTIVE": "#FFCC0080",
    "TRIP_BAND_ACTIVE": "#E0554AA0",
    "CAUTION_EDGE": "#D9AE00",
    "STRONG_GROUND": "#C7D1D7",
    "STRONG_INK": "#14181B",
    "DANGER_INK": "#FFFFFF",
    "DANGER_ON_PANEL": "#FF8F85",
    "CAUTION_INK": "#14181B",
    "CAUTION_ON_PANEL": "#FFD84A",
    "ACTION_INK": "#FFFFFF",
    "BUTTON": "#2C353B",
    "BUTTON_OFF": "#20272B",
    "BUTTON_OFF_INK": "#98A2A8",
    "SELECTED": "#33434E",
}
_LINES: Mapping[Ground, tuple[str, ...]] = {
    Ground.LIGHT: ("#0072B2", "#D55E00", "#009E73", "#000000", "#CC79A7"),
    Ground.DARK: ("#56B4E9", "#E69F00", "#009E73", "#F0E442", "#CC79A7"),
}
_DASHES: tuple[tuple[float, ...], ...] = ((), (8.0, 4.0), (2.0, 3.0), (12.0, 3.0, 2.0, 3.0), (5.0, 2.0))

PAPER = PANEL = INK = INK_SOFT = RULE = TICK = GRID = HOVER = ""
POWER_FILL = POWER_EDGE = LOSS_FILL = LOSS_EDGE = BAR_FILL = BAR_GROUND = ""
RED = YELLOW = BLUE = STALE_INK = STALE_GROUND = ""
VEIL = ""
"""Behind a text that stands on a band."""
CAUTION_BAND = TRIP_BAND = CAUTION_BAND_ACTIVE = TRIP_BAND_ACTIVE = CAUTION_EDGE = ""
TONES: dict[Tone, Pair] = {}
"""Tones of blocks of text."""
OTHER_PAIRS: dict[str, Pair] = {}
"""Text that is not in a block with a tone."""
LINES: tuple[LineStyle, ...] = ()
"""Lines of one plot, in order."""
GROUND = Ground.LIGHT


def use(ground: Ground) -> None:
    """Paint on this ground from now on. What is painted already has to be made anew."""
    hues = _LIGHT if ground is Ground.LIGHT else _DARK
    names = globals()
    names.update({name: hue for name, hue in hues.items() if name in names})
    names["GROUND"] = ground
    names["LINES"] = tuple(LineStyle(hue, dashes) for hue, dashes in zip(_LINES[ground], _DASHES, strict=True))
    ink, panel = hues["INK"], hues["PANEL"]
    TONES.update(
        {
            Tone.PLAIN: Pair(ink, hues["PAPER"]),
            Tone.SOFT: Pair(hues["INK_SOFT"], hues["PAPER"]),
            Tone.STRONG: Pair(hues["STRONG_INK"], hues["STRONG_GROUND"]),
            Tone.CAUTION: Pair(hues["CAUTION_INK"], hues["YELLOW"]),
            Tone.DANGER: Pair(hues["DANGER_INK"], hues["RED"]),
            Tone.ACTION: Pair(hues["ACTION_INK"], hues["BLUE"]),
            Tone.STALE: Pair(hues["STALE_INK"], hues["STALE_GROUND"]),
        }
    )
    OTHER_PAIRS.update(
        {
            "panel": Pair(ink, panel),
            "panel, soft": Pair(hues["INK_SOFT"], panel),
            "panel, stale": Pair(hues["STALE_INK"], panel),
            "panel, danger": Pair(hues["DANGER_ON_PANEL"], panel),
            "panel, caution": Pair(hues["CAUTION_ON_PANEL"], panel),
            "ribbon": Pair(ink, hues["POWER_FILL"]),
            "loss": Pair(ink, hues["LOSS_FILL"]),
            "button": Pair(ink, hues["BUTTON"]),
            "button, hover": Pair(ink, hues["HOVER"]),
            "button, off": Pair(hues["BUTTON_OFF_INK"], hues["BUTTON_OFF"]),
            "selected row": Pair(ink, hues["SELECTED"]),
        }
    )


def contrast(pair: Pair) -> float:
    """Contrast ratio of a pair, 1 to 21 (WCAG 2.2, definitions of contrast ratio and relative luminance)."""
    light, dark = sorted((_luminance(pair.text), _luminance(pair.ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


use(Ground.LIGHT)
