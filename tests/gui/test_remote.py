"""From ``benchkit keys`` to two dashboards on one recorder that asks for keys: one watches, one commands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchkit.cli.main import main
from benchkit.profiles import shared_path
from benchkit.session.process import start_recorder, start_simulated_stand
from gui.state.controls import WATCH_ONLY_TEXT

pytestmark = pytest.mark.gui
WAIT_MS = 30_000


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """A folder of keys, and the file that announces a recorder which asks for them."""
    keys = tmp_path / "keys"
    assert main(["keys", str(keys), "--new"]) == 0
    profile = str(shared_path("stands", "airboat.toml"))
    simulated = start_simulated_stand(profile, seed=5, rate_hz=200.0)
    try:
        options = ("--port", f"rack={simulated.address}", "--quiet", "--keys", str(keys))
        recorder, _ = start_recorder(profile, tmp_path / "runs", options)
        try:
            yield keys, Path(recorder.address)
        finally:
            recorder.end()
    finally:
        simulated.end()


def grant(keys: Path, live_file: Path, name: str, *options: str) -> Path:
    ports = [json.loads(live_file.read_text())[key].rsplit(":", 1)[1] for key in ("publish", "request")]
    path = keys.parent / f"{name}.pass.json"
    granted = ["keys", str(keys), "--grant", name, "--at", "127.0.0.1", "--ports", *ports, "--out", str(path)]
    assert main([*granted, *options]) == 0
    return path


def test_one_watches_and_one_commands(
    qtbot: Any, dashboard: Any, guarded: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    keys, live_file = guarded
    watch, control = grant(keys, live_file, "Wim"), grant(keys, live_file, "Ada", "--control")
    assert "Wim may watch." in capsys.readouterr().out
    watching, commanding = dashboard.open_live(watch), dashboard.open_live(control)
    for window in (watching, commanding):
        qtbot.addWidget(window)
        window.show()
    for window in (watching, commanding):
        line = window.frame.state_line
        qtbot.waitUntil(lambda line=line: line.state.text() == "READY" and line.link.text() == "LIVE", timeout=WAIT_MS)
    qtbot.waitUntil(lambda: watching.controls.answer() == WATCH_ONLY_TEXT, timeout=WAIT_MS)
    # around its buttons, straight at the recorder: refused there as well
    watching.link.ask("arm", who="Wim")
    qtbot.waitUntil(lambda: "this key may watch" in watching.controls.answer(), timeout=WAIT_MS)
    assert commanding.frame.state_line.state.text() == "READY"
    commanding.controls.button("arm").click()
    for window in (watching, commanding):
        qtbot.waitUntil(lambda w=window: w.frame.state_line.state.text() == "ARMED", timeout=WAIT_MS)
    told = [line.message for line in watching.model.log.lines if "ARMED" in line.message]
    assert any("(key of Ada)" in text for text in told), told
    assert any("1 denied" in text for text in watching.frame.state_line.field_texts())
    # a terminal on the other machine, and one at the stand
    assert main(["ask", str(watch), "mark", "text=x", "--who", "Wim"]) == 6
    assert main(["ask", str(control), "mark", "text=x", "--who", "Ada"]) == 0
    assert main(["ask", str(live_file.parent), "mark", "text=x", "--who", "Cem"]) == 0
    # a key that is withdrawn asks nothing more
    assert main(["keys", str(keys), "--withdraw", "Ada"]) == 0
    assert main(["ask", str(control), "mark", "text=x", "--who", "Ada"]) in (5, 6)


def test_the_list_of_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = tmp_path / "keys"
    assert main(["keys", str(keys)]) == 2
    assert "benchkit keys FOLDER --new makes one" in capsys.readouterr().err
    assert main(["keys", str(keys), "--new"]) == 0
    assert main(["keys", str(keys), "--new"]) == 2
    assert main(["keys", str(keys), "--grant", "Wim"]) == 2
    assert "where will the dashboard find the stand?" in capsys.readouterr().err
    assert main(["keys", str(keys), "--new", "--grant", "Wim"]) == 2
    out = ["--out", str(tmp_path / "wim.txt")]
    assert main(["keys", str(keys), "--grant", "Wim", "--at", "stand", *out]) == 2
    assert main(["keys", str(keys), "--grant", "Wim", "--public", "ab" * 32]) == 0
    capsys.readouterr()
    assert main(["keys", str(keys), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["known"] == [{"name": "Wim", "grant": "watch", "public": "ab" * 32}]
