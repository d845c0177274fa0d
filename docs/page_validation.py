"""docs/reference/validation.md: every comparison with a published value, as the tests in tests/published made it.

``BENCHKIT_PUBLISHED_JSON`` makes the fixture ``published`` of those tests write down what it compared.
"""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from page_tools import GENERATED, cell, table

ROOT = Path(__file__).resolve().parents[1]
TESTS = ROOT / "tests" / "published"

HEAD = """\
Each row is one comparison that a test in `tests/published` makes every time the tests run. *Published* is the value
as it is printed in the source; the tolerance is half of its last printed digit unless the test says why another
holds. *Share* is the difference over the tolerance: below 1 the test passes.

What stands under a source: where the numbers were read. *Second-hand* means as carried by another public project,
*from memory* means that nobody looked it up again, *derived* that our value and theirs follow from a published
formula with its published inputs.

A comparison shows that a formula is programmed as its source has it. It does not show that a sensor is right, or that
the formula fits your machine: that is what the uncertainties and the open flags of a report are for.
"""


def measured() -> list[dict[str, Any]]:
    """Run tests/published and give what was compared, in the order of the tests."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "published.json"
        line = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", str(TESTS)]
        subprocess.run(line, check=True, cwd=ROOT, env=os.environ | {"BENCHKIT_PUBLISHED_JSON": str(target)})
        rows: list[dict[str, Any]] = json.loads(target.read_text(encoding="utf-8"))
    return rows


def page(rows: list[dict[str, Any]]) -> str:
    """The whole page."""
    by_file: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_file.setdefault(row["test"].partition("::")[0].rpartition("/")[2], []).append(row)
    files = sorted(TESTS.glob("test_*.py"))
    lines = ["# Validation against published values", "", GENERATED, "", HEAD]
    lines += [f"{len(rows)} comparisons with {len(files)} sources.", ""]
    overview = []
    for path in files:
        found = by_file.get(path.name, [])
        worst = max((_share(row) for row in found), default=None)
        count, largest = str(len(found)) if found else "exact", _text(worst) if found else "0"
        overview.append((f"[{cell(_title(path))}](#{_anchor(path)})", count, largest))
    lines += [*table(("source", "comparisons", "largest share"), overview), ""]
    for path in files:
        lines += _section(path, by_file.get(path.name, []))
    return "\n".join(lines)


def _source(path: Path) -> str:
    return (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").strip()


def _title(path: Path) -> str:
    """The first sentence or so of the source."""
    first = " ".join(_source(path).split("\n\n")[0].split())
    return first if len(first) <= 110 else f"{first[:107].rsplit(' ', 1)[0]} …"


def _anchor(path: Path) -> str:
    return path.stem.replace("_", "-")


def _section(path: Path, rows: list[dict[str, Any]]) -> Iterator[str]:
    yield from (f"## {_anchor(path)}", "")
    yield from (re.sub(r"``(.*?)``", r"`\1`", _plain(_source(path))), "")
    if not rows:
        checks = len(re.findall(r"^def test_", path.read_text(encoding="utf-8"), flags=re.MULTILINE))
        yield from (f"Compared byte by byte, {checks} tests: no tolerance, no difference.", "")
        return
    yield from table(
        ("comparison", "ours", "published", "difference", "tolerance", "share"),
        [
            (
                cell(_plain(row["name"])),
                f"{row['ours']:.12g}",
                cell(row["published"]),
                _text(row["difference"]),
                _text(row["tolerance"]),
                _text(_share(row)),
            )
            for row in rows
        ],
    )
    yield ""


def _plain(text: str) -> str:
    """Characters that Markdown would take for its own."""
    return re.sub(r"([*_<>\[\]])(?![^`]*``)", r"\\\1", text)


def _share(row: Mapping[str, Any]) -> float:
    if row["difference"] == 0.0:
        return 0.0
    return abs(row["difference"]) / row["tolerance"] if row["tolerance"] else float("inf")


def _text(number: float | None) -> str:
    if number is None:
        return ""
    return "0" if number == 0.0 else f"{number:.2g}"
