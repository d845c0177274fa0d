"""The report as a PDF for paper and for an archive: the sections, tables and figures of the page, from the same model.

No system package is needed. The same model gives the same bytes: no time of making, no random identifier.
"""

from __future__ import annotations

import io
from pathlib import Path

from benchkit.report.model import ReportModel


def write_pdf(model: ReportModel, out: Path) -> None:
    """Write the report to ``out``, whole or not at all; an older one there is replaced.

    Raises:
        UsageError: the extra ``pdf`` is not installed, or the folder does not exist.
    """
    from benchkit.report.page import write_bytes

    write_bytes(Path(out), pdf_bytes(model))


def pdf_bytes(model: ReportModel) -> bytes:
    """The report as PDF.

    Raises:
        UsageError: the extra ``pdf`` is not installed.
    """
    from benchkit.runfile.extras import need

    need("reportlab", "pdf")
    from benchkit.report.pdf_document import Layout, build
    from benchkit.report.pdf_fonts import register

    register()
    # twice: the first pass finds the pages, the second writes them into the contents and the running head
    first = Layout({}, 0, is_final=False, drawings={})
    found = build(io.BytesIO(), model, first)
    buffer = io.BytesIO()
    build(buffer, model, Layout(found.pages, found.total, is_final=True, drawings=first.drawings))
    return buffer.getvalue()
