"""The report as one HTML page that needs nothing else: styles and figures are inside, no script, no network."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchkit.errors import UsageError
from benchkit.model.results_maps import Duty
from benchkit.report import figures
from benchkit.report.gather import gather
from benchkit.report.model import (
    Coverage,
    CoverageCount,
    Figure,
    Listing,
    Number,
    Paragraph,
    ReportModel,
    Table,
    Text,
)
from benchkit.report.numbers import show
from benchkit.report.sections import build_report


def write_report(
    paths: Sequence[Path],
    out: Path,
    coverage: Coverage | Mapping[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
    duty: Duty | None = None,
) -> ReportModel:
    """Read and analyse the runs and write the page to ``out``; an older report there is replaced.

    ``coverage`` is a study of the stated intervals (see :func:`as_coverage`). ``progress`` is called with a line of
    text before each longer step. ``duty`` is put over the maps. The same inputs give the same bytes.

    Raises:
        UsageError: no run, a run named twice, ``out`` is one of the runs or lies in no folder.
        RunFileError: a run cannot be read.
    """
    out = Path(out)
    check_out(out, paths)
    model = build_report(gather([Path(path) for path in paths], progress, duty), as_coverage(coverage))
    if progress is not None:
        progress("drawing")
    write_text(out, render(model))
    return model


def check_out(out: Path, others: Sequence[Path]) -> None:
    """Refuse a file that would replace one of the others, or whose folder does not exist.

    Raises:
        UsageError: saying which.
    """
    if out.resolve() in {Path(path).resolve() for path in others}:
        raise UsageError(
            "the report would replace a run, or its other form",
            where=out.name,
            remedy="Name another file for the report.",
        )
    if not out.parent.is_dir():
        raise UsageError("the folder of the report does not exist", where=str(out.parent), remedy="Make it first.")


def write_text(out: Path, text: str) -> None:
    """Write a file whole or not at all: a reader never sees half a report."""
    write_bytes(out, text.encode("utf-8"))


def write_bytes(out: Path, data: bytes) -> None:
    """The same for bytes."""
    handle, name = tempfile.mkstemp(dir=out.parent, prefix=f".{out.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        Path(name).chmod(0o644)
        Path(name).replace(out)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def as_coverage(data: Coverage | Mapping[str, Any] | None) -> Coverage | None:
    """A coverage study from a mapping: ``{"counts": {"efficiency": {"inside": 381, "total": 400}}, "seeds": "1-400",
    "stated": 0.95, "method": "…"}``; ``seeds``, ``stated`` and ``method`` may be left out.

    Raises:
        UsageError: a count is missing, or more points are inside than there are.
    """
    if data is None or isinstance(data, Coverage):
        return data
    counts = data.get("counts")
    if not isinstance(counts, Mapping):
        raise UsageError("the study has no counts", where="coverage", expected="counts by quantity: inside, total")
    return Coverage(
        tuple(_coverage_count(str(name), item) for name, item in counts.items()),
        stated=float(data.get("stated", 0.95)),
        seeds=str(data.get("seeds", "")),
        method=str(data.get("method", "")),
    )


def _coverage_count(quantity: str, item: object) -> CoverageCount:
    where, expected = f"coverage.counts.{quantity}", "inside and total, 0 <= inside <= total, total > 0"
    if not isinstance(item, Mapping):
        raise UsageError("not a count", where=where, got=item, expected=expected)
    inside, total = item.get("inside"), item.get("total")
    if not (isinstance(inside, int) and isinstance(total, int) and 0 <= inside <= total and total > 0):
        raise UsageError("not a count", where=where, got=dict(item), expected=expected)
    return CoverageCount(quantity, inside, total)


def render(model: ReportModel) -> str:
    """The page as text."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("benchkit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["tight"] = _tight
    template = environment.get_template("report.html.j2")
    return template.render(model=model, kind_of=_kind_of, cell_kind=_cell_kind, show=show, draw=_draw)


def _tight(text: str) -> str:
    """No line break between a number and its per cent sign."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def _draw(figure: Figure) -> object:
    from markupsafe import Markup

    return Markup(figures.draw(figure))  # noqa: S704 - our own drawing, serialised by an XML writer


def _kind_of(block: object) -> str:
    if isinstance(block, Table):
        return "table"
    if isinstance(block, Paragraph):
        return "paragraph"
    return "listing" if isinstance(block, Listing) else "figure"


def _cell_kind(cell: object) -> str:
    return "number" if isinstance(cell, Number) else "text" if isinstance(cell, Text) else ""
