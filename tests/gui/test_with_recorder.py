"""The dashboard on benchkit's own recorder and simulated stand, each a process of its own."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.profiles import shared_path
from benchkit.session.process import Child, start_recorder, start_simulated_stand

pytestmark = pytest.mark.gui
WAIT_MS = 30_000


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[tuple[Child, Path]]:
    """A recorder that records the simulated stand; its process and the run's folder."""
    profile = str(shared_path("stands", "airboat.toml"))
    simulated = start_simulated_stand(profile, seed=3, rate_hz=200.0)
    child, _ = start_recorder(profile, tmp_path, ("--port", f"rack={simulated.address}"))
    yield child, tmp_path
    for process in (child.process, simulated.process):
        if process.poll() is None:
            process.terminate()
            process.wait(30.0)
        if process.stdout is not None:
            process.stdout.close()


def test_from_arm_to_a_dead_recorder(qtbot: Any, dashboard: Any, recorder: tuple[Child, Path]) -> None:
    child, folder = recorder
    window = dashboard.open_live(folder)
    qtbot.addWidget(window)
    window.show()
    line, controls = window.frame.state_line, window.controls
    qtbot.waitUntil(lambda: line.state.text() == "READY" and line.link.text() == "LIVE", timeout=WAIT_MS)
    for request, state in (("arm", "ARMED"), ("start", "RUNNING")):
        qtbot.waitUntil(controls.button(request).isEnabled, timeout=WAIT_MS)
        controls.button(request).click()
        qtbot.waitUntil(lambda state=state: line.state.text() == state, timeout=WAIT_MS)
    controls.button("mark").click()
    qtbot.waitUntil(lambda: "mark" in [x.words for x in window.model.log.lines], timeout=WAIT_MS)
    voltage = next(p for p in window.frame.trends.plots() if p.group.title == "Voltage")
    qtbot.waitUntil(lambda: len(voltage.drawn("dc_voltage")[0]) > 20, timeout=WAIT_MS)
    # the simulated DC link stands near 400 V at rest
    assert np.nanmedian(voltage.drawn("dc_voltage")[1]) == pytest.approx(400.0, abs=10.0)
    child.process.kill()
    child.process.wait(30.0)
    qtbot.waitUntil(lambda: line.link.text() == "NO RECORDER", timeout=WAIT_MS)
    assert line.link.note().startswith("stale")
    assert not controls.button("stop").isEnabled()


def test_closing_the_dashboard_leaves_the_recording_alone(
    qtbot: Any, dashboard: Any, recorder: tuple[Child, Path]
) -> None:
    child, folder = recorder
    for _ in range(2):
        window = dashboard.open_live(folder)
        qtbot.addWidget(window)
        window.show()
        qtbot.waitUntil(lambda window=window: window.frame.state_line.link.text() == "LIVE", timeout=WAIT_MS)
        window.close()
    assert child.process.poll() is None
    assert child.end() == 0
    run = next(folder.glob("*.h5"))
    again = dashboard.open_recorded(run)
    qtbot.addWidget(again)
    again.show()
    assert again.frame.state_line.link.text() == "RECORDED"
    assert len(again.model.traces[0]) > 0
