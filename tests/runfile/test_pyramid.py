"""Least and greatest values in buckets: against plain loops over the rows, from the file and made anew."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import RunFileError
from benchkit.runfile import layout, pyramid
from benchkit.runfile.pack import pack
from benchkit.runfile.pyramid import HEAD, LEVELS, PyramidBuilder, built, path_of
from benchkit.runfile.reader import Run, open_run
from benchkit.runfile.recover import recover
from benchkit.runfile.writer import RunWriter
from tests.runfile.conftest import HEADER, SPEC, block, redecode

ROWS = 70_001
SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pyramid") / "run.h5"
    with RunWriter(path, HEADER, [SPEC]) as writer:
        start = 0
        for size in (1, 62, 1, 64, 511, 5000, 20_000, 44_362):
            writer.append(SPEC.source, block(start, start + size))
            start += size
            writer.flush()
        writer.close()
    assert start == ROWS
    return path


def plain(level: int, time_s: np.ndarray, arrival_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The definition, a bucket at a time."""
    lines = []
    for first in range(0, len(time_s), level):
        rows = slice(first, min(first + level, len(time_s)))
        steps = [time_s[i] - time_s[i - 1] for i in range(max(1, first), rows.stop)]
        with np.errstate(all="ignore"):
            low, high = np.fmin.reduce(values[rows], axis=0), np.fmax.reduce(values[rows], axis=0)
        widest = max(steps, default=np.nan)
        times = [time_s[first], time_s[rows.stop - 1], widest, arrival_s[first], arrival_s[rows.stop - 1]]
        lines.append([*times, *low, *high])
    return np.array(lines)


def levels_of(run: Run) -> dict[int, np.ndarray]:
    return {level: dataset[:] for level, dataset in run.pyramid(SPEC.source).levels.items()}


@pytest.mark.parametrize("level", LEVELS)
def test_every_bucket_is_what_its_rows_say(recorded: Path, level: int) -> None:
    with open_run(recorded) as run:
        rows = run.stream(SPEC.source)
        assert np.array_equal(
            levels_of(run)[level], plain(level, rows.time_s, rows.arrival_s, rows.values), equal_nan=True
        )


