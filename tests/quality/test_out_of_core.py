"""A stream that is looked at a block at a time gives the findings of the same stream in memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.block_checks import BlockChecks
from benchkit.analysis.power import power_balance
from benchkit.analysis.quality import Movement, RowGathering, check_run, device_offsets, looked_at
from benchkit.analysis.quality.row_facts import RowFacts, gathered
from benchkit.analysis.quality.run import CHECKS
from benchkit.analysis.steady import operating_points
from benchkit.model.results import Finding
from benchkit.model.stream import BLOCK_ROWS, FloatArray, Stream
from benchkit.simulate.drives import Load
from tests.quality.faults import FAULTS
from tests.quality.runs import BenchRun, Wish, clean_run

CODES = {code for check in CHECKS for code in check.codes}
KINDS = ("zero_offset", "thermocouple_open", "gate_noise", "pulses_missed", "aliased_ripple", "recirculation")


class InBlocks:
    """The rows of a stream as one that stays in its file hands them out: blocks that lie column by column."""

    def __init__(self, stream: Stream, block_rows: int) -> None:
        self._stream, self._block_rows = stream, block_rows
        self.source, self.channels, self.units = stream.source, stream.channels, stream.units

    def __len__(self) -> int:
        return len(self._stream)

    def rows(self, start: int, stop: int) -> Stream:
        assert stop - start <= 70_000  # no more than one rest or one point at a time
        return self._stream.rows(start, stop)

    def blocks(self) -> Iterator[Stream]:
        for start in range(0, len(self), self._block_rows):
            part = self._stream.rows(start, start + self._block_rows)
            yield replace(part, values=np.asfortranarray(part.values))

    def times(self) -> Iterator[tuple[int, FloatArray]]:
        yield from self._stream.times()

    def time_at(self, arrival_s: float) -> float:
        return self._stream.time_at(arrival_s)

    def row_at(self, arrival_s: float) -> int:
        return self._stream.row_at(arrival_s)


def broken_run(code: str, seed: int) -> BenchRun:
    """A run with one fault of the suite."""
    fault = next(f for f in FAULTS if f.code == code)
    return fault.inject(clean_run(seed, fault.wish), np.random.default_rng([seed, 99]))


def in_memory(run: BenchRun) -> list[Finding]:
    points = operating_points(run.stand, run.stream)
    balances = [power_balance(run.stand, point) for point in points]
    found, _ = check_run(run.stand, run.stream, run.events, points, balances, (), run.day)
    return [f for f in found if f.code in CODES]


def block_by_block(run: BenchRun, block_rows: int) -> list[Finding]:
    stream = InBlocks(run.stream, block_rows)
    points = operating_points(run.stand, run.stream)
    balances = [power_balance(run.stand, point) for point in points]
    checks, gathering = BlockChecks(run.stand), RowGathering(run.stand, stream)
    for block in stream.blocks():
        checks.feed(block)
        gathering.feed(block)
    of_rows, facts = checks.finish(stream), gathering.finish()
    found, not_run = check_run(run.stand, stream, run.events, points, balances, (), run.day, of_rows, facts)
    assert not any("too many" in each.reason for each in not_run)
    return [f for f in found if f.code in CODES]


@pytest.mark.parametrize("code", KINDS)
def test_findings_are_those_of_the_stream_in_memory(code: str) -> None:
    run = broken_run(code, 11)
    ours, theirs = block_by_block(run, 1777), in_memory(run)
    assert [(f.code, f.channel, f.severity, f.row_start, f.row_stop) for f in ours] == [
        (f.code, f.channel, f.severity, f.row_start, f.row_stop) for f in theirs
    ]
    for a, b in zip(ours, theirs, strict=True):
        assert dict(a.numbers) == pytest.approx(dict(b.numbers), rel=1e-6, abs=1e-9)


def of_blocks(run: BenchRun, stream: Stream, block_rows: int) -> RowFacts:
    gathering = RowGathering(run.stand, stream)
    for start in range(0, len(stream), block_rows):
        gathering.feed(stream.rows(start, start + block_rows))
    return gathering.finish()


@pytest.mark.parametrize("block_rows", [23, 50, 1000])
def test_facts_do_not_hang_on_the_cut(block_rows: int) -> None:
    run = clean_run(21, Wish(rate_hz=50.0, is_portioned=False))
    values = run.stream.values[:3000].copy()
    winding, speed = (run.stream.channels.index(name) for name in ("winding_temp", "shaft_speed"))
    values[420:790, winding] = run.stand.channels["winding_temp"].high
    values[900:960, winding] = np.nan
    values[1500:1600:20, speed] *= 2.0
    values[2000:2100, 3] = np.nan
    stream = replace(run.stream.rows(0, 3000), values=values)
    ours, theirs = of_blocks(run, stream, block_rows), gathered(run.stand, stream)
    assert ours.rest == theirs.rest
    assert len(ours.rest) >= 1
    assert np.array_equal(ours.second_edges, theirs.second_edges)
    assert np.allclose(ours.seconds, theirs.seconds, rtol=1e-12, atol=1e-9, equal_nan=True)
    assert ours.odd_speeds == theirs.odd_speeds
    assert theirs.odd_speeds["pulses_doubled"].count == 5
    assert np.array_equal(ours.turning_rpm, theirs.turning_rpm)
    assert {n: (s.first, s.length) for n, s in ours.at_the_end.items()} == {
        n: (s.first, s.length) for n, s in theirs.at_the_end.items()
    }
    assert (theirs.at_the_end["winding_temp"].first, theirs.at_the_end["winding_temp"].length) == (420, 370)


def test_offsets_of_thinned_streams_are_found() -> None:
    """Half a second between two devices, from means of seven rows."""
    run = broken_run("device_offset", 5)
    (whole,) = device_offsets(run.stand, (run.stream, *run.others))
    thinned = []
    for stream in (run.stream, *run.others):
        movement = Movement(run.stand, stream)
        movement.rows_each = 7
        for start in range(0, len(stream), 1234):
            movement.feed(stream.rows(start, start + 1234))
        left = movement.finish()
        assert left is not None
        assert len(left) == len(stream) // 7
        thinned.append(left)
    (found,) = device_offsets(run.stand, thinned)
    assert found.numbers["lag_s"] == pytest.approx(whole.numbers["lag_s"], abs=0.03)


def test_one_source_needs_no_movement() -> None:
    run = clean_run(3, Wish(load=Load.MACHINE))
    movement = Movement(run.stand, run.stream)
    movement.feed(run.stream)
    assert movement.finish() is None


def test_what_was_looked_at_is_said_of_long_streams_only() -> None:
    run = clean_run(3, Wish(load=Load.MACHINE))
    assert looked_at(run.stream) == ()
    assert looked_at(InBlocks(run.stream, 1000)) == ()
    long = np.zeros(BLOCK_ROWS + 1)
    stream = Stream("rack", ("a",), ("V",), long, long, long, long.astype(np.int64), long[:, None])
    (said,) = looked_at(InBlocks(stream, BLOCK_ROWS))
    assert (said.stream, said.rows) == ("rack", BLOCK_ROWS + 1)
