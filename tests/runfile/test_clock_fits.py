"""Clock fits in the run file: written, read, hashed, packed, recovered; files that do not have them stay good."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.model.run import RunHeader
from benchkit.runfile import hashing, layout
from benchkit.runfile.journal import JournalRecord
from benchkit.runfile.layout import Block, ClockFits
from benchkit.runfile.pack import pack
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.runfile.store import set_root_attribute
from benchkit.runfile.writer import RunWriter
from tests.runfile.conftest import HEADER, SPEC, START_NS, block, record_rows, redecode

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"
FITS = np.column_stack([np.arange(700.0) / 4.0, np.full(700, 2.9), np.full(700, -2e-4), np.ones(700), np.ones(700)])


def write(path: Path) -> RunWriter:
    writer = RunWriter(path, HEADER, [SPEC])
    writer.append(SPEC.source, block(0, 100))
    writer.clock_fits(SPEC.source, FITS[:3])
    writer.clock_fits(SPEC.source, FITS[3:])
    writer.flush()
    return writer


def test_fits_are_read_as_they_were_written(tmp_path: Path) -> None:
    write(tmp_path / "run.h5").close()
    with open_run(tmp_path / "run.h5") as run:
        assert np.array_equal(run.clock_fits(SPEC.source), FITS)
    pack(tmp_path / "run.h5", tmp_path / "packed.h5")
    with open_run(tmp_path / "packed.h5") as run:
        assert np.array_equal(run.clock_fits(SPEC.source), FITS)


def test_a_changed_fit_is_a_changed_run(tmp_path: Path) -> None:
    write(tmp_path / "run.h5").close()
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        file[f"{layout.CLOCK}/{SPEC.source}"][5, 2] = 0.0
    with open_run(tmp_path / "run.h5") as run, pytest.raises(RunFileError, match="not what was recorded"):
        run.verify()


def test_taking_the_fits_away_is_seen(tmp_path: Path) -> None:
    write(tmp_path / "run.h5").close()
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        del file[layout.CLOCK]
    with open_run(tmp_path / "run.h5") as run, pytest.raises(RunFileError, match="not what was recorded"):
        run.verify()


def test_flushed_fits_are_recovered(tmp_path: Path) -> None:
    write(tmp_path / "run.h5").release()
    with open_run(recover(tmp_path / "run.h5").path) as run:
        assert np.array_equal(run.clock_fits(SPEC.source), FITS)


def with_fits(
    fits: np.ndarray, rows: Callable[[Block], Block] = lambda made: made
) -> Callable[[RunHeader, str, Iterable[JournalRecord]], Iterator[Block | ClockFits]]:
    """A decoder that gives one line of ``fits`` after each block, as far as they go."""

    def decode(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block | ClockFits]:
        lines = iter(fits)
        for made in redecode(header, source, records):
            yield rows(made)
            line = next(lines, None)
            if line is not None:
                yield ClockFits(line[np.newaxis])

    return decode


def crashed(path: Path) -> None:
    """30 pieces of 20 rows; the file has the first 20 of them and three fits, the journal has all."""
    writer = RunWriter(path, HEADER, [SPEC], start_ns=START_NS)
    record_rows(writer, 0, 400)
    writer.clock_fits(SPEC.source, FITS[:3])
    writer.flush()
    record_rows(writer, 400, 600)
    writer._journal.flush()
    writer.release()


@pytest.mark.parametrize(
    ("again", "expected", "problems"),
    [
        (FITS[:9], FITS[:9], 0),
        (FITS[:2], FITS[:3], 0),  # a torn journal gives fewer: those of the file stay
        (FITS[:0], FITS[:3], 0),
        (FITS[1:9], FITS[:3], 1),
    ],
    ids=["more", "fewer", "none", "others"],
)
def test_fits_of_the_rows_that_only_the_journal_has(
    again: np.ndarray, expected: np.ndarray, problems: int, tmp_path: Path
) -> None:
    crashed(tmp_path / "run.h5")
    result = recover(tmp_path / "run.h5", with_fits(again))
    assert result.rows_from_journal == {"rack": 200}
    assert [p for p in result.problems if "other clock fits" in p] == list(result.problems)
    assert len(result.problems) == problems
    with open_run(result.path) as run:
        assert np.array_equal(run.clock_fits(SPEC.source), expected)


def test_rows_that_disagree_bring_no_fits(tmp_path: Path) -> None:
    crashed(tmp_path / "run.h5")
    result = recover(tmp_path / "run.h5", with_fits(FITS[:9], lambda made: replace(made, values=made.values + 1.0)))
    assert result.rows_from_journal == {"rack": 0}
    with open_run(result.path) as run:
        assert np.array_equal(run.clock_fits(SPEC.source), FITS[:3])


@pytest.mark.parametrize("name", ["small_motor", "big_motor_map", "propeller_static"])
def test_the_first_files_open_verify_and_pack(name: str, tmp_path: Path) -> None:
    with open_run(SAMPLES / name / "run.h5") as run:
        run.verify()
        assert run.clock_fits(run.sources[0]).shape[1] == len(layout.CLOCK_COLUMNS)
        had_clock = run.has_clock
    pack(SAMPLES / name / "run.h5", tmp_path / "packed.h5")
    with open_run(tmp_path / "packed.h5") as run:
        run.verify()
        assert run.has_clock == had_clock


def test_a_file_without_fits_is_one_of_the_first_and_stays_good(tmp_path: Path) -> None:
    """Made as the first benchkit made it: no ``/clock``, hashed without it."""
    write(tmp_path / "run.h5").close()
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        del file[layout.CLOCK]
        del file[layout.RUNNING_SHA256]
        order = hashing.hash_order({SPEC.source: bool(SPEC.raw_columns)}, has_clock=False)
        digest = hashing.content_sha256(HEADER, {name: file[name] for name in order}, {})
        set_root_attribute(file, layout.CONTENT_SHA256, digest.encode())
    with open_run(tmp_path / "run.h5") as run:
        run.verify()
        assert run.clock_fits(SPEC.source).shape == (0, 5)
    pack(tmp_path / "run.h5", tmp_path / "packed.h5")
