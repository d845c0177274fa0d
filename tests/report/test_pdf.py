"""The PDF: all of the model is in it, nothing is cut off, every page says what it belongs to. Read back by pypdf."""

from __future__ import annotations

import io
import random
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from benchkit.cli.main import main
from benchkit.errors import UsageError
from benchkit.model.cautions import CAUTIONS
from benchkit.report import page as page_module
from benchkit.report.model import Column, Number, Paragraph, ReportModel, RunReport, Table, Text, Tone
from benchkit.report.numbers import THIN, show
from benchkit.report.pdf import pdf_bytes
from benchkit.report.pdf_document import TEXT_WIDTH
from benchkit.report.pdf_fonts import register
from benchkit.report.pdf_tables import PAD, SIZES, _Entry, _widths, laid_out
from benchkit.report.sections import build_report
from benchkit.session.signing import make_key

SIGNS = "<script>alert(1)</script> & <b>"


@pytest.fixture(scope="module")
def model(full_run: RunReport) -> ReportModel:
    """A report with markup where people write, and a note of several pages."""
    header = replace(full_run.header, operator=SIGNS, note=SIGNS + " word" * 9000)
    return build_report(
        [replace(full_run, header=header, result=replace(full_run.result, maps=full_run.result.maps[:1]))]
    )


@pytest.fixture(scope="module")
def data(model: ReportModel) -> bytes:
    return pdf_bytes(model)


@pytest.fixture(scope="module")
def reader(data: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(data))


@pytest.fixture(scope="module")
def texts(reader: PdfReader) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def joined(text: str) -> str:
    """Without any space: lines are broken on paper."""
    return "".join(text.split())


def test_every_number_text_and_section_of_the_model_is_on_paper(model: ReportModel, texts: list[str]) -> None:
    paper = joined(" ".join(texts))
    words = paper.replace("-", "")
    for section in model.sections:
        assert joined(section.title) in paper
        for block in section.blocks:
            if isinstance(block, Table):
                cells = [(c, cell) for row in block.rows for c, cell in zip(block.columns, row, strict=True)]
                for column, cell in cells:
                    if isinstance(cell, Number):
                        shown = show(cell).figures if column.unit else str(show(cell))
                        assert joined(shown.replace(THIN, "")) in paper, (section.id, column.key)
                    elif len(cell.text) < 40:
                        assert joined(cell.text).replace("-", "") in words, (section.id, column.key)
            elif isinstance(block, Paragraph):
                assert joined(block.text)[:60] in paper
    for caution in CAUTIONS:
        assert joined(caution.heading) in paper


def test_every_page_says_run_content_number_and_that_the_data_are_simulated(
    model: ReportModel, reader: PdfReader, texts: list[str]
) -> None:
    run = model.runs[0]
    assert len(texts) > 10
    for number, text in enumerate(texts, start=1):
        assert f"Page {number} of {len(texts)}" in text
        assert run.header.run_id in text
        assert run.content_sha256 in text
        assert "SIMULATED DATA" in text
        assert "A software trip is not a safety function." in text
    titles = [str(getattr(entry, "title", "")) for entry in reader.outline]
    assert titles == [section.title for section in model.sections]


def test_contents_name_the_page_of_each_section(model: ReportModel, reader: PdfReader, texts: list[str]) -> None:
    for number, (section, entry) in enumerate(zip(model.sections, reader.outline, strict=True), start=1):
        at = reader.get_destination_page_number(entry)  # type: ignore[arg-type]  # the outline is flat
        assert at is not None
        assert section.title in texts[at]
        assert f"{number}. {section.title} {at + 1}" in texts[0]


def test_markup_in_metadata_is_text(texts: list[str]) -> None:
    assert joined(SIGNS) in joined(" ".join(texts))


def test_figures_have_their_axes_as_text(texts: list[str]) -> None:
    paper = " ".join(texts)
    for axis in ("Time since start of run / min", "Torque / N·m", "Loss / W", "Efficiency / %"):
        assert axis in paper


