"""The page: whole, alone, accessible, and the same every time."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import pytest

from benchkit.errors import UsageError
from benchkit.model.cautions import CAUTIONS
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.report.figures import draw
from benchkit.report.model import Coverage, CoverageCount, MapFigure, RunReport
from benchkit.report.page import as_coverage, render
from benchkit.report.sections import build_report

VOID = {"meta", "link", "br", "hr", "img", "input"}
"""Elements without an end tag, HTML Living Standard 13.1.2."""


class Reader(HTMLParser):
    """Checks that tags close in order; collects ids, attributes and text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: Counter[str] = Counter()
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name == "id":
                self.ids[value or ""] += 1

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    return reader


COVERAGE = Coverage((CoverageCount("drive efficiency", 381, 400), CoverageCount("CT", 384, 400)), seeds="1-400")


@pytest.fixture(scope="module")
def page(full_run: RunReport) -> str:
    return render(build_report([full_run], COVERAGE))


@pytest.fixture(scope="module")
def reader(page: str) -> Reader:
    return read(page)


def test_page_is_well_formed(reader: Reader) -> None:
    assert reader.faults == []
    assert reader.open == []
    assert [name for name, n in reader.ids.items() if n > 1] == []


def test_every_reference_leads_to_an_id_of_the_page(reader: Reader, page: str) -> None:
    pointed = {value[1:] for _, name, value in reader.attributes if name == "href" and value.startswith("#")}
    pointed |= set(re.findall(r"url\(#([^)]+)\)", page))
    for _, name, value in reader.attributes:
        if name == "aria-labelledby":
            pointed |= set(value.split())
    assert pointed - set(reader.ids) == set()


def test_page_needs_nothing_else(reader: Reader, page: str) -> None:
    assert re.search(r"https?:|//[a-z]|@import|@font-face", page) is None
    assert reader.tags["script"] == reader.tags["link"] == reader.tags["img"] == reader.tags["iframe"] == 0
    assert [
        value for _, name, value in reader.attributes if name in ("href", "src") and not value.startswith("#")
    ] == []


def test_every_drawing_is_strict_xml_with_title_and_description(page: str) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
    assert (
        len(drawings) == 12
    )  # overview, losses, three maps, two of thrust, per watt, temperatures, two of a trip, coverage
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.attrib["role"] == "img"
        for tag in ("title", "desc"):
            (element,) = root.findall(tag)
            assert element.text
            assert element.attrib["id"] in root.attrib["aria-labelledby"]
        assert root.find("metadata") is None
        assert root.findall(".//style") == []


def test_page_reads_without_eyes(reader: Reader, page: str) -> None:
    assert '<html lang="en">' in page
    assert reader.tags["h1"] == 1
    cells = [dict(re.findall(r'(\w+)="([^"]*)"', tag)) for tag in re.findall(r"<th[^e][^>]*>", page)]
    assert cells
    assert all(cell.get("scope") in ("row", "col") for cell in cells)
    assert reader.tags["table"] == reader.tags["caption"]


def test_same_map_gives_the_same_drawing(full_run: RunReport, page: str) -> None:
    # the whole page of a real run is compared byte by byte in test_gather
    model = build_report([full_run], COVERAGE)
    (spec,) = (b for s in model.sections for b in s.blocks if isinstance(b, MapFigure) and "drive" in b.id)
    assert draw(spec) in page


def test_simulated_data_are_said_loudly_with_seed_and_time_factor(page: str, full_run: RunReport) -> None:
    head = page[: page.index("<main>")]
    assert "SIMULATED DATA" in head
    assert f"seed {full_run.header.seed}, time factor 50" in head


@pytest.fixture(scope="module")
def bare_reader(bare_run: RunReport) -> Reader:
    return read(render(build_report([bare_run])))


def test_cautions_are_on_every_page(reader: Reader, bare_reader: Reader) -> None:
    for found in (reader, bare_reader):
        text = " ".join(found.text).replace("\N{NO-BREAK SPACE}", " ")
        for caution in CAUTIONS:
            assert caution.heading in text
            assert caution.text in text


