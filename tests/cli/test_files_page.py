"""The profile, the files and the commands of ``docs/howto/files.md`` do what the page says."""

from __future__ import annotations

import re
import shlex
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.cli.main import main
from benchkit.model.events import EventKind
from benchkit.profiles import shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.process import start_simulated_stand

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "howto" / "files.md").read_text(encoding="utf-8")
COMMANDS = [line for block in re.findall(r"```console\n(.*?)```", PAGE, flags=re.DOTALL) for line in block.splitlines()]
PREVIEW, IMPORT, SIMULATE, TAIL, REPLAY = COMMANDS


def block(language: str, number: int = 0) -> str:
    found: list[str] = re.findall(rf"```{language}\n(.*?)```", PAGE, flags=re.DOTALL)
    return found[number]


def run(command: str) -> None:
    assert main(shlex.split(command)[1:]) == 0, command


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    (tmp_path / "my_stand.toml").write_text(block("toml"), encoding="utf-8")
    (tmp_path / "yard.csv").write_text(block("text"), encoding="utf-8")
    (tmp_path / "yard.toml").write_text(block("toml", 1), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_preview_proposes_what_the_page_shows(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(PREVIEW)
    shown = capsys.readouterr().out
    assert block("toml", 1).split("\n[file.units]")[0] in shown
    assert "refused: yard.csv: line 8" in shown
    assert not (folder / "runs").exists()


def test_the_import_takes_five_rows_and_names_the_sixth(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    declared = (folder / "yard.toml").read_text(encoding="utf-8")
    (folder / "yard.toml").write_text(declared.split("\n[file.units]")[0], encoding="utf-8")
    assert main(shlex.split(IMPORT)[1:]) == 4
    assert "a factor of 10 lies between them" in capsys.readouterr().err
    (folder / "yard.toml").write_text(declared, encoding="utf-8")
    run(IMPORT)
    assert "refused lines 1" in capsys.readouterr().out
    with open_run(folder / "runs" / "yard.h5") as made:
        assert made.is_closed
        stream = made.stream("mast")
    assert stream.time_s - stream.time_s[0] == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.5])
    temp, pressure = stream.column("mast_temp"), stream.column("mast_pressure")
    assert np.array_equal(temp, [18.4, 18.4, 18.5, np.nan, 18.6], equal_nan=True)
    # 1 kPa is 1000 of the bench unit, Pa
    assert pressure == pytest.approx([101320.0, 101330.0, 101330.0, 101330.0, 101340.0])


@pytest.fixture
def mast(folder: Path) -> Iterator[None]:
    """A logger that adds a line every 20 ms, after an old one."""
    over = threading.Event()
    path = folder / "mast.csv"
    path.write_text("t_ms,temp,pressure\n0,99.0,999.0\n", encoding="ascii")

    def log() -> None:
        number = 0
        while not over.wait(0.02):
            number += 1
            with path.open("a", encoding="ascii") as file:
                file.write(f"{20 * number},18.5,1013.2\n")

    logger = threading.Thread(target=log)
    logger.start()
    yield
    over.set()
    logger.join()


@pytest.mark.usefixtures("mast")
def test_a_growing_file_beside_the_other_instruments(folder: Path) -> None:
    address = shlex.split(SIMULATE)[-1]
    assert shlex.split(SIMULATE) == ["benchkit", "simulate", "airboat", "--tcp", address]
    stand = start_simulated_stand("airboat", tcp="127.0.0.1:0")
    try:
        run(TAIL.replace(f"socket://{address}", stand.address) + " --quiet")
    finally:
        stand.end()
    (path,) = (folder / "live").glob("*.h5")
    with open_run(path) as made:
        assert made.sources == ("mast", "rack")
        stream = made.stream("mast")
        assert made.rows("rack") > 0
    assert len(stream) > 0
    assert set(stream.column("mast_temp")) == {18.5}
    assert set(stream.column("mast_pressure")) == {101320.0}
    assert np.diff(stream.device_time_s) == pytest.approx(0.02)


def test_a_replay_has_the_same_rows(folder: Path) -> None:
    shutil.copy(ROOT / "sample_runs" / "small_motor" / "run.h5", folder)
    run(REPLAY + " --quiet --duration 10")  # on a busy computer not all of it: test_replay.py compares the whole
    (path,) = (folder / "replayed").glob("*.h5")
    with open_run(folder / "run.h5") as old, open_run(path) as new:
        rows = new.rows("rack")
        assert rows > 0
        assert np.array_equal(new.stream("rack").values, old.stream("rack", 0, rows).values, equal_nan=True)
        assert new.header.note == f"replay of {old.header.run_id}"
        assert EventKind.RUN_CLOSED in {event.kind for event in new.events()}
