"""A catalogue of 10 000 run headers: what a list, a filter and a look for changes cost, and reading one header.

300 run files of two rows, each with a header of its own, are read; the others are links to them, whose entries are put
in the cache as their reading would (``tests/campaign/test_ten_thousand.py`` reads all of them, and compares). The
reference beside it is ``os.stat`` of every file, the least that a look for changes needs.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import h5py
import numpy as np

from benchkit.campaign.catalogue import SETTLED_NS, Catalogue
from benchkit.campaign.database import FILE_NAME, Database
from benchkit.campaign.entry import Filter
from benchkit.cli.run_list import lines_of
from benchkit.model.run import RunHeader
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.writer import RunWriter
from tests.bench.figure import Figure, at_most
from tests.campaign.made_runs import FIRMWARES, STARTED, part

COUNT, READ, FOLDERS, REPEATS = 10_000, 300, 50, 7
NAMES = ("catalogue_list", "catalogue_filter", "catalogue_look", "catalogue_look_to_stat", "catalogue_read_per_run")


def measure() -> Iterator[Figure]:
    """Medians of several; the list is what a person sees, as text."""
    with tempfile.TemporaryDirectory() as directory:
        folder = Path(directory)
        make_headers(folder, READ)
        yield from looked_up(folder)


def looked_up(folder: Path) -> Iterator[Figure]:
    """The figures of a folder of ``READ`` files."""
    later = time.time_ns() + SETTLED_NS
    with Catalogue(folder, now_ns=lambda: later) as catalogue:
        began = time.process_time()
        catalogue.refresh()
        per_run = (time.process_time() - began) / READ
        read = catalogue.entries()
        links = link_more(folder, READ, COUNT)
        made = [read[number % READ]._replace(path=path) for number, path in enumerate(links)]
    database = Database(folder / FILE_NAME)
    database.update((entry, later) for entry in made)
    database.close()
    with Catalogue(folder, now_ns=lambda: later) as catalogue:
        wanted = Filter(firmware="C.02", first_day="2026-03-10", operator="shift*")
        listed = median(lambda: list(lines_of(catalogue.entries())))
        filtered = median(lambda: list(lines_of(catalogue.entries(wanted))))
        look = median(catalogue.refresh)
        assert catalogue.refresh().is_empty
        paths = [folder / entry.path for entry in catalogue.entries()]
        assert len(paths) == COUNT
    stat = median(lambda: [os.stat(path) for path in paths])  # noqa: PTH116 - the call itself is the reference
    yield at_most("catalogue_list", 1e3 * listed, "ms", 200.0)
    yield at_most("catalogue_filter", 1e3 * filtered, "ms", 200.0)
    yield Figure("catalogue_look", 1e3 * look, "ms")
    yield Figure("catalogue_look_to_stat", look / stat, "ratio")
    yield Figure("catalogue_read_per_run", 1e3 * per_run, "ms, processor")


def link_more(folder: Path, read: int, count: int) -> list[str]:
    """Links to the first ``read`` files until there are ``count``; their paths, in the order of those files over and
    over."""
    paths = []
    for index in range(read, count):
        name = f"week-{index % FOLDERS:02d}/run-{index:05d}.h5"
        source = index % read
        (folder / name).hardlink_to(folder / f"week-{source % FOLDERS:02d}" / f"run-{source:05d}.h5")
        paths.append(name)
    return paths


def median(do: Callable[[], object]) -> float:
    """Median seconds of a call."""
    times = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        do()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def make_headers(folder: Path, count: int) -> None:
    """Run files of two rows, each with a header of its own."""
    patterns = [_pattern(folder / f"pattern-{firmware}.tmp", firmware) for firmware in FIRMWARES]
    for number in range(FOLDERS):
        (folder / f"week-{number:02d}").mkdir()
    for index in range(count):
        path = folder / f"week-{index % FOLDERS:02d}" / f"run-{index:05d}.h5"
        shutil.copyfile(patterns[index % 3], path)
        with h5py.File(path, "r+", libver="latest") as file:
            file.attrs["run_id"] = np.bytes_(f"airboat-{index:05d}")
            file.attrs["started_utc"] = np.bytes_((STARTED + timedelta(hours=index)).isoformat())
            file.attrs["operator"] = np.bytes_("shift A" if index % 2 else "shift B")
            file.attrs["content_sha256"] = np.bytes_(f"{index:064x}")
    for pattern in patterns:
        pattern.unlink()


def _pattern(path: Path, firmware: str) -> Path:
    profile = json.loads(part().header.profile_json)
    profile["inverter"]["firmware_revision"] = firmware
    header = RunHeader("pattern", STARTED.isoformat(), "0", "bench", "airboat", json.dumps(profile), simulated=True)
    spec = StreamSpec("rack", (StoredChannel("shaft_speed", "", "speed", "rpm"),))
    with RunWriter(path, header, [spec]) as writer:
        time_s = np.array([0.0, 60.0])
        block = Block(time_s, time_s, time_s, np.arange(2), np.zeros((2, 1)), np.empty((2, 0)))
        writer.append("rack", block)
        writer.close()
    return path


if __name__ == "__main__":
    for figure in measure():
        print(figure.line())
