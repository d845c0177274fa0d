"""What the report says, as pages of a window: figures to look into, tables, how each number was made, where flags lie.

Made in the process that analyses, handed over whole. The numbers and texts are those of the report.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchkit.report import methods
from benchkit.report.figure_files import figure_png
from benchkit.report.flags import open_flags
from benchkit.report.methods import Method
from benchkit.report.model import (
    DifferenceFigure,
    Figure,
    GridFigure,
    Listing,
    MapFigure,
    Paragraph,
    ReportModel,
    RunReport,
    Section,
    Table,
)
from benchkit.report.rows import run_slug
from benchkit.report.sections import build_report
from gui.state.fields import Field, difference_field, grid_field, map_field
from gui.state.flag_lines import FlagLine, Jump

QUALITY = "data-quality"
SCREEN_DPI = 160
_METHODS: Mapping[str, tuple[Method, ...]] = {
    "steadiness": methods.STEADY,
    "power-balance": methods.POWER + methods.HEAT,
    "efficiency-map": methods.POWER + methods.MAP + methods.DUTY,
    "static-thrust": methods.THRUST,
    "propellers": methods.THRUST,
    "propulsion": methods.PROPULSION,
    "thermal": methods.HEATING + methods.NETWORKS,
    "bursts": methods.BURSTS,
}
Told = Table | Paragraph | Listing
_LEFT_OUT = ("cautions", "events", "methods", "limits", "alarms")
"""Sections of the report that are no result: cautions stand in the window, events and limits in the recorded view."""
_NUMBERLESS = ("summary", QUALITY, "content", "run-header", "trips", "calibrations", "runs")


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A figure of a page: to be looked into as a field, else as the report draws it. ``spec`` is what is exported."""

    spec: Figure
    field: Field | None = None
    png: bytes = b""
    """As the report draws it, where it is no field."""


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """One result: figures, tables and texts, and the equations behind them."""

    id: str
    title: str
    figures: tuple[Drawn, ...]
    blocks: tuple[Told, ...]
    methods: tuple[Method, ...] = ()
    words: tuple[tuple[str, str], ...] = ()
    """How it was judged, where that is no equation."""
    flags: tuple[FlagLine, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """All pages of some runs."""

    title: str
    subtitle: str
    simulated: tuple[str, ...]
    pages: tuple[Page, ...]
    paths: tuple[Path, ...]
    is_comparison: bool = False


def reported(runs: Sequence[RunReport], paths: Sequence[Path]) -> Results:
    """Pages of the report on these runs."""
    model = build_report(runs)
    pages = [_page(section, model) for section in model.sections if section.id not in _LEFT_OUT]
    lines = tuple(line for run, path in zip(runs, paths, strict=True) for line in _flag_lines(run, path))
    pages = [_with_flags(page, lines) if page.id == QUALITY else page for page in pages]
    return Results(model.title, model.subtitle, model.simulated, tuple(pages), tuple(paths))


def compared(model: ReportModel, paths: Sequence[Path]) -> Results:
    """Pages of the report of a comparison; what it says of its ways goes to the help of each page."""
    words = tuple(
        line for section in model.sections if section.id == "methods" for b in section.blocks
        if isinstance(b, Listing) for line in b.lines
    )  # fmt: skip
    pages = tuple(_page(section, model, words) for section in model.sections if section.id not in _LEFT_OUT)
    return Results(model.title, model.subtitle, model.simulated, pages, tuple(paths), is_comparison=True)


def help_lines(page: Page) -> Iterator[tuple[str, str, str]]:
    """What each thing on the page is, its equation, its source: from the figures, tables and methods of the report."""
    for drawn in page.figures:
        yield drawn.spec.title, drawn.spec.description, ""
    for block in page.blocks:
        if isinstance(block, Table) and block.note:
            yield block.title, block.note, ""
    for heading, text in page.words:
        yield heading, text, ""
    for method in page.methods:
        yield method.quantity, method.equation, method.source


def _page(section: Section, model: ReportModel, words: tuple[tuple[str, str], ...] = ()) -> Page:
    figures = tuple(_drawn(b, model) for b in section.blocks if not isinstance(b, Table | Paragraph | Listing))
    blocks = tuple(block for block in section.blocks if isinstance(block, Table | Paragraph | Listing))
    own = _METHODS.get(section.id, ())
    told = own if section.id in _NUMBERLESS else (*own, *methods.UNCERTAINTY)
    return Page(section.id, section.title, figures, blocks, told, words)


def _with_flags(page: Page, lines: tuple[FlagLine, ...]) -> Page:
    """The list with its jumps takes the place of the table."""
    blocks = tuple(block for block in page.blocks if not (isinstance(block, Table) and block.id == "flags"))
    return Page(page.id, page.title, page.figures, blocks, page.methods, page.words, lines)


def _drawn(spec: Figure, model: ReportModel) -> Drawn:
    match spec:
        case MapFigure():
            for run in model.runs:
                for found in run.result.maps:
                    if spec.id == f"map-{found.subject}-{run_slug(run)}":
                        return Drawn(spec, map_field(found, run.result.balances, run.result.duties))
        case GridFigure():
            return Drawn(spec, grid_field(spec))
        case DifferenceFigure():
            return Drawn(spec, difference_field(spec))
    return Drawn(spec, png=figure_png(spec, SCREEN_DPI))


def _flag_lines(run: RunReport, path: Path) -> Iterator[FlagLine]:
    for flag in open_flags(run):
        jump = None
        if flag.rows:
            first, last = (int(text) for text in flag.rows.split(" … "))
            jump = Jump(path, _stream_of(run, flag.about.partition(",")[0]), first, last + 1)
        cells = (flag.tone.value, run.label, flag.rows, flag.about, flag.message, flag.cause, flag.action)
        yield FlagLine(flag.tone, cells, jump)


def _stream_of(run: RunReport, about: str) -> str:
    """The stream that a flag is about: that of its channel, or the one it names, else the longest."""
    names = {source.name for source in run.sources}
    known = run.stand.channels.get(about)
    if known is not None and known.source in names:
        return known.source
    if about in names:
        return about
    return max(run.sources, key=lambda source: source.rows).name if run.sources else ""
