"""The pages of docs/: every link leads somewhere, every page can be found, generated pages say what the program says.

The strict build of the whole site is marked ``soak``, and is what ``python3 run.py docs`` does.
"""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
BUILT = DOCS / "reference" / "api"
PAGES = [
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")),
    *sorted(path for path in DOCS.rglob("*.md") if BUILT not in path.parents and "_build" not in path.parts),
]
IDS = [path.relative_to(ROOT).as_posix() for path in PAGES]
REMEDY = "write it anew: python3 run.py docs --pages --keep-pictures --keep-validation"


@cache
def text_of(page: Path) -> str:
    """A page without its blocks of code."""
    return re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)


def targets(page: Path) -> list[str]:
    return re.findall(r"\]\(([^)\s]+)\)", re.sub(r"`[^`\n]*`", "", text_of(page)))


@cache
def anchors(page: Path) -> set[str]:
    """The names that headings get, as readers of Markdown make them."""
    names: set[str] = set()
    for heading in re.findall(r"^#+ (.*)$", text_of(page), flags=re.MULTILINE):
        kept = "".join(c for c in heading.lower() if c in " -_" or unicodedata.category(c)[0] in "LN")
        name = kept.replace(" ", "-")
        again = sum(name == old or re.fullmatch(rf"{re.escape(name)}-\d+", old) is not None for old in names)
        names.add(f"{name}-{again}" if again else name)
    return names


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_every_link_leads_somewhere(page: Path) -> None:
    for target in targets(page):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        there = (page.parent / name).resolve() if name else page
        assert there.exists(), f"{target}: no such file"
        assert there.is_relative_to(ROOT), f"{target}: outside of the project"
        if anchor:
            assert anchor in anchors(there), f"{target}: headings there are {', '.join(sorted(anchors(there)))}"


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_what_is_named_as_a_path_is_there(page: Path) -> None:
    """``docs/...``, ``shared/...``, ``sample_runs/...``, ``tests/...`` in running text."""
    named = re.findall(r"`((?:docs|shared|sample_runs|tests|benchkit|gui)/[\w./-]*\w)`", text_of(page))
    missing = [name for name in named if not (ROOT / name).exists() and not name.startswith("docs/_build")]
    assert not missing


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_shape(page: Path) -> None:
    """One title, no step left out in the headings, closed blocks, rows of a table in a table with so many cells."""
    whole = page.read_text(encoding="utf-8")
    assert whole.count("\n```") % 2 == 0, "a block of code that does not end"
    levels = [len(marks) for marks in re.findall(r"^(#+) ", text_of(page), flags=re.MULTILINE)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    for head, *rows in tables(page):
        assert len(rows) >= 2, f"a row without a table: {head}"
        assert re.fullmatch(r"\|(\s*:?-+:?\s*\|)+", rows[0]), f"a table without a head: {head}"
        cells = [len(re.findall(r"(?<!\\)\|", re.sub(r"`[^`]*`", "", line))) for line in (head, *rows)]
        assert set(cells) == {cells[0]}, f"a table whose rows differ in length: {head}"


def tables(page: Path) -> Iterator[list[str]]:
    """Runs of lines that begin with a bar."""
    rows: list[str] = []
    for line in [*text_of(page).splitlines(), ""]:
        if line.startswith("|"):
            rows.append(line)
        elif rows:
            yield rows
            rows = []


def test_every_page_is_reached_from_the_index() -> None:
    seen, waiting = set(), [DOCS / "index.md"]
    while waiting:
        page = waiting.pop()
        if page in seen or page.suffix != ".md" or not page.exists():
            continue
        seen.add(page)
        waiting += [(page.parent / target.partition("#")[0]).resolve() for target in targets(page)]
    lost = {path for path in PAGES if DOCS in path.parents} - seen
    assert not lost, "name it on the index page of its folder"


def test_the_readme_names_every_recipe() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = [p.name for p in DOCS.glob("howto/*.md") if p.name != "index.md" and f"docs/howto/{p.name}" not in text]
    assert not missing


# --- generated pages ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written() -> Iterator[ModuleType]:
    """The module that writes the generated pages, as ``run.py docs`` runs it."""
    sys.path.insert(0, str(DOCS))
    yield importlib.import_module("page_all")
    sys.path.remove(str(DOCS))


@pytest.mark.parametrize("name", ["reference/commands.md", "reference/profile.md", "safety.md"])
def test_a_generated_page_says_what_the_program_says(name: str, written: ModuleType) -> None:
    assert (DOCS / name).read_text(encoding="utf-8").strip() == written.PAGES[name]().strip(), REMEDY


def test_no_generated_page_is_left_out(written: ModuleType) -> None:
    marked = {p.relative_to(DOCS).as_posix() for p in PAGES if "*Written by `python3 run.py docs`" in text_of(p)}
    assert marked == set(written.PAGES) | {"reference/validation.md"}


def test_every_key_that_takes_a_unit_says_which(written: ModuleType) -> None:
    rows = re.findall(
        r"^\| (`\w+`) \| (number with unit[^|]*)\| ([^|]*)\|", written.PAGES["reference/profile.md"](), re.M
    )
    assert len(rows) > 60
    assert [row for row in rows if "see its text" in row[2] or not row[2].strip()] == []


def test_the_validation_page_has_every_source_and_only_passed_comparisons() -> None:
    page = (DOCS / "reference" / "validation.md").read_text(encoding="utf-8")
    sections = {part.partition("\n")[0]: part for part in page.split("\n## ")[1:]}
    files = {p.stem.replace("_", "-"): p.read_text("utf-8") for p in (ROOT / "tests" / "published").glob("test_*.py")}
    assert set(sections) == set(files), "write it anew: python3 run.py docs --keep-pictures"
    compared = 0
    for name, part in sections.items():
        rows = [line for line in part.splitlines() if line.startswith("|")][2:]
        compared += len(rows)
        assert bool(rows) == ("published(" in files[name]), name
        for row in rows:
            *_, difference, tolerance, share = (cell.strip() for cell in row.strip("|").split(" | "))
            assert abs(float(difference)) <= float(tolerance) * 1.06, row  # each is printed with two digits
            assert float(share) <= 1.0, row
    assert f"{compared} comparisons with {len(files)} sources" in page
    assert compared > 1000


@pytest.mark.soak
def test_the_site_is_built_without_a_warning(tmp_path: Path) -> None:
    pytest.importorskip("myst_parser")
    line = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html", str(DOCS), str(tmp_path / "html")]
    done = subprocess.run(line, check=False, capture_output=True, text=True, cwd=ROOT, timeout=600)
    assert (done.returncode, done.stderr) == (0, "")
    fetched = [
        (page.name, address)
        for page in (tmp_path / "html").rglob("*.html")
        for address in re.findall(
            r"<(?:link|script|img)[^>]*(?:href|src)=\"(https?://[^\"]+)", page.read_text(encoding="utf-8")
        )
    ]
    assert fetched == [], "the site works without a network"
