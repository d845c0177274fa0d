"""The floors in DEVELOPERS.md are the floors that are checked, and a stair upwards is caught."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]
LINT = "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())"


def floors(root: str) -> list[set[str]]:
    contract = next(each for each in CONTRACTS if each["type"] == "layers" and each["containers"] == [root])
    return [set(re.findall(r"\w+", floor)) for floor in contract["layers"]]


def drawn(root: str) -> list[set[str]]:
    """Floors of the picture in DEVELOPERS.md: the code block that begins with the package's name and a colon."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = re.search(rf"```text\n{root}:\n(.*?)```", text, flags=re.DOTALL)
    assert block, f"DEVELOPERS.md has no picture of the layers of {root}"
    rows = [re.split(r"\s{2,}", row.strip())[0] for row in block[1].splitlines()]
    return [set(re.findall(r"\w+", row)) for row in rows]


@pytest.mark.parametrize("root", ["benchkit", "gui"])
def test_the_picture_for_contributors_is_what_is_checked(root: str) -> None:
    assert drawn(root) == floors(root)


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    skip = shutil.ignore_patterns("__pycache__")
    for package in ("benchkit", "gui"):
        shutil.copytree(ROOT / package, tmp_path / package, ignore=skip)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def lint_imports(tree: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONUTF8": "1"}
    return subprocess.run(
        [sys.executable, "-c", LINT, "--no-cache"],
        cwd=tree,
        env=environment,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


def test_the_tree_as_it_is_keeps_its_contracts(copy: Path) -> None:
    done = lint_imports(copy)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"Contracts: {len(CONTRACTS)} kept, 0 broken" in done.stdout


@pytest.mark.parametrize(
    ("file", "line", "contract", "found"),
    [
        (
            "benchkit/units.py",
            "import benchkit.cli",
            "The floors of benchkit: imports only go down",
            "benchkit.units is not allowed to import benchkit.cli",
        ),
        (
            "benchkit/analysis/__init__.py",
            "import socket",
            "Pure rooms: no file, port, clock, thread, log or environment",
            "benchkit.analysis is not allowed to import socket",
        ),
        (
            "gui/state/__init__.py",
            "import PySide6.QtCore",
            "State of the dashboard has no Qt in it",
            "gui.state is not allowed to import PySide6",
        ),
    ],
)
def test_a_planted_import_is_caught(copy: Path, file: str, line: str, contract: str, found: str) -> None:
    with (copy / file).open("a", encoding="utf-8") as module:
        module.write(f"\n{line}\n")
    done = lint_imports(copy)
    assert done.returncode == 1, done.stdout + done.stderr
    assert f"{contract} BROKEN" in done.stdout
    assert found in done.stdout
