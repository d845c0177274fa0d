"""Pages of the PDF report: contents, running head with run and content hash, sections in the order of the model."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import md5
from typing import IO, Any

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    PageTemplate,
    Paragraph,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as PlainTable

from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION, NOT_AN_APPROVAL
from benchkit.report.model import Block, Listing, ReportModel, Section, Table, Tone
from benchkit.report.model import Paragraph as TextBlock
from benchkit.report.pdf_figures import FigureBox
from benchkit.report.pdf_fonts import BOLD, MONO, REGULAR, width
from benchkit.report.pdf_tables import laid_out
from benchkit.report.pdf_text import (
    CAPTION,
    HEADING,
    INK,
    LINE,
    LISTED,
    MUTED,
    NOTE,
    SUBTITLE,
    TITLE,
    UNDER_FIGURE,
    clean,
    marked,
    style,
    tight,
    toned,
)

SIDE, TOP, BOTTOM = 15.0 * mm, 22.0 * mm, 17.0 * mm
TEXT_WIDTH, TEXT_HEIGHT = A4[0] - 2.0 * SIDE, A4[1] - TOP - BOTTOM
HEADING_ROOM = 95.0
"""Room [pt] that a heading needs below it on its page."""
CAPTION_ROOM = 90.0
KEPT_ROWS = 10
"""Rows up to which a table is kept on one page."""
FOOT = f"{NOT_AN_APPROVAL} {NOT_A_SAFETY_FUNCTION}"
HASH_SHOWN = 12
"""Digits of a content hash in the running head of a report on several runs."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Pages of the sections, pages in all, and whether this pass draws."""

    pages: Mapping[str, int]
    total: int
    is_final: bool
    drawings: dict[str, Any]
    """Figures of matplotlib by their id, made in the first pass and drawn in the second."""


class _Heading(Paragraph):
    """A heading that the contents and the bookmarks of the reader lead to."""

    def __init__(self, section: Section) -> None:
        self.key, self.title = section.id, section.title
        super().__init__(f'<a name="{section.id}"/>{marked(section.title)}', HEADING)


class _Document(BaseDocTemplate):
    """Finds the page of each heading, and draws what stands on every page."""

    def __init__(self, out: IO[bytes], model: ReportModel, layout: Layout) -> None:
        super().__init__(
            out, pagesize=A4, leftMargin=SIDE, rightMargin=SIDE, topMargin=TOP, bottomMargin=BOTTOM, invariant=1,
            pageCompression=1, title=clean(model.title), subject=clean(model.subtitle), author="",
            creator=f"benchkit {model.software_version}", lang="en",
        )  # fmt: skip
        self._model, self._layout = model, layout
        self.found: dict[str, int] = {}
        frame = Frame(SIDE, BOTTOM, TEXT_WIDTH, TEXT_HEIGHT, leftPadding=0, rightPadding=0, topPadding=0,
                      bottomPadding=0)  # fmt: skip
        self.addPageTemplates([PageTemplate("page", [frame], onPage=self._on_page)])

    def beforeDocument(self) -> None:  # noqa: N802 - reportlab calls it so
        started = [datetime.fromisoformat(run.header.started_utc).astimezone(UTC) for run in self._model.runs]
        at = f"{max(started):D:%Y%m%d%H%M%S}+00'00'" if started else ""
        # the date of the data, not of the printing, whatever the environment says
        canvas: Any = self.canv
        canvas.setDateFormatter(lambda *_: at)
        # nor is the identifier of the file taken from the clock or SOURCE_DATE_EPOCH
        canvas._doc.signature = md5("".join(run.content_sha256 for run in self._model.runs).encode(),
                                    usedforsecurity=False)  # fmt: skip

    def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802 - reportlab calls it so
        if isinstance(flowable, _Heading):
            self.found[flowable.key] = self.page
            canvas: Any = self.canv
            canvas.bookmarkPage(f"outline-{flowable.key}")
            canvas.addOutlineEntry(clean(flowable.title), f"outline-{flowable.key}", 0)

    def _on_page(self, canvas: Any, _document: BaseDocTemplate) -> None:
        canvas.saveState()
        model, top = self._model, A4[1] - 11.0 * mm
        page = f"Page {canvas.getPageNumber()} of {self._layout.total}"
        right = A4[0] - SIDE
        canvas.setFont(REGULAR, 7.5)
        canvas.setFillColor(MUTED)
        canvas.drawRightString(right, top, page)
        room = TEXT_WIDTH - width(page, REGULAR, 7.5) - 10.0
        left = SIDE
        if model.simulated:
            canvas.setFont(BOLD, 7.5)
            canvas.setFillColor(HexColor("#7a4b00"))
            canvas.drawString(left, top, "SIMULATED DATA")
            moved = width("SIMULATED DATA", BOLD, 7.5) + 8.0
            left, room = left + moved, room - moved
        canvas.setFont(REGULAR, 7.5)
        canvas.setFillColor(INK)
        canvas.drawString(left, top, _fitted(_runs_line(model), REGULAR, 7.5, room))
        canvas.setFont(MONO, 6.2)
        canvas.setFillColor(MUTED)
        canvas.drawString(SIDE, top - 9.5, _fitted(_hash_line(model), MONO, 6.2, TEXT_WIDTH))
        canvas.setStrokeColor(LINE)
        canvas.setLineWidth(0.6)
        canvas.line(SIDE, top - 14.0, right, top - 14.0)
        canvas.line(SIDE, 12.5 * mm, right, 12.5 * mm)
        canvas.setFont(REGULAR, 6.6)
        canvas.drawString(SIDE, 9.0 * mm, f"Made with benchkit {model.software_version}. {FOOT}")
        canvas.restoreState()


