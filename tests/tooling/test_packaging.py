"""Wheel and source archive: what is in them, and that the wheel works where the sources are not.

The long form (``soak``) installs the wheel into a clean environment, with the tested versions, and runs the demo there.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tarfile
import time
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

from benchkit import __version__

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
WHERE_SOURCES_HIDE = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV")


def built(kind: str, folder: Path) -> Path:
    pytest.importorskip("hatchling")
    line = [sys.executable, "-m", "build", "--no-isolation", f"--{kind}", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(line, check=False, capture_output=True, text=True, timeout=170)
    assert done.returncode == 0, done.stderr[-2000:]
    (found,) = folder.iterdir()
    return found


def tracked(*folders: str) -> set[str]:
    """Files of the project in these folders, without what Python and editors leave there."""
    return {
        path.relative_to(ROOT).as_posix()
        for folder in folders
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix not in (".pyc", ".part")
    }


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built("wheel", tmp_path_factory.mktemp("wheel"))


def test_the_wheel_has_the_programs_and_all_that_they_read(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
        metadata = archive.read(f"benchkit-{__version__}.dist-info/METADATA").decode("utf-8")
        scripts = archive.read(f"benchkit-{__version__}.dist-info/entry_points.txt").decode("utf-8")
    shared = {f"benchkit/shared_data/{name.removeprefix('shared/')}" for name in tracked("shared")}
    assert names == tracked("benchkit", "gui") | shared
    assert {"benchkit/report/templates/report.html.j2", "benchkit/shared_data/stands/airboat.toml"} <= names
    assert f"Version: {__version__}" in metadata
    assert set(re.findall(r"^Provides-Extra: ([\w-]+)$", metadata, re.M)) == set(PROJECT["optional-dependencies"])
    assert "benchkit = benchkit.cli.main:main" in scripts
    assert "[gui_scripts]\nbenchkit-dashboard = gui.app:main" in scripts


def test_the_source_archive_is_enough_to_build_from(tmp_path: Path, wheel: Path) -> None:
    archive = built("sdist", tmp_path)
    with tarfile.open(archive) as file:
        names = {name.partition("/")[2] for name in file.getnames()}
    assert tracked("benchkit", "gui", "shared") <= names
    assert {"pyproject.toml", "README.md", "LICENSE", "CHANGELOG.md"} <= names
    assert not {name for name in names if name.startswith(("tests/", ".venv", "demo_out"))}
    assert wheel.stat().st_size < 3_000_000


def test_the_page_on_installing_names_every_extra() -> None:
    page = (ROOT / "docs" / "howto" / "install.md").read_text(encoding="utf-8")
    missing = [name for name in PROJECT["optional-dependencies"] if name != "dev" and f"'.[{name}]'" not in page]
    assert not missing


@pytest.mark.soak
@pytest.mark.timeout(1500)
def test_the_wheel_works_where_the_sources_are_not(wheel: Path, tmp_path: Path) -> None:
    began = time.monotonic()
    home = tmp_path / "env"
    venv.create(home, with_pip=True)
    programs = home / ("Scripts" if os.name == "nt" else "bin")
    constraints = ROOT / "shared" / "constraints.txt"
    environment = {name: value for name, value in os.environ.items() if name not in WHERE_SOURCES_HIDE}

    def run(*line: str | Path) -> str:
        done = subprocess.run(
            list(map(str, line)),
            check=False,
            capture_output=True,
            text=True,
            cwd=tmp_path,
            env=environment,
            timeout=1200,
        )
        assert done.returncode == 0, f"{line}: {done.stdout[-1500:]}{done.stderr[-3000:]}"
        return done.stdout

    run(programs / "python", "-m", "pip", "install", "--quiet", "-c", constraints, wheel)
    installed = time.monotonic()
    where = run(programs / "python", "-c", "import benchkit, gui; print(benchkit.__file__, gui.__file__)")
    assert all(Path(name).is_relative_to(home) for name in where.split())
    assert __version__ in run(programs / "benchkit", "--version")
    assert (
        "gui"
        in subprocess.run(
            [programs / "benchkit", "dashboard"],
            check=False,
            capture_output=True,
            text=True,
            cwd=tmp_path,
            env=environment,
            timeout=60,
        ).stderr
    ), "what needs an extra says which"
    for example in sorted((ROOT / "shared" / "stands").glob("*.toml")):
        run(programs / "benchkit", "check", example.stem)
    said = run(programs / "benchkit", "demo", "--out", "demo_out")
    assert "first-out winding_hot" in said
    assert "simulated" in (tmp_path / "demo_out" / "report.html").read_text(encoding="utf-8").lower()
    for recorded in sorted((tmp_path / "demo_out").glob("*.h5")):
        run(programs / "benchkit", "verify", recorded)
    print(f"installed in {installed - began:.0f} s, used in {time.monotonic() - installed:.0f} s")
