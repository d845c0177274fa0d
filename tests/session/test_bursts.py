"""Bursts through the real recorder: packets over a real UDP socket, triggers by request and by event, gaps counted."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.bursts import BurstFile, BurstFileKind, BurstSource
from benchkit.model.events import EventKind
from benchkit.model.run import BURST_FORMAT_VERSION
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.bursts import make_bursts
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.session.requests import answer_request
from benchkit.simulate.burst_sender import BurstFeed, instrument_of
from benchkit.simulate.pwm import PwmState
from benchkit.sources.burst_udp import free_udp_address
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

RATE_HZ = 40_000.0
STATE = PwmState(2000.0, 100.0, 0.0, 120.0, 390.0, 60.0, gates_off=False)


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat_bursts.toml"))


@pytest.fixture
def source(loaded: LoadedStand) -> BurstSource:
    """As in the profile, but slow enough for any computer: 40 kS/s of 8 channels."""
    return replace(loaded.stand.bursts["scope"], sample_rate_hz=RATE_HZ, most_bursts=3, triggers=(EventKind.MARK,))


def recorder_with(loaded: LoadedStand, path: Path, sources: dict[str, BurstSource]) -> tuple[Recorder, Desk]:
    clock, desk = HostClock(), Desk()
    stand = replace(loaded.stand, bursts=sources)
    header = header_for(loaded, format_version=BURST_FORMAT_VERSION)
    silent = MemorySource(stand, iter(lambda: None, 1), clock)
    return Recorder(stand, header, [silent], path, clock, desk, bursts=make_bursts(sources, {})), desk


def steps(recorder: Recorder, is_done: object, seconds: float = 30.0) -> None:
    """Turn the loop until something is so, or until it should long have been."""
    until = time.monotonic() + seconds
    while not is_done() and time.monotonic() < until:  # type: ignore[operator]
        recorder.step()


@pytest.fixture
def sender(loaded: LoadedStand, source: BurstSource) -> Iterator[tuple[BurstSource, BurstFeed]]:
    address = free_udp_address()
    stand = replace(loaded.stand, bursts={"scope": source})
    feed = BurstFeed(replace(instrument_of(stand, address, 3), drop_every=3))
    feed.set(STATE)
    yield replace(source, port=address), feed
    feed.close()


def test_bursts_by_request_and_by_mark_with_their_gaps(
    loaded: LoadedStand, sender: tuple[BurstSource, BurstFeed], tmp_path: Path
) -> None:
    source, _ = sender
    recorder, desk = recorder_with(loaded, tmp_path / "run.h5", {"scope": source})
    recorder.begin()
    line = recorder.bursts.lines["scope"]  # type: ignore[union-attr]
    steps(recorder, lambda: line.address)
    begun = time.monotonic()
    steps(recorder, lambda: time.monotonic() - begun > 0.8)  # the ring fills
    answer = answer_request(recorder, {"do": "burst", "who": "shift A", "text": "before the change"})
    assert answer == {"ok": True, "done": ["burst 1 of scope under way"]}
    recorder.note(EventKind.MARK, "throttle open")
    steps(recorder, lambda: not line.under_way)
    refused = answer_request(recorder, {"do": "burst", "who": "x", "source": "scoop"})
    assert "Did you mean 'scope'?" in refused["error"]
    answer_request(recorder, {"do": "burst", "who": "x"})
    full = answer_request(recorder, {"do": "burst", "who": "x"})
    assert "has all its bursts of this source" in full["error"]
    recorder.finish()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        run.verify()
        told = [event for event in run.events() if event.kind is EventKind.BURST]
        bursts = list(run.bursts())
        closed = next(event for event in run.events() if event.kind is EventKind.RUN_CLOSED)
    assert sorted(event.data["number"] for event in told) == [1, 2, 3]  # told when whole: one may end before another
    assert [burst.record.reason for burst in bursts][:2] == [
        "asked by shift A: before the change",
        "mark: throttle open",
    ]
    for burst in bursts:
        # of three packets one was not sent: the samples that are there and those that are missing fill the burst
        assert burst.record.missing > 0
        assert burst.record.missing == burst.record.gaps[:, 1].sum()
        assert len(burst) + burst.record.missing <= source.rows
        assert np.diff(burst.time_s).min() == pytest.approx(1.0 / RATE_HZ, rel=1e-6)
        assert abs(burst.values(4).mean() - STATE.dc_voltage_v) < 1.0
    counts: Any = closed.data["bursts"]
    counts = counts["scope"]
    assert counts["fired"] == 3
    assert 0.1 < counts["lost"] / (counts["lost"] + counts["received"]) < 0.9


def test_a_silent_instrument_is_told_and_costs_nothing(
    loaded: LoadedStand, source: BurstSource, tmp_path: Path
) -> None:
    silent = replace(source, port=free_udp_address(), post_s=0.01)
    recorder, desk = recorder_with(loaded, tmp_path / "run.h5", {"scope": silent})
    recorder.begin()
    answer_request(recorder, {"do": "burst", "who": "x"})
    summary = recorder.finish()
    desk.close()
    with open_run(summary.run_path) as run:
        event = next(event for event in run.events() if event.kind is EventKind.BURST)
        assert "was not captured: its samples did not come in time" in event.message
        assert not list(run.bursts())


def test_files_of_a_folder_become_bursts(loaded: LoadedStand, source: BurstSource, tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "old.csv").write_text("1,2\n3,4\n", encoding="utf-8")
    file = BurstFile(BurstFileKind.CSV, str(folder), "*.csv", (1, 0), 2, skip_lines=1, separator=";", decimal_mark=",")
    bench = replace(source, name="hand", channels=source.channels[:2], wire_type="<f8", port="", packet=None, file=file)
    bench = replace(bench, triggers=())
    recorder, desk = recorder_with(loaded, tmp_path / "run.h5", {"hand": bench})
    recorder.begin()
    line = recorder.bursts.lines["hand"]  # type: ignore[union-attr]
    steps(recorder, lambda: line.address)
    (folder / "good.csv").write_text("t;x\n" + "".join(f"{i},5;{10 * i}\n" for i in range(50)), encoding="utf-8")
    (folder / "odd.csv").write_text("t;x\n1,0;two\n", encoding="utf-8")
    refused = answer_request(recorder, {"do": "burst", "who": "x"})
    assert "takes the files that appear in its folder" in refused["error"]
    begun = time.monotonic()
    steps(recorder, lambda: time.monotonic() - begun > 1.5)
    recorder.finish()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        messages = [event.message for event in run.events() if event.kind is EventKind.BURST]
        (burst,) = run.bursts()
    assert burst.record.reason == "file good.csv"
    assert burst.record.samples[7].tolist() == [70.0, 7.5]
    assert burst.time_s[2] == 0.0
    assert any("odd.csv" in message and "line 2" in message for message in messages)


def test_a_stand_without_bursts_refuses() -> None:
    from types import SimpleNamespace

    from benchkit.session.bursts import take_burst

    with pytest.raises(RefusedError, match="no burst source"):
        take_burst(SimpleNamespace(bursts=None), {})
