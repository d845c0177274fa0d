"""The examples in docstrings run and print what they say."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for path in (ROOT / "benchkit").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8") and path.parent.name != "analysis"  # has its own such test
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_in_docstrings(name: str) -> None:
    module = importlib.import_module(name)
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0, f"{result.failed} of {result.attempted} examples of {name} print something else"
