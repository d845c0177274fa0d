"""Runs to test with: what goes in is made by a formula, so every test can say exactly what has to come out."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile.journal import JournalRecord, Kind
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.writer import RunWriter

CRASHING = Path(__file__).with_name("crashing_recorder.py")
START_NS = 7_000_000_000_000
MakeBlock = Callable[[int, int], Block]

SPEC = StreamSpec(
    source="rack",
    channels=(
        StoredChannel("shaft_speed", "Shaft speed", "speed", "rpm"),
        StoredChannel("shaft_torque", "Drehmoment Welle", "torque", "N·m"),
        StoredChannel("winding_temp", "Winding temperature", "temperature", "°C"),
    ),
    raw_columns=("tq",),
)
HEADER = RunHeader(
    run_id="2026-03-04-001",
    started_utc="2026-03-04T10:00:00+00:00",
    software_version="0.1.0",
    host="bench-pc",
    stand="airboat",
    profile_json='{"title": "Sumpfboot µ"}' + " " * 100_000,
    profile_texts={"airboat.toml": "# °C\nname = 'airboat'\n"},
    operator="shift A",
    note="first spin",
    simulated=True,
    seed=11,
    time_factor=50.0,
)


def block(start: int, stop: int) -> Block:
    """Rows ``start`` to ``stop``: every number follows from the row number; torque is not measured in every seventh
    row."""
    i = np.arange(start, stop)
    torque = np.where(i % 7 == 3, np.nan, 0.5 * i)
    return Block(
        time_s=0.001 * i,
        arrival_s=0.001 * i + 0.016,
        device_time_s=0.001 * i + 100.0,
        counter=i % 65536,
        values=np.column_stack([2.0 * i, torque, 20.0 + 1e-4 * i]),
        raw=(torque / 100.0).reshape(-1, 1),
    )


def line(i: int) -> bytes:
    """The text line that row ``i`` came in; ``repr`` of a float is exact (shortest text that reads back the same)."""
    torque = "" if i % 7 == 3 else repr(0.5 * i / 100.0)
    return f"{i % 65536},{2.0 * i!r},{torque}\n".encode()


def redecode(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block]:
    """Rows again from the lines: a plain parser of the test's own, which counts rows from zero."""
    rest, row = b"", 0
    for record in records:
        if record.kind is not Kind.RECEIVED:
            continue
        *lines, rest = (rest + record.payload).split(b"\n")
        for index, text in enumerate(lines):
            assert text + b"\n" == line(row + index)
        if lines:
            yield block(row, row + len(lines))
            row += len(lines)


@pytest.fixture(name="spec")
def _spec() -> StreamSpec:
    return SPEC


@pytest.fixture(name="header")
def _header() -> RunHeader:
    return HEADER


@pytest.fixture(name="block")
def _block() -> MakeBlock:
    return block


@pytest.fixture(name="redecode")
def _redecode() -> Callable[..., Iterator[Block]]:
    return redecode


@pytest.fixture(name="line")
def _line() -> Callable[[int], bytes]:
    return line


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RunWriter]:
    """A run being recorded at ``tmp_path/run.h5``, still empty."""
    with RunWriter(tmp_path / "run.h5", HEADER, [SPEC], start_ns=START_NS) as made:
        yield made


def record_rows(writer: RunWriter, start: int, stop: int, step: int = 20) -> None:
    """Journal and append rows as a recorder does, ``step`` rows at a time."""
    for first in range(start, stop, step):
        last = min(stop, first + step)
        arrival_ns = START_NS + last * 1_000_000
        writer.received("rack", arrival_ns, b"".join(map(line, range(first, last))))
        writer.append("rack", block(first, last))


@pytest.fixture(scope="session")
def _closed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("closed") / "run.h5"
    with RunWriter(path, HEADER, [SPEC], start_ns=START_NS) as made:
        made.event(Event(0.0, EventKind.RUN_STARTED, "Run started"))
        record_rows(made, 0, 2500)
        made.sent("rack", START_NS + 5_000_000, b"set speed 2500\n")
        made.event(Event(2.0, EventKind.TRIP, "Winding über 140 °C", "rack", "winding_temp", {"value": 141.5}))
        made.close()
    return path


@pytest.fixture
def closed_run(_closed_once: Path, tmp_path: Path) -> Path:
    """A copy of a closed run of 2500 rows with two events and one command."""
    return shutil.copy(_closed_once, tmp_path / "closed.h5")


@pytest.fixture(scope="session")
def _crashed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("crashed")
    subprocess.run(
        [sys.executable, str(CRASHING), str(directory / "run.h5"), "between-flushes"], check=False, timeout=60
    )
    return directory


@pytest.fixture
def crashed_run(_crashed_once: Path, tmp_path: Path) -> Path:
    """A copy of a run whose recorder was killed with 2500 rows in the file and 2800, and one event more, in the
    journal."""
    for file in _crashed_once.iterdir():
        shutil.copy(file, tmp_path / file.name)
    return tmp_path / "run.h5"
