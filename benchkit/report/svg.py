"""Matplotlib figure -> SVG text that may stand inside an HTML page.

No pyplot and no global state: figures are made through the Figure class. Drawn twice, the text is the same. Glyphs
are paths, so the page needs no font; the title and the description speak for them.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK = "#1d2430"
GRID = "#d9dde3"
MUTED = "#5a6472"
ABNORMAL = "#b3261e"
"""Saturated, for abnormal alone: limits and trips."""
CAUTION = "#7a4b00"
BAR = "#9fb7cf"
BAND = "#e8ecf2"

LINES: tuple[tuple[str, str | tuple[int, tuple[int, ...]]], ...] = (
    ("#0072b2", "-"),
    ("#d55e00", (0, (5, 2))),
    ("#009e73", (0, (1, 1))),
    ("#cc79a7", (0, (5, 2, 1, 2))),
    ("#56b4e9", (0, (3, 1))),
    ("#e69f00", (0, (3, 1, 1, 1, 1, 1))),
    ("#000000", (0, (8, 3))),
)
"""Colour (Okabe & Ito, Color Universal Design) and dash of the lines, in order."""
MARKERS = "osD^vPX"
WIDTH_IN = 7.0
"""Width of a figure: the text block of an A4 page."""

_SVG = "{http://www.w3.org/2000/svg}"
_XLINK = "{http://www.w3.org/1999/xlink}"
_RC: dict[str, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "benchkit",
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.titlesize": 9.0,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.linewidth": 0.7,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "text.color": INK,
    "text.parse_math": False,  # names of channels are text: a dollar sign in one is no formula
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 1.2,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": GRID,
    "legend.fontsize": 8.0,
    "hatch.linewidth": 0.6,
    "path.simplify": True,
}


@contextmanager
def style() -> Iterator[None]:
    """The look of all figures while drawing and saving."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)  # type: ignore[arg-type]  # keys are checked when they are set
        yield


def blank(height_in: float) -> Figure:
    """An empty figure of the page's width."""
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH_IN, height_in), layout="constrained")


def line_style(index: int) -> dict[str, Any]:
    """Colour and dash of the line with that index."""
    colour, dash = LINES[index % len(LINES)]
    return {"color": colour, "linestyle": dash}


def legend_text(label: str) -> str:
    """A legend leaves out what begins with an underscore; a name may."""
    return f" {label}" if label.startswith("_") else label


def svg_text(figure: Figure, figure_id: str, title: str, description: str) -> str:
    """Save a figure as an ``<svg>`` element for HTML: ids are its own, no namespaces, no metadata, no styles.

    The figure is laid out here and drawn once; left to itself matplotlib draws all of it a second time for the layout.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.BytesIO()
    FigureCanvasSVG(figure)  # the figure keeps it: texts are measured as they are drawn
    with warnings.catch_warnings():
        # A name in a script that the font lacks is drawn as boxes; the title and the tables have it in full.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
            figure.set_layout_engine(None)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return _inline(buffer.getvalue(), figure_id, title, description)


def _inline(data: bytes, figure_id: str, title: str, description: str) -> str:
    root = ElementTree.fromstring(data)  # noqa: S314 - it was drawn by us, one line above
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{_SVG}metadata", f"{_SVG}style"):
                parent.remove(child)
    for element in root.iter():
        _own_names(element, figure_id)
    # What the stylesheet of the file said for all its elements; inside a page it would reach the others too.
    root.attrib |= {"stroke-linejoin": "round", "stroke-linecap": "butt"}
    view = root.attrib["viewBox"].split()
    root.attrib["width"], root.attrib["height"] = f"{float(view[2]):g}pt", f"{float(view[3]):g}pt"
    root.attrib |= {"role": "img", "aria-labelledby": f"{figure_id}-title {figure_id}-desc"}
    for at, (tag, text) in enumerate((("title", title), ("desc", description))):
        element = ElementTree.Element(tag, {"id": f"{figure_id}-{tag}"})
        element.text = text
        root.insert(at, element)
    return ElementTree.tostring(root, encoding="unicode")


def _own_names(element: ElementTree.Element, prefix: str) -> None:
    """Drop namespaces and make ids and the references to them this figure's own."""
    element.tag = element.tag.replace(_SVG, "")
    attributes = list(element.attrib.items())
    element.attrib.clear()
    for qualified, value in attributes:
        name = qualified.replace(_XLINK, "")
        if name == "id":
            element.attrib[name] = f"{prefix}-{value}"
        elif name == "href":
            element.attrib[name] = value.replace("#", f"#{prefix}-", 1)
        elif not name.startswith("{"):
            element.attrib[name] = value.replace("url(#", f"url(#{prefix}-")
