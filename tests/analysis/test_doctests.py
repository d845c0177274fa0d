"""The examples in the docstrings run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import benchkit.analysis

MODULES = sorted(m.name for m in pkgutil.walk_packages(benchkit.analysis.__path__, "benchkit.analysis."))


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


def test_there_are_examples():
    found = [doctest.DocTestFinder().find(importlib.import_module(name)) for name in MODULES]
    assert sum(bool(test.examples) for tests in found for test in tests) >= 20
