"""run.py sets the project up, so it may lean on nothing but Python itself and must speak to old interpreters."""

from __future__ import annotations

import ast
import contextlib
import errno
import importlib.util
import signal
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
RUN_PY = ROOT / "run.py"
SOURCE = RUN_PY.read_text(encoding="utf-8")


@pytest.fixture
def run_py() -> ModuleType:
    spec = importlib.util.spec_from_file_location("run_py", RUN_PY)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def tree(run_py: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the files that decide an installation, with run.py pointed at it."""
    (tmp_path / "shared").mkdir()
    for name in ("pyproject.toml", "shared/constraints.txt"):
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    for name, path in {
        "ROOT": tmp_path,
        "VENV": tmp_path / ".venv",
        "STAMP": tmp_path / ".venv" / "stamp.json",
        "LOG": tmp_path / ".venv" / "log",
        "LOCK": tmp_path / ".venv.lock",
    }.items():
        monkeypatch.setattr(run_py, name, path)
    return tmp_path


def test_it_imports_the_standard_library_only() -> None:
    imported = {
        alias.name.split(".")[0]
        for node in ast.walk(ast.parse(SOURCE))
        if isinstance(node, ast.Import)
        for alias in node.names
    }
    imported |= {
        (node.module or "").split(".")[0] for node in ast.walk(ast.parse(SOURCE)) if isinstance(node, ast.ImportFrom)
    }
    assert "subprocess" in imported
    assert imported <= sys.stdlib_module_names


def test_an_old_interpreter_can_read_it_as_far_as_the_version_check() -> None:
    ast.parse(SOURCE, feature_version=(3, 7))


@pytest.mark.parametrize("version", ["(3, 10, 4, 'final', 0)", "(3, 14, 0, 'final', 0)"])
def test_an_interpreter_outside_the_range_is_told_so(version: str) -> None:
    pretend = f"import sys; sys.version_info = {version}; import runpy; runpy.run_path('run.py', run_name='__main__')"
    done = subprocess.run([sys.executable, "-c", pretend], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("benchkit needs Python 3.11, 3.12 or 3.13; this is ")
    assert "run.py demo" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_unknown_command_lists_the_known_ones() -> None:
    done = subprocess.run([sys.executable, "run.py", "dance"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "there is no command 'dance'" in done.stdout
    for name in ("demo", "test", "soak", "bench", "docs", "lint"):
        assert f"\n  {name} " in done.stdout


def test_exit_codes_pass_through(run_py: ModuleType) -> None:
    assert run_py.run([sys.executable, "-c", "raise SystemExit(7)"]) == 7
    assert run_py.run([sys.executable, "-c", "pass"]) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals that end a process")
def test_a_signal_becomes_128_plus_its_number(run_py: ModuleType) -> None:
    kill = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    assert run_py.run([sys.executable, "-c", kill]) == 128 + signal.SIGKILL


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signal that asks a process to end")
def test_ending_it_ends_what_it_runs() -> None:
    child = "import time; print('up', flush=True); time.sleep(60)"
    parent = f"import run, sys; sys.exit(run.run([sys.executable, '-c', {child!r}]))"
    with subprocess.Popen([sys.executable, "-c", parent], cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "up\n"
        process.terminate()
        # the pipe ends only when parent and child have both closed it
        assert process.communicate(timeout=30) == ("", None)
    assert process.returncode == 128 + signal.SIGTERM


def test_only_what_an_installation_depends_on_asks_for_a_new_one(run_py: ModuleType, tree: Path) -> None:
    before = run_py.fingerprint()
    project = (tree / "pyproject.toml").read_text(encoding="utf-8")
    (tree / "pyproject.toml").write_text(project + "\n[tool.other]\nx = 1\n", encoding="utf-8")
    assert run_py.fingerprint() == before
    assert '"scipy>=' in project
    (tree / "pyproject.toml").write_text(project.replace('"scipy>=', '"scipy>=0,>='), encoding="utf-8")
    assert run_py.fingerprint() != before
    (tree / "pyproject.toml").write_text(project, encoding="utf-8")
    assert run_py.fingerprint() == before
    with (tree / "shared" / "constraints.txt").open("a", encoding="utf-8") as pins:
        pins.write("another==1.0\n")
    assert run_py.fingerprint() != before


def test_it_installs_once_adds_extras_and_takes_up_what_was_cut_short(
    run_py: ModuleType, tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python = run_py.python_in(tree / ".venv")
    made, installed = [], []

    def make_venv(line: list[str]) -> None:
        made.append(line)
        python.parent.mkdir(parents=True)
        python.touch()

    monkeypatch.setattr(run_py, "prepare_system", lambda: None)
    monkeypatch.setattr(run_py, "run_or_exit", make_venv)

    def cut_short(_python: Path, what: list[str]) -> None:
        raise SystemExit(1)

    monkeypatch.setattr(run_py, "pip_install", cut_short)
    with pytest.raises(SystemExit, match="1"):
        run_py.ensure_installed("gui")
    monkeypatch.setattr(run_py, "pip_install", lambda _python, what: installed.append(what[-1]))
    assert run_py.ensure_installed("gui") == python
    run_py.ensure_installed("gui")
    run_py.ensure_installed("gui", "dev")
    run_py.ensure_installed("gui")  # a smaller wish changes nothing
    assert installed == [".[gui]", ".[dev,gui]"]
    assert len(made) == 1
    python.unlink()  # somebody removed the interpreter the environment was made from
    python.parent.rmdir()
    run_py.ensure_installed("gui")
    assert len(made) == 2


INSTALLER = f"""
import runpy, sys
from pathlib import Path

tree = Path(sys.argv[1])
run = runpy.run_path({str(RUN_PY)!r}, run_name="run_py")
install = run["ensure_installed"]
names = install.__globals__
venv = tree / ".venv"
names.update(ROOT=tree, VENV=venv, STAMP=venv / "stamp.json", LOG=venv / "log", LOCK=tree / ".venv.lock")
names["prepare_system"] = lambda: None

def make_venv(line):
    python = names["python_in"](venv)
    python.parent.mkdir(parents=True, exist_ok=True)
    python.touch()

def pip_install(python, what):
    print("installs", what[-1], flush=True)
    assert sys.stdin.readline() == "go on\\n"

names.update(run_or_exit=make_venv, pip_install=pip_install)
install(*sys.argv[2:])
print("is there", flush=True)
"""
WAITING = "Another run.py is installing; waiting for it.\n"


def start_installing(tree: Path, *extras: str) -> subprocess.Popen[str]:
    """Another process that installs into ``tree``, with a stand-in for pip that waits for the line ``go on``."""
    line = [sys.executable, "-c", INSTALLER, str(tree), *extras]
    return subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def said_until(process: subprocess.Popen[str], *starts: str) -> str:
    """What the process says up to a line that begins so."""
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if line.startswith(starts):
            return "".join(lines)
    raise AssertionError(f"it never said {starts}: {''.join(lines)}")


def go_on(*processes: subprocess.Popen[str]) -> list[str]:
    """Let pip end in each; what they say to their end."""
    for process in processes:
        assert process.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # one that only waited may have ended
            process.stdin.write("go on\n")
            process.stdin.close()
    return [process.stdout.read() for process in processes if process.stdout is not None]


@pytest.mark.parametrize(("wish", "installed"), [(["gui"], ""), (["dev"], "installs .[dev,gui]\n")])
def test_a_second_one_waits_and_installs_only_what_is_still_missing(
    tree: Path, wish: list[str], installed: str
) -> None:
    with start_installing(tree, "gui") as first:
        said_until(first, "installs .[gui]")
        with start_installing(tree, *wish) as second:
            assert said_until(second, "Another") == WAITING
            assert go_on(first) == ["is there\n"]
            assert go_on(second) == [installed + "is there\n"]
    assert (first.returncode, second.returncode) == (0, 0)


def test_of_several_that_start_at_the_same_moment_one_installs(tree: Path) -> None:
    with contextlib.ExitStack() as stack:
        together = [stack.enter_context(start_installing(tree, "gui")) for _ in range(4)]
        said = [said_until(process, "installs", "Another") for process in together]
        assert sorted(said) == [WAITING] * 3 + ["Making the virtual environment .venv\ninstalls .[gui]\n"]
        assert go_on(*together) == ["is there\n"] * 4
    assert [process.returncode for process in together] == [0] * 4


def test_who_waits_takes_over_from_one_that_was_killed(tree: Path) -> None:
    with start_installing(tree, "gui") as first:
        said_until(first, "installs .[gui]")
        with start_installing(tree, "gui") as second:
            assert said_until(second, "Another") == WAITING
            first.kill()
            assert go_on(second) == ["installs .[gui]\nis there\n"]
    assert second.returncode == 0


def test_a_file_system_without_locks_holds_nobody_up(
    run_py: ModuleType, tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl", reason="Windows locks with msvcrt")

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with run_py.alone():
        pass


def test_missing_qt_libraries_are_named_each_package_once(run_py: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(run_py, "loads", lambda library: library != "libEGL.so.1")
    monkeypatch.setattr(run_py, "FONT_DIRS", ())
    monkeypatch.setenv("DISPLAY", ":0")
    missing = run_py.missing_for_qt()
    assert [row[0] for row in missing] == ["libEGL.so.1", "a TrueType font"]
    assert run_py.packages(missing, run_py.APT) == ["libegl1", "fonts-dejavu-core"]
    assert run_py.packages(missing, 0) == []
    monkeypatch.setattr(run_py, "loads", lambda library: False)
    arch = run_py.packages(run_py.missing_for_qt(), run_py.PACMAN)
    assert len(arch) == len(set(arch))
    assert "xcb-util-cursor" in arch
    monkeypatch.delenv("DISPLAY")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert "xcb-util-cursor" not in run_py.packages(run_py.missing_for_qt(), run_py.PACMAN)
    monkeypatch.setattr(sys, "platform", "darwin")
    assert run_py.missing_for_qt() == []


def test_without_the_right_to_install_the_exact_command_is_named(
    run_py: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(run_py, "installer", lambda: (run_py.APT, ["apt-get", "install", "-y"]))
    monkeypatch.setattr(run_py, "rights", lambda: None)
    monkeypatch.setattr(run_py, "has_venv", lambda: False)
    monkeypatch.setattr(run_py, "missing_for_qt", lambda: [run_py.QT_OFFSCREEN[0]])
    monkeypatch.setattr(run_py.os, "geteuid", lambda: 1000, raising=False)
    monkeypatch.setattr(run_py.shutil, "which", lambda tool: "/usr/bin/sudo" if tool == "sudo" else None)
    wanted = f"sudo apt-get update && sudo apt-get install -y python3.{sys.version_info.minor}-venv libegl1"
    with pytest.raises(SystemExit, match=wanted):
        run_py.prepare_system()
    monkeypatch.setattr(run_py, "has_venv", lambda: True)
    run_py.prepare_system()  # Qt alone does not stop it
    said = capsys.readouterr().out
    assert "the dashboard (Qt) lacks libEGL.so.1; all else works without" in said
    assert "sudo apt-get update && sudo apt-get install -y libegl1" in said


def test_versions_are_pinned_with_markers_only_where_they_differ(run_py: ModuleType) -> None:
    found = {
        "same": {"3.11": "1", "3.12": "1", "3.13": "1"},
        "split": {"3.11": "1", "3.12": "2", "3.13": "2"},
        "each": {"3.11": "1", "3.12": "2", "3.13": "3"},
        "old": {"3.11": "1"},
    }
    assert run_py.pinned_lines(found, ["3.11", "3.12", "3.13"]) == [
        "each==1; python_version < '3.12'",
        "each==2; python_version >= '3.12' and python_version < '3.13'",
        "each==3; python_version >= '3.13'",
        "old==1; python_version < '3.12'",
        "same==1",
        "split==1; python_version < '3.12'",
        "split==2; python_version >= '3.12'",
    ]
