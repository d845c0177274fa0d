"""What DEVELOPERS.md shows is there, and its example works."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchkit.model.limits import Severity
from benchkit.profiles import load_stand, shared_path

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`((?:[\w.*-]+/)+[\w.*-]*)`", PAGE)))


def test_the_page_names_files() -> None:
    assert "protect/limits.py" in NAMED


@pytest.mark.parametrize("name", [name for name in NAMED if name != "demo_out/"])
def test_every_file_it_names_is_there(name: str) -> None:
    # paths are written from the project's root or, shorter, from benchkit/
    assert any(list(root.glob(name.rstrip("/"))) for root in (ROOT, ROOT / "benchkit")), name


def test_its_limit_is_read_as_it_stands(tmp_path: Path) -> None:
    example = re.search(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    assert example
    profile = tmp_path / "stand.toml"
    airboat = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")
    profile.write_text(f"{airboat}\n{example[1]}", encoding="utf-8")
    limit = next(each for each in load_stand(profile).stand.limit_set.limits if each.name == "stator_hot")
    assert (limit.severity, limit.set_point, limit.on_delay_s) == (Severity.TRIP, 125.0, 0.5)
