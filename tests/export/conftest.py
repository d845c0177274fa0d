"""A run with all that makes an export go wrong: two time bases, hostile names, numbers at the edge of float64."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile import selection
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.writer import RunWriter

START_NS = 5_000_000_000
HEADER = RunHeader(
    run_id="2026-03-04-002",
    started_utc="2026-03-04T10:00:00+00:00",
    software_version="0.1.0",
    host="bench-pc",
    stand="airboat",
    profile_json="{}",
    operator="=shift A",
    note="erste Drehung, 20 °C",
    simulated=True,
    seed=3,
)
NAMES = (
    "shaft_speed",
    "=cmd|' /C calc'!A0",
    "+1",
    "-x",
    "@sum",
    "\ttab",
    "\rreturn",
    'quote", comma; and\nline',
    "time_s",
    "time_s_2",
    "Drehmoment µ·m",
    "Drehmoment µ_m",
    "9 lives/../a\\b[0]",
    "end",
    "units",
    "_private",
    "",
    "x" * 100 + "a",
    "x" * 100 + "b",
    "<CNcomment><TX>",
    "🌊",
    "a.b",
)
RACK = StreamSpec(
    source="rack",
    channels=tuple(
        StoredChannel(name, f"{name} & <label> °", "torque", "N·m" if i % 2 else "=unit")
        for i, name in enumerate(NAMES)
    ),
)
SLOW = StreamSpec(source="slow", channels=(StoredChannel("air_temp", "Air", "temperature", "°C"),))
ROWS, SLOW_ROWS = 2500, 26
EDGES = (np.nan, np.inf, -np.inf, -0.0, 5e-324, 1.7976931348623157e308, 0.1, 1 / 3, 1e22, 2**53 + 2.0, -1e-7)


def rack() -> Block:
    """Sample time 1 ms a row; every channel its own numbers, those of ``EDGES`` first."""
    values = np.random.default_rng(7).normal(scale=1e3, size=(ROWS, len(NAMES)))
    values[: len(EDGES)] = np.array(EDGES)[:, None]
    i = np.arange(ROWS)
    return Block(
        time_s=0.001 * i,
        arrival_s=0.001 * i + 0.02,
        device_time_s=np.full(ROWS, np.nan),
        counter=i % 256,
        values=values,
        raw=np.empty((ROWS, 0)),
    )


def slow() -> Block:
    """Ten rows a second, without a counter."""
    i = np.arange(SLOW_ROWS)
    return Block(
        time_s=0.1 * i,
        arrival_s=0.1 * i + 0.02,
        device_time_s=0.1 * i + 50.0,
        counter=np.full(SLOW_ROWS, -1),
        values=20.0 + 0.1 * i.reshape(-1, 1),
        raw=np.empty((SLOW_ROWS, 0)),
    )


@pytest.fixture(scope="session")
def _run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("run") / "spin.h5"
    with RunWriter(path, HEADER, [RACK, SLOW], start_ns=START_NS) as writer:
        writer.event(Event(0.0, EventKind.RUN_STARTED, "Run started"))
        writer.received("rack", START_NS, b"1,2,3\n" * 50)
        writer.append("rack", rack())
        writer.append("slow", slow())
        writer.event(Event(1.02, EventKind.TRIP, "=Winding über 140 °C", "rack", "shaft_speed", {"value": 141.5}))
        writer.event(Event(2.12, EventKind.NOTE, 'sag, "now"\nand then'))
        writer.close()
    return path


@pytest.fixture
def run_path(_run_once: Path, tmp_path: Path) -> Path:
    """A copy of the closed run."""
    return Path(shutil.copy(_run_once, tmp_path / "spin.h5"))


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading by 1000 rows, so that the run takes three pieces."""
    monkeypatch.setattr(selection, "_PIECE_BYTES", 1)


@pytest.fixture(name="rack")
def _rack() -> Block:
    return rack()


@pytest.fixture(name="slow")
def _slow() -> Block:
    return slow()
