"""What can be checked of the words at a formula: every public one has its unit, its source, and arguments that have a
line in docs/nomenclature.md. Equation, shapes and validity are for a reader to judge."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
NUMBERS = re.compile(r"ArrayLike|FloatArray|BoolArray|\bfloat\b|\bEstimate\b|NDArray")
UNIT = re.compile(r"\[[^\]\n]+\]|\bunit\b|\bunits\b")
SOURCE = re.compile(r"\bSources?\b")
BOOKKEEPING = {
    "benchkit/analysis/folding.py": "sums of samples on their way, no quantity of its own",
    "benchkit/analysis/steady_live.py": "hands rows to the tests of stillness.py",
    "benchkit/analysis/steady.py": "puts stillness.py and uncertainty.py to the channels of a stand",
    "benchkit/analysis/quality/look.py": "slices of a run for the checks",
    "benchkit/analysis/quality/speed.py": "checks: what they see stands in words.py",
}
"""Modules that hand numbers on; the formulas they use are elsewhere."""
MODEL = ("calibration.py", "sensors.py", "thermocouple_tables.py")
"""Modules of the model that hold formulas; the others hold what a profile says, and results."""
ENDINGS = {
    "rpm", "nm", "n", "v", "a", "w", "c", "k", "pa", "lpm", "hz", "m", "kg", "kgm3", "s", "j", "ohm", "wb", "mps",
    "pas", "jkgk", "va", "kgm2", "nm2", "wm2", "rad", "ma", "ppm", "n2",
}  # fmt: skip
PAGE = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
NAMES = set(re.findall(r"`([^`\s]+)`", PAGE))


@dataclass(frozen=True, slots=True)
class Formula:
    where: str
    words: str
    """Docstring, and for a method that of its class."""
    module_words: str
    arguments: tuple[str, ...]


def formulas() -> Iterator[Formula]:
    analysis = ROOT / "benchkit" / "analysis"
    files = [*sorted(analysis.rglob("*.py")), *(ROOT / "benchkit" / "model" / name for name in MODEL)]
    for path in files:
        name = path.relative_to(ROOT).as_posix()
        if name in BOOKKEEPING:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        module_words = ast.get_docstring(tree) or ""
        for node in tree.body:
            owner = ast.get_docstring(node) or "" if isinstance(node, ast.ClassDef) else ""
            inside = node.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_") else [node]
            for f in inside:
                if isinstance(f, ast.FunctionDef) and not f.name.startswith("_") and is_formula(f):
                    arguments = [a.arg for a in (*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs)]
                    words = f"{ast.get_docstring(f) or ''}\n{owner}"
                    yield Formula(f"{name}: {f.name}", words, module_words, tuple(arguments))


def is_formula(f: ast.FunctionDef) -> bool:
    """Numbers out; or numbers in, and neither words, findings nor a verdict out."""
    returns = ast.unparse(f.returns) if f.returns else ""
    given = [ast.unparse(a.annotation) for a in (*f.args.args, *f.args.kwonlyargs) if a.annotation]
    takes = any(NUMBERS.search(text) for text in given)
    return bool(NUMBERS.search(returns)) or (takes and not re.search(r"Finding|None|\bstr\b|\bbool\b", returns))


FORMULAS = list(formulas())


def test_there_are_many():
    assert len(FORMULAS) > 150
    assert all((ROOT / name).exists() for name in BOOKKEEPING)


@pytest.mark.parametrize("formula", FORMULAS, ids=lambda f: f.where)
def test_unit_and_source(formula: Formula) -> None:
    assert formula.words.strip(), "no docstring"
    assert UNIT.search(formula.words), "the docstring names no unit: [W], [1], or 'in the unit of ...'"
    both = formula.words + formula.module_words
    assert SOURCE.search(both), "neither function nor module names a source: 'Source: ...', also 'derived'"


def test_arguments_are_on_the_page_of_names():
    used = {argument for formula in FORMULAS for argument in formula.arguments}
    with_unit = {name for name in used if name.rpartition("_")[0] and name.rpartition("_")[2] in ENDINGS}
    assert len(with_unit) > 60
    assert with_unit - NAMES == set()
