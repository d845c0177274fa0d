"""Work in a process of its own: its answer, its errors in words, its end."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from gui.bridge.frames import Unframer, framed
from gui.bridge.job import LOST_TEXT, Job

WAIT_MS = 60_000


@pytest.fixture
def job(qapp: Any) -> Any:
    from PySide6.QtCore import QObject

    holder = QObject()
    made = Job(holder)
    yield made
    made.end()
    holder.deleteLater()


@pytest.mark.parametrize("size", [1, 3, 1000])
def test_frames_come_whole_however_they_are_cut(size: int) -> None:
    whole = b"".join(framed(x) for x in (("told", "a"), ("done", {"b": [1.5]}), None))
    unframer, out = Unframer(), []
    for first in range(0, len(whole), size):
        out += unframer.feed(whole[first : first + size])
    assert out == [("told", "a"), ("done", {"b": [1.5]}), None]


def test_an_error_comes_as_its_message(qtbot: Any, job: Any, tmp_path: Path) -> None:
    heard: list[str] = []
    job.failed.connect(heard.append)
    with qtbot.waitSignal(job.ended, timeout=WAIT_MS):
        job.start("results", (tmp_path / "missing.h5",))
    assert len(heard) == 1
    assert "missing.h5" in heard[0]
    assert not job.is_running


def test_a_process_that_dies_is_said(qtbot: Any, job: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.executable", "/bin/false" if os.name == "posix" else "none")
    with qtbot.waitSignal(job.failed, timeout=WAIT_MS) as caught:
        job.start("results", ())
    assert caught.args == [LOST_TEXT]


def test_a_job_that_is_ended_says_nothing_more(qtbot: Any, job: Any, tmp_path: Path) -> None:
    heard: list[object] = []
    for signal in (job.done, job.failed, job.ended):
        signal.connect(lambda *a: heard.append(a))
    job.start("results", (tmp_path / "missing.h5",))
    job.end()
    qtbot.wait(50)
    assert heard == []
    assert not job.is_running
