"""Clock fits in the run file: written, read, hashed, packed, recovered; files that do not have them stay good."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.errors import RunFileError
from benchkit.runfile import hashing, layout
from benchkit.runfile.pack import pack
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.runfile.store import set_root_attribute
from benchkit.runfile.writer import RunWriter
from tests.runfile.conftest import HEADER, SPEC, block

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
