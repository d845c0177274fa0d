"""The checks while recording: clean data are quiet, each fault is named, and the pieces do not matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.quality.live import LIVE_CODES, MOST_ROWS, LiveChecks
from benchkit.analysis.quality.words import DETECTORS
from benchkit.model.events import Event, EventKind
from benchkit.runfile.layout import Block
from benchkit.session.quality_watch import OVER_S, QualityWatch
from benchkit.simulate.drives import Load
from tests.quality.runs import BenchRun, Wish, clean_run

Change = Callable[[BenchRun, np.ndarray, np.ndarray], None]


@pytest.fixture(scope="module")
def run() -> BenchRun:
    return clean_run(4, Wish(load=Load.MACHINE, rate_hz=100.0, tared=False, is_portioned=False))


def found(run: BenchRun, time_s: np.ndarray, values: np.ndarray, piece: int = 100) -> dict[str, set[str]]:
    """Channels by code, over all looks of a second each."""
    checks = LiveChecks(run.stand, "rack", run.stream.channels)
    told: dict[str, set[str]] = {}
    for start in range(0, len(time_s), piece):
        for finding in checks.look(time_s[start : start + piece], values[start : start + piece]):
            told.setdefault(finding.code, set()).add(finding.channel)
    return told


def changed(run: BenchRun, change: Change) -> dict[str, set[str]]:
    time_s, values = run.stream.time_s.copy(), run.stream.values.copy()
    change(run, time_s, values)
    return found(run, time_s, values)


def column(run: BenchRun, name: str) -> int:
    return run.stream.channels.index(name)


@pytest.mark.parametrize("seed", range(2))
def test_clean_runs_are_quiet(seed: int) -> None:
    clean = clean_run(100 + seed, Wish(tared=False))
    assert found(clean, clean.stream.time_s, clean.stream.values) == {}


def freeze(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    values[3000:4000, column(run, "dc_current")] = values[3000, column(run, "dc_current")]


def saturate(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    values[3000:3060, column(run, "dc_voltage")] = run.stand.channels["dc_voltage"].high


def drop(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    for start in (3010, 3040, 3070):
        values[start : start + 4, column(run, "dc_voltage")] = np.nan


def go_back(_run: BenchRun, time_s: np.ndarray, _v: np.ndarray) -> None:
    time_s[3050] = time_s[3040]


def miss_pulses(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    values[3000:3100:10, column(run, "shaft_speed")] *= 0.5


def shift_zero(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    values[:, column(run, "shaft_torque")] += 2.0


def read_too_much(run: BenchRun, _t: np.ndarray, values: np.ndarray) -> None:
    values[:, column(run, "shaft_torque")] *= 1.3558


@pytest.mark.parametrize(
    ("change", "code", "channel"),
    [
        (freeze, "frozen", "dc_current"),
        (saturate, "saturated", "dc_voltage"),
        (drop, "dropouts", "dc_voltage"),
        (go_back, "time_backward", ""),
        (miss_pulses, "pulses_missed", "shaft_speed"),
        (shift_zero, "zero_offset", "shaft_torque"),
        (read_too_much, "negative_loss", ""),
    ],
)
def test_a_fault_is_named(run: BenchRun, change: Change, code: str, channel: str) -> None:
    assert channel in changed(run, change).get(code, set())


def test_what_can_be_found_live_is_known() -> None:
    assert set(LIVE_CODES) <= set(DETECTORS)
    assert all(DETECTORS[code].live for code in LIVE_CODES if code != "negative_loss")


def test_a_look_is_bounded(run: BenchRun) -> None:
    """Of more rows than a look takes only the newest count: a fault before them is not seen."""
    values = run.stream.values.copy()
    values[100:160, column(run, "dc_voltage")] = run.stand.channels["dc_voltage"].high
    checks = LiveChecks(run.stand, "rack", run.stream.channels)
    n = 160 + MOST_ROWS
    assert not [f for f in checks.look(run.stream.time_s[:n], values[:n]) if f.code == "saturated"]


def block(run: BenchRun, start: int, stop: int, values: np.ndarray) -> Block:
    s = run.stream.rows(start, stop)
    return Block(s.time_s, s.arrival_s, s.device_time_s, s.counter, values[start:stop], np.empty((stop - start, 0)))


def test_events_are_told_once_and_taken_back(run: BenchRun) -> None:
    values = run.stream.values.copy()
    freeze(run, run.stream.time_s, values)
    watch = QualityWatch(run.stand, "rack", run.stream.channels)
    told = []
    for second in range(len(values) // 100):
        for start in range(second * 100, second * 100 + 100, 4):  # as they are published
            watch.add(block(run, start, start + 4, values))
        if watch.is_due(second + 1.0):
            told += list(watch.look(second + 1.0))
    assert [(e.kind, e.channel, e.data["code"]) for e in told] == [
        (EventKind.QUALITY, "dc_current", "frozen"),
        (EventKind.QUALITY_OVER, "dc_current", "frozen"),
    ]
    assert 35.0 <= told[0].time_s <= 37.0  # five seconds after it froze at 30 s
    assert told[1].time_s == pytest.approx(40.0 + OVER_S, abs=1.5)


IDENTITY = "identity: MARSH,PA-4,0017,"


def test_another_firmware_within_a_run_is_told(run: BenchRun) -> None:
    watch = QualityWatch(run.stand, "rack", run.stream.channels)
    old, new = f"{IDENTITY}1.4.2", f"{IDENTITY}1.5.0"
    replies = [old, "ok stop ramp", old, new, "identity: MARSH,PA-6,3,1.5.0"]
    told = [watch.reply(text, float(k)) for k, text in enumerate(replies)]
    assert [e is not None for e in told] == [False, False, False, True, True]
    assert told[3] is not None
    assert told[4] is not None
    assert told[3].message == "its firmware changed: MARSH,PA-4,0017,1.4.2 before, MARSH,PA-4,0017,1.5.0 now"
    assert told[4].message.startswith("another instrument answers")
    log = tuple(Event(10.0 * k, EventKind.REPLY, text, "rack") for k, text in enumerate(replies))
    found = [f.message for f in replace(run, events=log).findings() if f.code == "firmware_changed"]
    assert len(found) == 2
    assert found[0].startswith("rack, at 30.0 s: its firmware changed")
    # what another source says is none of this stream
    assert not [f for f in _at_other_source(run, log).findings() if f.code == "firmware_changed"]


def _at_other_source(run: BenchRun, log: tuple[Event, ...]) -> BenchRun:
    return replace(run, events=tuple(replace(event, source="meter") for event in log))


def test_memory_of_the_watch_is_bounded(run: BenchRun) -> None:
    watch = QualityWatch(run.stand, "rack", run.stream.channels)
    for start in range(0, 8000, 50):
        watch.add(block(run, start, start + 50, run.stream.values))
    assert watch.rows_held < MOST_ROWS + 50
