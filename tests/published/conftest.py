"""One way to compare with a published value: assert, and keep source, our value, their value and difference.

A test takes the fixture ``published`` and calls ``published("name", ours, "1.2345")``. The published value is a
text, as printed: the tolerance is half of its last digit unless another is given, with the reason beside it. The
source is the docstring on top of the test file. Where the environment names a file in ``BENCHKIT_PUBLISHED_JSON``,
all comparisons are written there, for the validation page.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference"
KEY = "published"


def half_last_digit(printed: str) -> float:
    """Half a unit of the last printed digit of ``printed``, such as 0.0005 for "1.234" and 5e-8 for "1.23e-5"."""
    mantissa, _, exponent = printed.lower().replace(" ", "").partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(0.5 * 10.0 ** (int(exponent or 0) - decimals))


@pytest.fixture
def published(request: pytest.FixtureRequest) -> Callable[..., None]:
    source = (request.module.__doc__ or "").strip()
    assert source, "a file in tests/published starts with its source"

    def check(name: str, ours: float, value: str, tolerance: float | None = None) -> None:
        theirs = float(value.replace(" ", ""))
        allowed = half_last_digit(value) if tolerance is None else tolerance
        difference = float(ours) - theirs
        row = {
            "source": source,
            "test": request.node.nodeid,
            "name": name,
            "ours": float(ours),
            "published": value,
            "difference": difference,
            "tolerance": float(allowed),
        }
        request.node.user_properties.append((KEY, row))
        # a thousandth of the tolerance for values that lie exactly between two printed digits
        assert abs(difference) <= allowed * 1.001, f"{name}: ours {ours:.12g}, published {value}, allowed {allowed:.3g}"

    return check


@pytest.fixture
def reference() -> Callable[[str], Path]:
    """Path of a file of the open reference data, or skip: they are not carried in this project."""

    def find(name: str) -> Path:
        path = REFERENCE / name
        if not path.exists():
            pytest.skip(f"reference data {name} are not beside the project")
        return path

    return find


_rows: list[dict[str, Any]] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "call":
        _rows.extend(row for key, row in report.user_properties if key == KEY and isinstance(row, dict))


def pytest_sessionfinish(session: pytest.Session) -> None:
    target = os.environ.get("BENCHKIT_PUBLISHED_JSON")
    if target and not hasattr(session.config, "workerinput"):
        Path(target).write_text(json.dumps(_rows, indent=1, ensure_ascii=False), encoding="utf-8")
