"""Every example in the pages of docs/, the README and the page for contributors: Python runs, TOML parses, commands are
understood. What they do is tested where they belong (tests/export/test_howto.py, tests/cli, tests/profiles)."""

from __future__ import annotations

import argparse
import importlib
import re
import shlex
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest.mock import create_autospec

import pytest

from benchkit.cli.main import COMMANDS
from benchkit.profiles import stand_from_json
from benchkit.runfile.reader import open_run
from benchkit.session.client import RecorderClient
from benchkit.session.requests import REQUESTS

ROOT = Path(__file__).resolve().parents[2]
RUN_PY_COMMANDS = re.findall(
    r"\w+", re.search(r"for work in \(([^)]*)\)", (ROOT / "run.py").read_text("utf-8")).group(1)
)
BUILT = {"api", "_build"}  # made from docstrings, whose examples tests/tooling/test_docstrings.py runs
PAGES = [
    *(ROOT / "README.md", ROOT / "DEVELOPERS.md"),
    *(path for path in sorted((ROOT / "docs").rglob("*.md")) if not BUILT & set(path.parts)),
]


def blocks(*languages: str) -> Iterator[Any]:
    for page in PAGES:
        found = re.findall(r"^```(\w*)\n(.*?)^```", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
        name = page.relative_to(ROOT).as_posix()
        for number, (language, text) in enumerate(found):
            if language in languages:
                yield pytest.param(text, id=f"{name} block {number + 1}")


def lines_of(*languages: str) -> Iterator[Any]:
    for block in blocks(*languages):
        for line in block.values[0].splitlines():
            command = line.partition("#")[0].strip()
            if command.startswith(("benchkit ", "python3 run.py ")):
                yield pytest.param(command, id=f"{block.id}: {command}")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(ROOT / "sample_runs" / "small_motor" / "run.h5", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("code", list(blocks("python")))
def test_python(code: str, folder: Path) -> None:
    """Names that a page takes as given: ``stand`` and ``stream`` of a run, ``client`` of a recorder."""
    pytest.importorskip("xarray")
    with open_run(folder / "run.h5") as run:
        given: dict[str, Any] = {"stand": stand_from_json(run.header.profile_json), "stream": run.stream("rack")}
    given["client"] = create_autospec(RecorderClient, instance=True)
    exec(compile(code, "example", "exec"), given)
    for call in given["client"].request.call_args_list:
        assert call.args[0] in REQUESTS
        assert call.kwargs["who"]


@pytest.mark.parametrize("text", list(blocks("toml")))
def test_toml(text: str) -> None:
    """A block that gives one key several times shows alternatives: then each line stands for itself."""
    try:
        assert tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        if "Cannot overwrite a value" not in str(error):
            raise
        assert all(tomllib.loads(line) for line in text.splitlines() if line and not line.startswith("#"))


@pytest.mark.parametrize("command", list(lines_of("", "console", "sh")))
def test_commands_are_understood(command: str) -> None:
    words = shlex.split(command)
    if words[0] == "python3":
        assert words[2] in RUN_PY_COMMANDS
        return
    assert words[1] in COMMANDS, words[1]
    parser = argparse.ArgumentParser(exit_on_error=False)
    getattr(importlib.import_module(f"benchkit.cli.{COMMANDS[words[1]][0]}"), f"{words[1]}_arguments")(parser)
    args = parser.parse_args(words[2:])
    if words[1] == "ask":
        assert args.request in REQUESTS, args.request
        assert all("=" in argument for argument in args.arguments)


def test_there_are_examples():
    assert len(list(blocks("python"))) >= 5
    assert len(list(blocks("toml"))) >= 30
    assert len(list(lines_of("", "console", "sh"))) >= 20