@dataclass(frozen=True, slots=True)
class Built:
    """Page of each section, and the number of pages."""

    pages: Mapping[str, int]
    total: int


def build(out: IO[bytes], model: ReportModel, layout: Layout) -> Built:
    """Write the document to ``out``."""
    document = _Document(out, model, layout)
    document.build(list(_story(model, layout)))
    return Built(document.found, document.page)


def _runs_line(model: ReportModel) -> str:
    if len(model.runs) == 1:
        return clean(f"Run {model.runs[0].header.run_id}")
    return clean("Runs " + ", ".join(f"{run.label} {run.header.run_id}" for run in model.runs))


def _hash_line(model: ReportModel) -> str:
    if not model.runs:
        return ""
    if len(model.runs) == 1:
        return f"Content SHA-256 {model.runs[0].content_sha256 or 'none: the run is not closed'}"
    parts = (f"{run.label} {run.content_sha256[:HASH_SHOWN] or 'none'}" for run in model.runs)
    return "Content SHA-256 (in full in the last section) " + ", ".join(parts)


def _fitted(text: str, font: str, size: float, room: float) -> str:
    """The text, cut with an ellipsis where it is longer than its room [pt]."""
    if width(text, font, size) <= room:
        return text
    while text and width(text + "…", font, size) > room:
        text = text[:-1]
    return text + "…"


def _story(model: ReportModel, layout: Layout) -> Iterator[Flowable]:
    yield Paragraph(marked(model.title), TITLE)
    yield Paragraph(marked(model.subtitle), SUBTITLE)
    for line in model.simulated:
        yield toned(line, Tone.CAUTION, loud=True)
    yield _contents(model, layout)
    for section in model.sections:
        flowables = [part for block in section.blocks for part in _block(block, section, layout)]
        # a heading stays with what comes first, up to a whole page of it
        first = flowables[0].height if flowables and isinstance(flowables[0], CondPageBreak) else 0.0
        yield CondPageBreak(min(TEXT_HEIGHT, max(HEADING_ROOM, first + HEADING.spaceBefore + 24.0)))
        yield _Heading(section)
        yield from flowables


def _contents(model: ReportModel, layout: Layout) -> Flowable:
    """Sections with their pages, in two columns read downwards."""
    entry = style("contents", 8.2, leading=10.8)
    cells = [
        (
            Paragraph(f'<a href="#{section.id}">{number}. {marked(section.title)}</a>', entry),
            Paragraph(str(layout.pages.get(section.id, "")), entry),
        )
        for number, section in enumerate(model.sections, start=1)
    ]
    half = (len(cells) + 1) // 2
    blank = (Paragraph("", entry), Paragraph("", entry))
    rows = [[*cells[i], *(cells[i + half] if i + half < len(cells) else blank)] for i in range(half)]
    column = TEXT_WIDTH / 2.0 - 30.0
    table = PlainTable(rows, colWidths=[column, 30.0, column, 30.0], hAlign="LEFT", spaceBefore=6, spaceAfter=4)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 0.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
                ("LINEABOVE", (0, 0), (-1, 0), 0.6, LINE),
                ("LINEBELOW", (0, -1), (-1, -1), 0.6, LINE),
            ]
        )
    )
    return table


def _block(block: Block, section: Section, layout: Layout) -> Iterator[Flowable]:
    if isinstance(block, Table):
        table, room = laid_out(block, TEXT_WIDTH), CAPTION_ROOM
        if len(block.rows) <= KEPT_ROWS:
            _, height = table.wrap(TEXT_WIDTH, TEXT_HEIGHT)
            room = height + CAPTION_ROOM / 3.0 if height < TEXT_HEIGHT / 3.0 else room
        yield CondPageBreak(room)
        if block.title != section.title:
            yield Paragraph(marked(block.title), CAPTION)
        yield table
        if block.note:
            yield Paragraph(marked(tight(block.note)), NOTE)
    elif isinstance(block, TextBlock):
        yield toned(block.text, block.tone, block.heading)
    elif isinstance(block, Listing):
        for heading, text in block.lines:
            lead = f'<font name="{BOLD}">{marked(heading)}.</font> '
            yield Paragraph(lead + marked(tight(text)), LISTED, bulletText="•")
        yield Spacer(0, 4)
    else:
        words = Paragraph(
            f'<font name="{BOLD}" color="#1d2430">{marked(block.title)}.</font> {marked(tight(block.description))}',
            UNDER_FIGURE,
        )
        _, below = words.wrap(TEXT_WIDTH, TEXT_HEIGHT)
        # a description of any length: the figure keeps at least half of the page
        below = min(below, TEXT_HEIGHT / 2.0) + UNDER_FIGURE.spaceBefore
        box = FigureBox(block, TEXT_WIDTH, TEXT_HEIGHT - below, layout.drawings, is_final=layout.is_final)
        yield CondPageBreak(min(TEXT_HEIGHT, box.wrap(TEXT_WIDTH, TEXT_HEIGHT)[1] + below))
        yield box
        yield words
