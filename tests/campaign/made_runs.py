"""Many small runs in a moment: the first three set-points of the propeller sample, altered, through the run writer.

SIMULATED, as the sample is. What is altered is known exactly: the loss of the drive by the direct current, the
thrust by a factor of the propeller.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from benchkit.model.events import Event
from benchkit.model.run import RunHeader
from benchkit.model.stream import Stream
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.runfile.reader import open_run
from benchkit.runfile.writer import RunWriter

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_runs" / "propeller_static" / "run.h5"
ROWS = 787
STARTED = datetime.fromisoformat("2026-03-02T08:00:00+01:00")
FIRMWARES = ("B.14", "C.02", "C.05")
CURRENT = {"B.14": 1.0, "C.02": 0.995, "C.05": 0.99}
"""Factor on the direct current: newer firmware takes less from the link."""
PROPELLERS = {"SEDGE-130-2": 1.0, "RUSH-130-2": 1.03}
"""Factor on the thrust."""
OPERATORS = ("shift A", "shift B")
INVERTERS = ("REED-INV-03", "REED-INV-04")
NOISE = 2e-4
"""How runs differ by themselves: relative standard deviation of direct current, thrust and torque."""


@dataclass(frozen=True)
class Part:
    """The part of the sample that every run is made from."""

    header: RunHeader
    stream: Stream
    spec: StreamSpec
    events: tuple[Event, ...]


@lru_cache(maxsize=1)
def part() -> Part:
    with open_run(SAMPLE) as run:
        stream = run.stream("rack", 0, ROWS)
        spec = replace(run.spec("rack"), raw_columns=())
        end_s = float(stream.arrival_s[-1])
        return Part(run.header, stream, spec, tuple(e for e in run.events() if e.time_s < end_s))


def firmware_of(index: int) -> str:
    return FIRMWARES[index % 3]


def make_run(path: Path, index: int) -> None:
    """Run number ``index``: what it is follows from its number alone."""
    made = part()
    firmware, propeller = firmware_of(index), tuple(PROPELLERS)[index // 3 % 2]
    profile = json.loads(made.header.profile_json)
    profile["inverter"] |= {"id": INVERTERS[index // 6 % 2], "firmware_revision": firmware}
    profile["propeller"]["id"] = propeller
    header = replace(
        made.header,
        run_id=f"airboat-{index:05d}",
        started_utc=(STARTED + timedelta(hours=7 * index)).isoformat(),
        operator=OPERATORS[index // 2 % 2],
        note=f"made run {index}",
        profile_json=json.dumps(profile),
        profile_texts={},
    )
    noise = np.random.default_rng(index).normal(0.0, NOISE, 3)
    values = made.stream.values.copy()
    factors = {"dc_current": CURRENT[firmware], "thrust": PROPELLERS[propeller], "shaft_torque": 1.0}
    for by_chance, (name, factor) in zip(noise, factors.items(), strict=True):
        values[:, made.stream.channels.index(name)] *= factor * (1.0 + by_chance)
    s = made.stream
    block = Block(s.time_s, s.arrival_s, s.device_time_s, s.counter, values, np.empty((len(s), 0)))
    with RunWriter(path, header, [made.spec]) as writer:
        for event in made.events:
            writer.event(event)
        writer.append("rack", block)
        writer.close()


def make_runs(folder: Path, count: int, first: int = 0) -> list[Path]:
    """``count`` runs in two folders."""
    paths = []
    for index in range(first, first + count):
        place = folder / f"week-{index % 2 + 1}"
        place.mkdir(exist_ok=True, parents=True)
        paths.append(place / f"run-{index:05d}.h5")
        make_run(paths[-1], index)
    return paths


def damage(path: Path, kind: int) -> None:
    """Damage a run in one of five ways."""
    data = bytearray(path.read_bytes())
    if kind % 5 == 0:
        path.write_bytes(data[: len(data) // 2])
    elif kind % 5 == 1:
        path.write_bytes(b"")
    elif kind % 5 == 2:
        path.write_bytes(b"not a run at all\n" * 100)
    elif kind % 5 == 3:
        data[:8] = bytes(8)
        path.write_bytes(data)
    else:
        alter_a_value(path)


def alter_a_value(path: Path) -> None:
    """One number of one row becomes another: the file opens, its content is no longer what was recorded."""
    import h5py

    with h5py.File(path, "r+") as file:
        file["streams/rack/values"][100, 3] += 1.0
