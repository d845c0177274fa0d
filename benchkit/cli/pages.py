"""Where the page of a command goes, and what is written with it: a PDF, signatures."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchkit.evidence.signature import sign_file
from benchkit.report.model import ReportModel
from benchkit.report.page import check_out, render, write_text
from benchkit.report.pdf import write_pdf
from benchkit.runfile.extras import need


@dataclass(frozen=True, slots=True)
class Page:
    """The files of one report; ``pdf`` and ``key`` are None where they are not wanted."""

    out: Path
    pdf: Path | None
    key: Path | None


def page_of(args: Namespace, default: Path, runs: Sequence[Path]) -> Page:
    """What ``--out``, ``--pdf`` and ``--sign`` ask for, looked at before the work begins."""
    return beside(args, Path(args.out) if args.out else default, runs)


def beside(args: Namespace, out: Path, runs: Sequence[Path] = ()) -> Page:
    """What ``--pdf`` and ``--sign`` ask for beside the page ``out``.

    Raises:
        UsageError: a file would replace a run or its other form, a folder does not exist, the PDF needs an extra, or
            the key cannot be used.
    """
    page = Page(out, Path(args.pdf) if args.pdf else None, Path(args.sign) if args.sign else None)
    check_out(page.out, runs)
    if page.pdf is not None:
        need("reportlab", "pdf")
        check_out(page.pdf, [*runs, page.out])
    if page.key is not None:
        from benchkit.session.signing import load_pair

        load_pair(page.key)
    return page


def write_page(model: ReportModel, page: Page) -> list[Path]:
    """Write the page and what goes with it; returns the files."""
    write_text(page.out, render(model))
    return [page.out, *write_beside(model, page)]


def write_beside(model: ReportModel, page: Page) -> list[Path]:
    """Write the PDF and the signatures of a page that is there; returns the files."""
    written = []
    if page.pdf is not None:
        write_pdf(model, page.pdf)
        written.append(page.pdf)
    if page.key is not None:
        written += [sign_file(path, page.key) for path in (page.out, *written)]
    return written
