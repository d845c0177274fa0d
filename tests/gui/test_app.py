"""The command line of the dashboard, and the repaint soak."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from gui.app import main

REPAINTS = Path(__file__).with_name("repaints.py")


def repaint(count: int) -> None:
    done = subprocess.run(
        [sys.executable, str(REPAINTS), str(count)], capture_output=True, text=True, timeout=600, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.split() == [str(count)]


def test_a_hundred_and_twenty_repaints() -> None:
    repaint(120)


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_a_thousand_repaints() -> None:
    repaint(1000)


def memory_through(seconds: float) -> tuple[float, float]:
    """Resident memory near the beginning and at the end, in MB."""
    script = REPAINTS.with_name("soaking.py")
    done = subprocess.run(
        [sys.executable, str(script), str(seconds)], capture_output=True, text=True, timeout=1800, check=False,
        env={**offscreen(), "PYTHONPATH": str(REPAINTS.parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    return told["start_mb"], told["end_mb"]


def test_memory_through_some_minutes_of_stream() -> None:
    start_mb, end_mb = memory_through(200.0)
    assert end_mb <= 1.05 * start_mb


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_memory_through_two_hours_of_stream() -> None:
    start_mb, end_mb = memory_through(7200.0)
    assert end_mb <= 1.05 * start_mb


@pytest.mark.parametrize("scale", [100, 200])
def test_everything_is_drawn_in_the_chosen_size(scale: int) -> None:
    program = (
        "from gui.app import make_application; from gui.state.settings import Settings; "
        f"print(make_application(Settings(scale={scale})).primaryScreen().devicePixelRatio())"
    )
    environment = {k: v for k, v in offscreen().items() if not k.startswith("QT_SCALE")}
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=120, check=True,
        env={**environment, "PYTHONPATH": str(REPAINTS.parents[2])},
    )  # fmt: skip
    assert float(done.stdout) == scale / 100.0


def test_one_thing_at_a_time(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run.h5", "--runs", "."]) == 2
    assert "give one of" in capsys.readouterr().err


def test_a_missing_run_ends_with_words_and_no_traceback(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "gui", str(tmp_path / "missing.h5")],
        capture_output=True, text=True, timeout=120, check=False, env=offscreen(),
    )  # fmt: skip
    assert done.returncode == 4
    assert "missing.h5" in done.stderr
    assert "Traceback" not in done.stderr


def test_help_says_what_the_dashboard_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    assert "protection and recording go on without it" in " ".join(capsys.readouterr().out.split())


def test_without_qt_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def missing(settings: Any) -> Any:
        raise ImportError("libEGL.so.1: cannot open shared object file")

    monkeypatch.setattr("gui.app.make_application", missing)
    assert main(["--runs", "."]) == 2
    assert "benchkit[gui]" in capsys.readouterr().err


def offscreen() -> dict[str, str]:
    import os

    return {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
