"""The first window: without hardware to a live simulated stand, and in words what keeps a recorder from starting."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchkit.session.client import RecorderClient, read_live_file
from gui.state.beginning import simulated_order, stand_order, stand_profiles

pytestmark = pytest.mark.gui
WAIT_MS = 60_000


def test_orders_in_the_words_of_the_command() -> None:
    assert simulated_order(Path("runs"), "").options == ("--simulated", "--quiet")
    order = stand_order(Path("a.toml"), Path("runs"), "rack=/dev/ttyUSB0, cell=COM4", "Ada")
    assert order.options == ("--port", "rack=/dev/ttyUSB0", "--port", "cell=COM4", "--quiet", "--operator", "Ada")


def test_an_example_without_a_port_is_simulated(tmp_path: Path) -> None:
    example = stand_profiles(tmp_path)[0]
    assert stand_order(example, Path("runs"), "", "").options == ("--simulated", "--quiet")
    assert "--simulated" not in stand_order(example, Path("runs"), "rack=COM4", "").options


def test_own_profiles_come_before_the_examples(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("")
    assert [p.stem for p in stand_profiles(tmp_path)][:2] == ["mine", "airboat"]


def test_from_nothing_to_a_live_simulated_stand(qtbot: Any, dashboard: Any, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "runs"
    begin = dashboard.open_beginning(folder)
    qtbot.addWidget(begin)
    begin.show()
    # what cannot be recorded is said, and the window goes on
    begin.ports.setText("nonsense")
    begin.record.click()
    qtbot.waitUntil(lambda: "--port nonsense: not understood" in begin.told.text(), timeout=WAIT_MS)
    assert begin.simulated.isEnabled()
    begin.simulated.click()
    qtbot.waitUntil(lambda: len(begin.opened) == 1, timeout=WAIT_MS)
    live, (child,) = begin.opened[0], begin.children_started
    try:
        qtbot.addWidget(live)
        line = live.frame.state_line
        qtbot.waitUntil(lambda: line.state.text() == "READY" and line.link.text() == "LIVE", timeout=WAIT_MS)
        assert "SIMULATED" in line.field_texts()
        assert not begin.isVisible()
        live.close()
        assert child.process.poll() is None, "the recorder outlives the window"
    finally:
        live.close()
        live.deleteLater()
        with RecorderClient(read_live_file(Path(child.address))) as client:
            client.request("close", who="test")
        child.process.wait(30.0)
    assert len(list(folder.glob("*.h5"))) == 1


def test_the_first_window_depends_on_what_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, qapp: Any) -> None:
    from gui import app
    from gui.state.settings import Settings

    monkeypatch.chdir(tmp_path)
    for name, expected in ((None, "BeginWindow"), ("a.h5", "RunListWindow")):
        if name is not None:
            (tmp_path / name).write_bytes(b"")
        window = app._first_window(app.parser().parse_args([]), Settings())
        assert type(window).__name__ == expected
        window.close()
        window.deleteLater()
