"""Bursts in the run file: written under SWMR, read back bit for bit, hashed, packed, and brought over after a crash."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RunFileError, UsageError
from benchkit.model.bursts import BurstChannel, BurstRecord, BurstRole
from benchkit.model.calibration import Accuracy
from benchkit.model.run import BURST_FORMAT_VERSION, RUN_FORMAT_VERSION, RunHeader
from benchkit.runfile import spool
from benchkit.runfile.bursts import BurstSpec
from benchkit.runfile.info import describe
from benchkit.runfile.layout import StreamSpec
from benchkit.runfile.pack import pack
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.runfile.verify import Verdict, check_run
from benchkit.runfile.writer import RunWriter
from benchkit.units import Quantity

SPEC = BurstSpec(
    "scope",
    (
        BurstChannel(
            "ia", "Phase current a", Quantity.CURRENT, 0.5, -1.0, BurstRole.PHASE_CURRENT, "a", Accuracy(0.01, 0.2)
        ),
        BurstChannel("udc", "Zwischenkreis µ", Quantity.VOLTAGE, 0.1, 0.0, BurstRole.DC_VOLTAGE),
    ),
    "<i2",
)


def record(number: int, rows: int = 1000, **changes: object) -> BurstRecord:
    """A burst whose samples follow from its number; 30 samples are missing before row 400."""
    i = np.arange(rows)
    made = BurstRecord(
        source="scope",
        number=number,
        reason=f"mark: no. {number} µ",
        sample_rate_hz=1e5,
        first_counter=10_000 * number,
        trigger_sample=500,
        trigger_ns=2_000_000_000 + number,
        u_trigger_ns=5000,
        missing=30,
        gaps=np.array([[400, 30]]),
        samples=np.column_stack([i % 251 + number, -(i % 127)]).astype("<i2"),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def same(a: BurstRecord, b: BurstRecord) -> bool:
    plain = ("source", "number", "reason", "sample_rate_hz", "first_counter", "trigger_sample", "trigger_ns", "missing")
    return (
        all(getattr(a, name) == getattr(b, name) for name in plain)
        and np.array_equal(a.gaps, b.gaps)
        and a.samples.dtype == b.samples.dtype
        and np.array_equal(a.samples, b.samples)
    )


@pytest.fixture
def writer(tmp_path: Path, header: RunHeader, spec: StreamSpec) -> RunWriter:
    header = replace(header, format_version=BURST_FORMAT_VERSION)
    return RunWriter(tmp_path / "run.h5", header, [spec], bursts=[SPEC])


def put(writer: RunWriter, made: BurstRecord) -> Path:
    path = spool.write(spool.spool_folder(writer.path), made)
    writer.burst(path)
    return path


def test_what_goes_in_comes_out(writer: RunWriter, tmp_path: Path) -> None:
    made = [record(1), record(2, 70_000, gaps=np.empty((0, 2), dtype=np.int64), missing=0), record(5)]
    with writer:
        for each in made:
            put(writer, each)
            writer.flush()
        writer.close()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.h5"]  # nothing is left beside a closed run
    assert check_run(tmp_path / "run.h5").verdict is Verdict.WHOLE
    assert describe(tmp_path / "run.h5").bursts == {"scope": 3}
    with open_run(tmp_path / "run.h5") as run:
        bursts = list(run.bursts())
        assert run.header.format_version == BURST_FORMAT_VERSION
    assert all(same(burst.record, each) for burst, each in zip(bursts, made, strict=True))
    first = bursts[0]
    assert first.channels == SPEC.channels
    assert first.values(0) == pytest.approx(0.5 * made[0].samples[:, 0].astype(float) - 1.0)
    # exact: row 399 is sample 399, row 400 sample 430 after 30 that are missing; the trigger is sample 500
    assert first.time_s[[0, 399, 400]] == pytest.approx(np.array([-500.0, -101.0, -70.0]) / 1e5)
    assert first.whole() == (400, 1000)


def test_a_changed_sample_is_found(writer: RunWriter, tmp_path: Path) -> None:
    import h5py

    with writer:
        put(writer, record(1))
        writer.close()
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        file["bursts/scope/samples"][10, 0] += 1
    with open_run(tmp_path / "run.h5") as run, pytest.raises(RunFileError, match="begins in bursts/scope/samples"):
        run.verify()
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        file["bursts/scope/index"][0, 2] = 10**9
    with open_run(tmp_path / "run.h5") as run, pytest.raises(RunFileError, match="row 0 points beyond what is there"):
        list(run.bursts())


def test_a_packed_copy_has_them(writer: RunWriter, tmp_path: Path) -> None:
    with writer:
        put(writer, record(1))
        writer.close()
    pack(tmp_path / "run.h5", tmp_path / "packed.h5")
    with open_run(tmp_path / "packed.h5") as run:
        assert same(next(iter(run.bursts())).record, record(1))


def test_a_crash_loses_no_burst(writer: RunWriter, tmp_path: Path) -> None:
    """One burst is in the file, one lies beside it, one was torn while it was written."""
    with writer:
        put(writer, record(1))
        writer.flush()
        put(writer, record(2))
        torn = put(writer, record(3))
        writer.flush_journal()
    torn.write_bytes(torn.read_bytes()[:-100])
    with open_run(tmp_path / "run.h5") as run:
        assert [burst.number for burst in run.bursts()] == [1]
    found = recover(tmp_path / "run.h5")
    assert found.bursts == 2
    assert any("burst left out" in problem and "check value" in problem for problem in found.problems)
    with open_run(found.path) as run:
        run.verify()
        assert all(same(burst.record, record(n)) for n, burst in zip((1, 2), run.bursts(), strict=True))


def test_without_the_run_file_the_journal_knows_the_sources(writer: RunWriter, tmp_path: Path) -> None:
    with writer:
        put(writer, record(1))
    (tmp_path / "run.h5").write_bytes(b"")
    with open_run(recover(tmp_path / "run.h5").path) as run:
        assert run.burst_specs == (SPEC,)
        assert same(next(iter(run.bursts())).record, record(1))


def test_a_burst_that_does_not_fit_is_told_and_the_run_goes_on(writer: RunWriter, tmp_path: Path) -> None:
    with writer:
        wrong = put(writer, record(1, samples=np.zeros((10, 3), dtype="<i2"), gaps=np.empty((0, 2))))
        put(writer, record(2))
        writer.close()
    with open_run(tmp_path / "run.h5") as run:
        assert [burst.number for burst in run.bursts()] == [2]
        assert "A burst was left out" in run.events()[0].message
    assert wrong.exists()


def test_runs_without_bursts_are_what_they_were(closed_run: Path, header: RunHeader, tmp_path: Path) -> None:
    with open_run(closed_run) as run:
        assert run.header.format_version == RUN_FORMAT_VERSION
        assert not list(run.bursts())
        assert not any("bursts" in name for name in run.datasets)
    with pytest.raises(UsageError, match="has the format that has them"):
        RunWriter(tmp_path / "new.h5", header, [], bursts=[SPEC])
    assert not (tmp_path / "new.h5").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source": "a/b"}, "not a name"),
        ({"channels": ()}, "no channels"),
        ({"sample_type": "<c8"}, "not a type of sample"),
    ],
)
def test_sources_that_cannot_be_laid_out(
    change: dict[str, object], message: str, header: RunHeader, spec: StreamSpec, tmp_path: Path
) -> None:
    header = replace(header, format_version=BURST_FORMAT_VERSION)
    with pytest.raises(UsageError, match=message):
        RunWriter(tmp_path / "run.h5", header, [spec], bursts=[replace(SPEC, **change)])  # type: ignore[arg-type]