@given(st.lists(st.integers(1, 700), min_size=1, max_size=12), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_however_the_rows_are_cut(sizes: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = sum(sizes)
    time_s, values = np.cumsum(rng.exponential(1.0, n)), rng.normal(size=(n, 2))
    values[rng.random((n, 2)) < 0.3] = np.nan
    builder, found = PyramidBuilder(2), {level: [np.empty((0, pyramid.width_of(2)))] for level in LEVELS}
    done = 0
    for size in sizes:
        part = slice(done, done + size)
        for level, lines in builder.add(time_s[part], time_s[part] + 1.0, values[part]).items():
            found[level].append(lines)
        done += size
    for level, lines in builder.rest().items():
        found[level].append(lines)
    for level in LEVELS:
        wanted = plain(level, time_s, time_s + 1.0, values)
        assert np.array_equal(np.concatenate(found[level]), wanted, equal_nan=True)


def test_made_anew_it_is_the_same(recorded: Path) -> None:
    with open_run(recorded) as run:
        again = built(run.path, run.stream_rows(SPEC.source, 9_999), len(SPEC.channels))
        for level, lines in levels_of(run).items():
            assert np.array_equal(again.levels[level], lines, equal_nan=True)


def test_a_copy_and_a_recovered_run_have_it(recorded: Path, tmp_path: Path) -> None:
    pack(recorded, tmp_path / "packed.h5")
    with open_run(recorded) as run, open_run(tmp_path / "packed.h5") as copy:
        copy.verify()
        assert copy.content_sha256 == run.content_sha256
        for level, lines in levels_of(run).items():
            assert np.array_equal(levels_of(copy)[level], lines, equal_nan=True)
    with RunWriter(tmp_path / "run.h5", HEADER, [SPEC]) as writer:
        writer.append(SPEC.source, block(0, 5000))
        writer.flush()
    with open_run(tmp_path / "run.h5") as crashed:
        made = levels_of(crashed)
    with open_run(recover(tmp_path / "run.h5", redecode).path) as run:
        assert run.has_pyramid
        for level, lines in levels_of(run).items():
            assert np.array_equal(made[level], lines, equal_nan=True)


def test_a_changed_bucket_is_found(recorded: Path, tmp_path: Path) -> None:
    path = shutil.copy(recorded, tmp_path / "run.h5")
    with h5py.File(path, "r+") as file:
        file[path_of(SPEC.source, 512)][3, len(HEAD)] += 1.0
    with open_run(path) as run, pytest.raises(RunFileError, match="rows are what was recorded, their least"):
        run.verify()


def test_a_missing_bucket_is_found(recorded: Path, tmp_path: Path) -> None:
    path = shutil.copy(recorded, tmp_path / "run.h5")
    with h5py.File(path, "r+") as file:
        file[path_of(SPEC.source, 64)].resize(5, axis=0)
    with open_run(path) as run, pytest.raises(RunFileError, match="wrong number of buckets"):
        run.pyramid(SPEC.source)


def test_the_first_files_have_none_and_get_it_when_asked() -> None:
    with open_run(SAMPLES / "small_motor" / "run.h5") as run:
        source = run.sources[0]
        rows = run.stream(source)
        made = run.pyramid(source)
        assert not run.has_pyramid
        assert np.array_equal(made.levels[512], plain(512, rows.time_s, rows.arrival_s, rows.values), equal_nan=True)


def test_rows_and_times_are_found(recorded: Path) -> None:
    with open_run(recorded) as run:
        found = run.pyramid(SPEC.source)
        time_s, arrival_s = run.stream(SPEC.source).time_s, run.stream(SPEC.source).arrival_s
        for start_s, end_s in ((-5.0, -1.0), (0.0, 0.0), (12.3456, 12.35), (3.0, 60.0), (69.9, 80.0), (90.0, 91.0)):
            first, last = found.rows_between(start_s, end_s)
            inside = np.flatnonzero((time_s >= start_s) & (time_s <= end_s))
            assert not len(inside) or (first <= inside[0] and inside[-1] < last)
            assert last - first <= len(inside) + 2 * LEVELS[0]
        # arrival is sample time and 16 ms in this run
        at = np.array([-1.0, 0.016, 20.0, 1000.0])
        assert found.sample_time_at(at) == pytest.approx([time_s[0], 0.0, 19.984, time_s[-1]], abs=1e-9)
        assert arrival_s[0] == 0.016


def test_rows_and_times_are_those_of_all_finest_buckets(recorded: Path) -> None:
    """The search goes by a coarse level first: against the finest level as a whole."""
    with open_run(recorded) as run:
        found = run.pyramid(SPEC.source)
        head = found.levels[LEVELS[0]][:, : len(HEAD)]
        at = np.concatenate([np.linspace(-1.0, 72.0, 997), head[::7, 0], head[::7, 3]])
        for start_s, end_s in zip(at, at + 0.7, strict=True):
            first, last = np.searchsorted(head[:, 0], (start_s, end_s), side="right")
            assert found.rows_between(start_s, end_s) == (max(0, first - 1) * 64, min(ROWS, last * 64))
        known, times = np.append(head[:, 3], head[-1, 4]), np.append(head[:, 0], head[-1, 1])
        assert np.array_equal(found.sample_time_at(at), np.interp(at, known, times))


@pytest.mark.parametrize(("pixels", "level"), [(1, 32768), (4, 4096), (20, 512), (500, 64), (600, None)])
def test_the_coarsest_level_with_two_buckets_a_pixel(recorded: Path, pixels: int, level: int | None) -> None:
    with open_run(recorded) as run:  # 70 001 rows are 2, 17, 136 and 1093 full buckets
        assert run.pyramid(SPEC.source).level_for(0.0, 70.0, pixels) == level


def test_levels_are_multiples_of_one_another() -> None:
    assert all(level % below == 0 for below, level in pairwise(LEVELS))
    assert layout.PYRAMID == "pyramid"
    assert pyramid.width_of(24) == 53