def test_limits_come_with_hash_layers_and_origin(bare_run: RunReport, stand: Stand, tmp_path: Path) -> None:
    limits = tmp_path / "heat_run.toml"
    limits.write_text(
        '[limit_set]\nname = "heat run"\nrevision = "1"\n[limits.winding_hot]\n'
        'set_point = { value = 145.0, unit = "°C" }\nreason = "looks for the limit"\n',
        encoding="utf-8",
    )
    loosened = load_stand(shared_path("stands", "airboat.toml"), limits).stand
    for of_run in (stand, loosened):
        page = " ".join(read(render(build_report([replace(bare_run, stand=of_run)]))).text).replace(
            "\N{NO-BREAK SPACE}", " "
        )
        assert of_run.limit_set.sha256 in page
        assert all(layer.sha256 in page and layer.file in page for layer in of_run.limit_set.layers)
        assert all(of_run.limit_set.origin(limit.name) in page for limit in of_run.limit_set.limits)
        assert ("looks for the limit" in page) == (of_run is loosened)


SECTIONS_WITH_DATA = ("power-balance", "efficiency-map", "static-thrust", "thermal", "trips", "events", "coverage")


@pytest.mark.parametrize("section", SECTIONS_WITH_DATA)
def test_section_is_there_with_data(section: str, reader: Reader) -> None:
    assert reader.ids[section] == 1


@pytest.mark.parametrize("section", SECTIONS_WITH_DATA)
def test_section_is_absent_without_data(section: str, bare_reader: Reader) -> None:
    assert section not in bare_reader.ids
    assert {"summary", "cautions", "run-header", "limits", "calibrations", "content"} <= set(bare_reader.ids)
    assert "SIMULATED" not in " ".join(bare_reader.text)


def test_markup_in_metadata_shows_as_text(full_run: RunReport, stand: Stand) -> None:
    # to the drawing some of it means a name to leave out of a legend, a formula, and signs that its font lacks
    evil = "_<script>alert(1)</script><b>&amp; $ b_{ $ 水 "
    channels = {n: replace(c, label=evil + c.label) for n, c in stand.channels.items()}
    run = replace(
        full_run,
        result=replace(full_run.result, maps=()),
        file_name=evil + ".h5",
        header=replace(full_run.header, operator=evil, note=evil, run_id=evil, host=evil),
        stand=replace(stand, title=evil, notes=evil, channels=channels),
        events=tuple(replace(event, message=evil) for event in full_run.events),
        traces=tuple(replace(trace, label=evil + trace.label) for trace in full_run.traces),
    )
    page = render(build_report([run], replace(COVERAGE, method=evil)))
    evil_page = read(page)
    assert evil_page.tags["script"] == evil_page.tags["b"] == 0
    assert evil_page.faults == []
    html5lib.HTMLParser(strict=True).parse(page)  # raises at the first parse error of the HTML Living Standard
    assert "alert(1)" in "".join(evil_page.text)
    for drawing in re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL):
        ElementTree.fromstring(drawing)


def test_two_runs_stand_side_by_side(full_run: RunReport) -> None:
    one = replace(full_run, result=replace(full_run.result, maps=()), traces=(), trips=())
    reader = read(render(build_report([one, replace(one, label="B", file_name="second.h5")])))
    assert reader.faults == []
    assert [name for name, n in reader.ids.items() if n > 1] == []
    assert {"header-a-caption", "header-b-caption", "figure-losses-a", "figure-losses-b"} <= set(reader.ids)


def test_coverage_from_a_mapping() -> None:
    data = {"counts": {"CT": {"inside": 384, "total": 400}}, "seeds": "1-400", "method": "short records"}
    assert as_coverage(data) == Coverage((CoverageCount("CT", 384, 400),), 0.95, "1-400", "short records")
    assert as_coverage(None) is None
    assert as_coverage(COVERAGE) is COVERAGE


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"counts": {"CT": 3}},
        {"counts": {"CT": {"inside": 5, "total": 4}}},
        {"counts": {"CT": {"inside": 0, "total": 0}}},
    ],
)
def test_coverage_that_cannot_be_is_refused(data: dict[str, object]) -> None:
    with pytest.raises(UsageError, match="coverage"):
        as_coverage(data)