def test_fonts_are_inside_and_nothing_leads_outside(reader: PdfReader, data: bytes) -> None:
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            used = font.get_object()
            if used["/BaseFont"] != "/Helvetica":  # one of the fourteen that every reader has; never used here
                assert "/FontFile2" in used["/FontDescriptor"]
    assert b"/URI" not in data
    assert b"/JavaScript" not in data


def test_the_date_is_that_of_the_data(model: ReportModel, reader: PdfReader) -> None:
    assert reader.metadata is not None
    assert reader.metadata.creation_date is not None
    assert reader.metadata.creation_date.isoformat() == model.runs[0].header.started_utc


def test_several_runs_are_named_in_the_running_head(bare_run: RunReport) -> None:
    runs = [replace(bare_run, label=label, content_sha256=label.lower() * 64) for label in ("A", "B")]
    model = build_report(runs)
    short = replace(model, sections=model.sections[-1:])
    (page,) = PdfReader(io.BytesIO(pdf_bytes(short))).pages
    text = page.extract_text()
    assert f"Runs A {bare_run.header.run_id}, B {bare_run.header.run_id}" in text
    assert f"A {'a' * 12}, B {'b' * 12}" in text


@pytest.mark.parametrize("seed", range(12))
def test_no_table_is_wider_than_the_page_and_no_word_wider_than_its_column(seed: int) -> None:
    register()
    draw = random.Random(seed)
    columns = draw.randint(1, 11)
    cells = [
        [" ".join("x" * draw.randint(1, 12) for _ in range(draw.randint(0, 25))) for _ in range(columns)]
        for _ in range(5)
    ]
    rows = [[_Entry(text, draw.choice(list(Tone)), code=draw.random() < 0.2) for text in row] for row in cells]
    size, widths = _widths(rows, TEXT_WIDTH)
    assert sum(widths) <= TEXT_WIDTH + 1e-6
    if size > SIZES[-1]:
        for row in rows:
            for entry, room in zip(row, widths, strict=True):
                assert size * entry.least() <= room - 2.0 * PAD


def test_a_cell_longer_than_a_page_goes_on_in_further_rows() -> None:
    register()
    columns = (Column("a", "A"), Column("b", "B"))
    table = Table("t", "T", columns, ((Text("one"), Text("word " * 9000)), (Text("two"), Text("y" * 9000))))
    made = laid_out(table, TEXT_WIDTH)
    made.wrap(TEXT_WIDTH, 10.0)
    heights: list[float] = made._rowHeights  # type: ignore[attr-defined]  # no public way to ask
    assert max(heights) < 650.0


def test_the_command_writes_signs_and_verifies(
    bare_run: RunReport, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(page_module, "gather", lambda *_: [bare_run])
    make_key(tmp_path / "key.pem")
    html, pdf = tmp_path / "r.html", tmp_path / "r.pdf"
    options = ["--out", str(html), "--pdf", str(pdf), "--sign", str(tmp_path / "key.pem")]
    assert main(["report", "r.h5", *options]) == 0
    told = [html, pdf, tmp_path / "r.html.sig", tmp_path / "r.pdf.sig"]
    assert capsys.readouterr().out.splitlines() == [str(path) for path in told]
    assert main(["verify", str(html), str(pdf)]) == 0
    pdf.write_bytes(pdf.read_bytes().replace(b"/Type /Page ", b"/Type /Pagf ", 1))
    html.write_bytes(html.read_bytes() + b" ")
    assert main(["verify", str(html)]) == 4
    assert "changed: r.html" in capsys.readouterr().out


def test_what_cannot_be_done_is_said_before_the_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = tmp_path / "r.h5"
    assert main(["report", str(run), "--pdf", str(run)]) == 2
    assert "would replace a run" in capsys.readouterr().err
    assert main(["report", str(run), "--pdf", str(tmp_path / "r.html")]) == 2
    assert main(["report", str(run), "--sign", str(tmp_path / "none.pem")]) == 2
    assert "no such key" in capsys.readouterr().err


def test_without_the_extra_the_remedy_is_said(bare_run: RunReport, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "reportlab", None)
    with pytest.raises(UsageError, match=r"pip install 'benchkit\[pdf\]'"):
        pdf_bytes(build_report([bare_run]))
