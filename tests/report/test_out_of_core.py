"""A run that stays in its file says the same as one in memory, whatever the size of a block. The records are SIMULATED.

Between block sizes everything but the texts of the detectors is the same to the last bit. Against the stream in memory
means of blocks are summed in another order: they agree to a part in 10^11.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import benchkit.report.gather as gathering
from benchkit.analysis import steady
from benchkit.analysis.pipeline import analyse
from benchkit.errors import UsageError
from benchkit.model.results import RunResult
from benchkit.profiles import stand_from_json
from benchkit.report.gather import gather, points_of_run
from benchkit.report.numbers import report_json
from benchkit.report.sections import build_report
from benchkit.report.traces import Thinning, thinned
from benchkit.runfile.reader import Run, open_run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"
NAMES = ("small_motor", "big_motor_map", "propeller_static")


@pytest.fixture(scope="module", params=NAMES)
def run(request: pytest.FixtureRequest) -> Iterator[Run]:
    with open_run(SAMPLES / request.param / "run.h5") as opened:
        yield opened


def analysed_anew(run: Run, block_rows: int | None) -> RunResult:
    stand = stand_from_json(run.header.profile_json)
    source = run.sources[0]
    stream = run.stream(source) if block_rows is None else run.stream_rows(source, block_rows)
    return analyse(stand, stream, run.events())


@cache
def analysed(run: Run, block_rows: int | None) -> RunResult:
    """As ``analysed_anew``; results do not change, so each is worked out once."""
    return analysed_anew(run, block_rows)


def numbers(value: object) -> list[object]:
    """Every number and text of a result, in order."""
    if dataclasses.is_dataclass(value):
        return [x for f in dataclasses.fields(value) for x in numbers(getattr(value, f.name))]
    if isinstance(value, dict):
        return [x for key, part in value.items() for x in [key, *numbers(part)]]
    if isinstance(value, tuple | list):
        return [x for part in value for x in numbers(part)]
    return [value]


def same(a: object, b: object, rel: float) -> None:
    ours, theirs = numbers(a), numbers(b)
    assert len(ours) == len(theirs)
    for x, y in zip(ours, theirs, strict=True):
        if isinstance(x, float) and isinstance(y, float):
            assert (math.isnan(x) and math.isnan(y)) or x == y or math.isclose(x, y, rel_tol=rel, abs_tol=rel)
        else:
            assert x == y


def without_findings(result: RunResult) -> RunResult:
    return dataclasses.replace(result, findings=())


def test_one_block_says_what_memory_says(run: Run) -> None:
    # slopes and uncertainties are small differences: 1e-6 of them is 1e-11 of what they are differences of
    same(analysed(run, run.rows(run.sources[0])), analysed(run, None), 1e-6)


def test_points_alone_are_those_of_the_whole_analysis(run: Run) -> None:
    points = points_of_run(run, run.events())
    assert points
    same(points, analysed(run, None).points, 0.0)


def test_means_agree_closely_with_memory(run: Run) -> None:
    ours, theirs = analysed(run, 1000), analysed(run, None)
    assert len(ours.points) == len(theirs.points) > 0
    for a, b in zip(ours.points, theirs.points, strict=True):
        assert (a.row_start, a.row_stop) == (b.row_start, b.row_stop)
        same(a.means, b.means, 1e-11)
    same(ours.balances, theirs.balances, 1e-9)
    same(ours.thrust, theirs.thrust, 1e-9)


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(block_rows=st.integers(200, 20_000))
def test_the_size_of_a_block_changes_no_bit(run: Run, block_rows: int) -> None:
    ours, theirs = analysed(run, block_rows), analysed(run, 1000)
    same(without_findings(ours), without_findings(theirs), 0.0)


def test_findings_of_blocks_are_of_the_same_kinds(run: Run) -> None:
    ours, theirs = analysed(run, 1000), analysed(run, None)
    assert {(f.code, f.channel) for f in theirs.findings} >= {
        (f.code, f.channel) for f in ours.findings if f.code not in ("time_gap", "frozen")
    }


def test_a_point_longer_than_what_is_read_at_once(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    read = analysed(run, None)
    monkeypatch.setattr(steady, "ROWS_AT_ONCE", 10)
    folded, other = analysed_anew(run, 777), analysed_anew(run, 5000)
    same(without_findings(folded), without_findings(other), 0.0)
    for a, b in zip(folded.points, read.points, strict=True):
        for name, mean in b.means.items():
            assert a.means[name].value == pytest.approx(mean.value, rel=1e-9, abs=1e-9, nan_ok=True)
            if mean.u > 0.0:
                assert 0.4 < a.means[name].u / mean.u < 2.5


def test_the_report_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    path = SAMPLES / "propeller_static" / "run.h5"
    in_memory = gather([path])
    monkeypatch.setattr(gathering, "BLOCK_ROWS", 2000)
    stored = gather([path])
    assert stored[0].traces == in_memory[0].traces
    assert stored[0].trips == in_memory[0].trips
    assert stored[0].sources == in_memory[0].sources
    assert report_json(build_report(stored)).keys() == report_json(build_report(in_memory)).keys()


@pytest.mark.parametrize("block_rows", [1, 7, 1000, 10**6])
def test_rows_and_times_of_a_stored_stream(run: Run, block_rows: int) -> None:
    source = run.sources[0]
    if block_rows < 1000 and run.rows(source) > 30_000:
        pytest.skip("a row at a time of a long run takes long")
    whole, stored = run.stream(source), run.stream_rows(source, block_rows)
    assert len(stored) == len(whole)
    if block_rows >= 1000:
        blocks = list(stored.blocks())
        assert np.array_equal(np.concatenate([b.values for b in blocks]), whole.values, equal_nan=True)
        assert np.array_equal(np.concatenate([t for _, t in stored.times()]), whole.time_s)
    ends = whole.arrival_s[[0, 5, -1]].tolist()
    for at in [*ends, ends[0] - 1.0, ends[1] + 1e-4, ends[2] + 1.0]:
        assert stored.row_at(at) == whole.row_at(at)
        assert stored.time_at(at) == whole.time_at(at)
    assert np.array_equal(stored.rows(3, 9).values, whole.rows(3, 9).values, equal_nan=True)


def test_a_block_has_rows(run: Run) -> None:
    with pytest.raises(UsageError, match="at least one row"):
        run.stream_rows(run.sources[0], 0)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 1000), rows=st.integers(2, 900), size=st.integers(2, 900))
def test_thinning_by_blocks_is_thinning(seed: int, rows: int, size: int) -> None:
    from benchkit.model.stream import Stream

    rng = np.random.default_rng(seed)
    values = rng.integers(0, 9, (rows, 2)).astype(float)
    values[rng.integers(0, rows, rows // 3), 0] = np.nan
    values[: rows // 2, 1] = np.nan
    t = np.arange(rows) * 0.1
    none = np.full(rows, np.nan)
    stream = Stream("rack", ("a", "b"), ("1", "1"), t, t, none, np.arange(rows), values)
    thinning = Thinning(stream, ("b", "a"), stretches=20)
    for start in range(0, rows, size):
        thinning.feed(stream.rows(start, start + size))
    found = thinning.finish()
    for got, column in zip(found, (1, 0), strict=True):
        expected = thinned(t, values[:, column], stretches=20)
        assert got[0] == expected[0]
        assert np.array_equal(got[1], expected[1], equal_nan=True)
