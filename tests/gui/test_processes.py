"""What the screen says when something dies, is cut, or stands still: recorder, stand and dashboard as real processes.

How soon it says so is measured in tests/bench/live_words.py, and follows from the constants that test_windows.py adds
up.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchkit.profiles import shared_path
from benchkit.session.client import RecorderClient, read_live_file
from benchkit.session.messages import Status
from benchkit.session.process import Child, start_recorder, start_simulated_stand
from tests.gui.watching import Watching

pytestmark = [pytest.mark.gui, pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")]


@pytest.fixture(scope="module")
def stand_and_recorder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Child, Child, Path]]:
    """One of each for all tests here; the last one kills them."""
    profile = str(shared_path("stands", "airboat.toml"))
    simulated = start_simulated_stand(profile, seed=5, rate_hz=200.0)
    recorder = None
    try:
        recorder, _ = start_recorder(
            profile, tmp_path_factory.mktemp("runs"), ("--port", f"rack={simulated.address}", "--quiet")
        )
        yield simulated, recorder, Path(recorder.address)
    finally:
        for child in (recorder, simulated):
            if child is not None:
                if child.process.poll() is None:
                    child.kill()
                elif child.process.stdout is not None:
                    child.process.stdout.close()


@pytest.fixture(scope="module")
def watching(stand_and_recorder: tuple[Child, Child, Path]) -> Iterator[Watching]:
    made = Watching(stand_and_recorder[2])
    try:
        made.wait_for(lambda x: x["link"] == "LIVE" and x["state"] == "READY" and x["plots"] == 6)
        yield made
    finally:
        made.close()


def test_a_dashboard_that_stood_still_says_so_and_the_recorder_did_not_notice(
    stand_and_recorder: tuple[Child, Child, Path], watching: Watching
) -> None:
    rows_before, rows_after = 0, 0
    with RecorderClient(read_live_file(stand_and_recorder[2])) as client:
        rows_before = next_status(client).sources["rack"].rows
        os.kill(watching.process.pid, signal.SIGSTOP)
        try:
            end = time.monotonic() + 1.6
            while time.monotonic() < end:
                rows_after = next_status(client).sources["rack"].rows
        finally:
            since = len(watching.lines)
            os.kill(watching.process.pid, signal.SIGCONT)
    assert rows_after > rows_before
    watching.wait_for(lambda x: x["link_note"].startswith("this screen stood still for"), since)
    # and what waited in the line meanwhile is worked off
    watching.wait_for(lambda x: x["link"] == "LIVE", since)


def test_a_recorder_that_stands_still_is_no_recorder_until_it_goes_on(
    stand_and_recorder: tuple[Child, Child, Path], watching: Watching
) -> None:
    recorder = stand_and_recorder[1]
    since = len(watching.lines)
    os.kill(recorder.process.pid, signal.SIGSTOP)
    try:
        watching.wait_for(lambda x: x["link"] == "NO RECORDER", since)
    finally:
        since = len(watching.lines)
        os.kill(recorder.process.pid, signal.SIGCONT)
    watching.wait_for(lambda x: x["link"] != "NO RECORDER", since)


def test_cable_cut_then_recorder_killed(stand_and_recorder: tuple[Child, Child, Path], watching: Watching) -> None:
    simulated, recorder, _ = stand_and_recorder
    since = len(watching.lines)
    simulated.process.kill()
    said = watching.wait_for(lambda x: x["link"] == "STALE", since)
    assert "rack" in said["link_note"]
    # the values look stale: every plot is of the lost source
    watching.wait_for(lambda x: x["stale_plots"] == x["plots"], since)
    # a trip limit on a source that is silent trips, and the screen says so
    watching.wait_for(lambda x: x["state"] == "TRIPPED" and "first-out" in x["state_note"], since)
    since = len(watching.lines)
    recorder.process.kill()
    said = watching.wait_for(lambda x: x["link"] == "NO RECORDER", since)
    assert "stale" in said["link_note"]
    assert said["state_note"].startswith("last known")
    watching.wait_for(lambda x: not x["can_stop"], since)
    # nothing freezes: the age that is shown goes on
    watching.wait_for(lambda x: x["link"] == said["link"] and x["link_note"] != said["link_note"], since)


def next_status(client: RecorderClient) -> Any:
    while True:
        message = client.receive(10.0)
        assert message is not None
        if isinstance(message, Status):
            return message
