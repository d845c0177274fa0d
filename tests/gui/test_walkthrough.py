"""The way of a new user through the windows: list, live run, trip, reset, recorded view, map, flags, report, editor."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "tutorial" / "on-screen.md"


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_every_step_gets_where_it_should(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "docs/walkthrough.py", str(tmp_path)], cwd=ROOT, capture_output=True, text=True, timeout=800,
        check=False, env={**os.environ, "PYTHONPATH": str(ROOT), "QT_QPA_PLATFORM": "offscreen"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    made = sorted(path.name for path in tmp_path.glob("*.png"))
    assert made == sorted(path.name for path in PAGE.parent.glob("*.png"))


def test_the_page_shows_every_picture_once() -> None:
    text = PAGE.read_text("utf-8")
    for path in PAGE.parent.glob("*.png"):
        assert text.count(f"]({path.name})") == 1
