"""The commands and the code of ``docs/howto/export.md`` do what the page says."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from benchkit.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "howto" / "export.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE, flags=re.DOTALL)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(ROOT / "sample_runs" / "small_motor" / "run.h5", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_commands(folder: Path) -> None:
    pytest.importorskip("pyarrow")
    pytest.importorskip("asammdf")
    lines = [line for block in blocks("console") for line in block.splitlines()]
    assert len(lines) == 5
    for line in lines:
        assert main(shlex.split(line)[1:]) == 0, line
    made = sorted(str(path.relative_to(folder)) for path in folder.rglob("run.*") if path.suffix != ".h5")
    assert made == [
        str(Path("exported", "run_csv", "run.rack.csv")),
        str(Path("exported", "run_mat", "run.rack.mat")),
        str(Path("exported", "run_parquet", "run.rack.parquet")),
        str(Path("handed_on", "run_mdf4", "run.mf4")),
    ]


def test_code(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("pandas")
    pytest.importorskip("xarray")
    (code,) = blocks("python")
    exec(compile(code, "export.md", "exec"), {})
    assert capsys.readouterr().out == "N·m\nN·m\n"
