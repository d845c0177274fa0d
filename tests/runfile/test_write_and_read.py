"""What goes in comes out, to the last bit, however it was cut into blocks and flushes."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchkit.errors import RunFileError, UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.runfile.info import describe
from benchkit.runfile.layout import Block, StoredChannel, StreamSpec
from benchkit.runfile.pack import pack
from benchkit.runfile.reader import Run, open_run
from benchkit.runfile.writer import RunWriter

MakeBlock = Callable[[int, int], Block]
START_NS = 7_000_000_000_000


def assert_rows(run: Run, expected: Block) -> None:
    stream = run.stream("rack")
    for name in ("time_s", "arrival_s", "device_time_s", "counter", "values"):
        np.testing.assert_array_equal(getattr(stream, name), getattr(expected, name), err_msg=name)
    np.testing.assert_array_equal(run.raw_values("rack"), expected.raw)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.tuples(st.integers(0, 2600), st.booleans()), min_size=1, max_size=8))
def test_any_blocks_and_flushes_give_the_same_rows(
    steps: list[tuple[int, bool]],
    tmp_path_factory: pytest.TempPathFactory,
    header: RunHeader,
    spec: StreamSpec,
    block: MakeBlock,
) -> None:
    path = tmp_path_factory.mktemp("any") / "run.h5"
    rows = flushed = 0
    with RunWriter(path, header, [spec]) as writer:
        for n, flush in steps:
            writer.append("rack", block(rows, rows + n))
            rows += n
            if flush:
                writer.flush()
                flushed = rows
                with open_run(path) as live:
                    assert live.rows("rack") >= flushed
                    assert not live.is_closed
            assert writer.flushed_rows("rack") == flushed
            assert writer.rows("rack") == rows
        writer.close()
    with open_run(path) as run:
        assert run.is_closed
        assert_rows(run, block(0, rows))


def test_closed_run_holds_everything(
    closed_run: Path, header: RunHeader, spec: StreamSpec, block: MakeBlock, line: Callable[[int], bytes]
) -> None:
    with open_run(closed_run) as run:
        assert run.header == header
        assert run.sources == ("rack",)
        assert run.spec("rack") == spec
        assert_rows(run, block(0, 2500))
        assert run.stream("rack").units == ("rpm", "N·m", "°C")
        assert run.events() == [
            Event(0.0, EventKind.RUN_STARTED, "Run started"),
            Event(2.0, EventKind.TRIP, "Winding über 140 °C", "rack", "winding_temp", {"value": 141.5}),
        ]
        assert run.raw_bytes("rack") == b"".join(map(line, range(2500)))
        pieces = list(run.received("rack"))
        assert len(pieces) == 125
        assert pieces[1] == (40_000_000, b"".join(map(line, range(20, 40))))
        assert list(run.sent("rack")) == [(5_000_000, b"set speed 2500\n")]
        run.verify()


def test_part_of_a_stream(closed_run: Path, block: MakeBlock) -> None:
    with open_run(closed_run) as run:
        np.testing.assert_array_equal(run.stream("rack", 998, 1003).values, block(998, 1003).values)
        np.testing.assert_array_equal(run.stream("rack", -2).time_s, block(2498, 2500).time_s)
        assert len(run.stream("rack", 9000)) == 0


def test_describe(closed_run: Path) -> None:
    info = describe(closed_run)
    assert info.is_closed
    assert info.journal is None
    assert info.events == {"run_started": 1, "trip": 1}
    (stream,) = info.streams
    assert (stream.rows, stream.first_time_s, stream.last_time_s) == (2500, 0.0, 2.499)
    assert stream.rate_hz == pytest.approx(1000.0)
    assert info.size_bytes == closed_run.stat().st_size


def test_run_without_rows_closes(writer: RunWriter) -> None:
    closed = writer.close()
    assert closed.rows_by_source == {"rack": 0}
    assert not writer.journal_path.exists()
    assert np.isnan(describe(closed.path).streams[0].first_time_s)


def test_several_streams_keep_apart(tmp_path: Path, header: RunHeader, spec: StreamSpec, block: MakeBlock) -> None:
    other = StreamSpec("air", (StoredChannel("air_temp", "Air temperature", "temperature", "°C"),))
    with RunWriter(tmp_path / "two.h5", header, [spec, other]) as writer:
        writer.append("rack", block(0, 1500))
        i = np.arange(3)
        writer.append("air", Block(1.0 * i, 1.0 * i, i * np.nan, i * 0 - 1, 20.0 + i.reshape(-1, 1), np.empty((3, 0))))
        writer.received("air", 10, b"20\n")
        closed = writer.close()
    assert closed.rows_by_source == {"air": 3, "rack": 1500}
    with open_run(tmp_path / "two.h5") as run:
        assert run.raw_bytes("air") == b"20\n"
        assert run.raw_bytes("rack") == b""
        assert run.stream("air").column("air_temp").tolist() == [20.0, 21.0, 22.0]
        assert run.raw_values("air").shape == (3, 0)


def test_nothing_is_overwritten(closed_run: Path, header: RunHeader, spec: StreamSpec) -> None:
    before = closed_run.read_bytes()
    with pytest.raises(RunFileError, match=r"exists already.*choose another run name"):
        RunWriter(closed_run, header, [spec])
    assert closed_run.read_bytes() == before
    assert not closed_run.with_name("closed.h5.journal").exists()


def test_left_over_journal_is_not_overwritten(tmp_path: Path, header: RunHeader, spec: StreamSpec) -> None:
    left = tmp_path / "run.h5.journal"
    left.write_bytes(b"left over")
    with pytest.raises(RunFileError, match="cannot create the journal"):
        RunWriter(tmp_path / "run.h5", header, [spec])
    assert left.read_bytes() == b"left over"
    assert not (tmp_path / "run.h5").exists()


def test_missing_directory(tmp_path: Path, header: RunHeader, spec: StreamSpec) -> None:
    with pytest.raises(RunFileError, match="cannot create the journal: No such file"):
        RunWriter(tmp_path / "nowhere" / "run.h5", header, [spec])


def test_wrong_blocks_are_refused_and_cost_nothing(writer: RunWriter, block: MakeBlock) -> None:
    good = block(0, 10)
    with pytest.raises(UsageError, match=r"values of a block has the wrong shape .*got \(10, 2\); expected \(10, 3\)"):
        writer.append("rack", replace(good, values=good.values[:, :2]))
    with pytest.raises(UsageError, match="counter of a block has the wrong shape"):
        writer.append("rack", replace(good, counter=good.counter[:9]))
    with pytest.raises(UsageError, match="no such stream in this run"):
        writer.append("rock", good)
    with pytest.raises(UsageError, match="no such stream in this run"):
        writer.received("rock", 0, b"")
    writer.append("rack", good)
    assert writer.close().rows_by_source == {"rack": 10}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source": "a/b"}, "not a name for a stream"),
        ({"source": ".."}, "not a name for a stream"),
        ({"channels": ()}, "has no channels"),
        ({"raw_columns": ("tq", "tq")}, "raw column 'tq' occurs twice"),
        ({"channels": (StoredChannel("a", "b\0", "speed", "rpm"),)}, "channel text cannot be stored"),
    ],
)
def test_streams_that_cannot_be_laid_out(
    change: dict[str, object], message: str, tmp_path: Path, header: RunHeader, spec: StreamSpec
) -> None:
    with pytest.raises(UsageError, match=message):
        RunWriter(tmp_path / "run.h5", header, [replace(spec, **change)])  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_header_field_too_long(tmp_path: Path, header: RunHeader, spec: StreamSpec) -> None:
    with pytest.raises(UsageError, match="operator cannot be stored"):
        RunWriter(tmp_path / "run.h5", replace(header, operator="x" * 5000), [spec])
    assert list(tmp_path.iterdir()) == []


def test_wide_blocks_keep_chunks_readable(tmp_path: Path, header: RunHeader) -> None:
    """3000 channels: 1000 rows would make chunks of 24 MB; they are made shorter instead."""
    wide = StreamSpec("wide", tuple(StoredChannel(f"c{i}", "", "ratio", "1") for i in range(3000)))
    i = np.arange(700)
    values = np.arange(700 * 3000, dtype=float).reshape(700, 3000)
    with RunWriter(tmp_path / "wide.h5", header, [wide]) as writer:
        writer.append("wide", Block(1.0 * i, 1.0 * i, 1.0 * i, i, values, np.empty((700, 0))))
        writer.close()
    with open_run(tmp_path / "wide.h5") as run:
        np.testing.assert_array_equal(run.stream("wide").values, values)


def test_event_with_numbers_json_does_not_have(writer: RunWriter) -> None:
    writer.event(Event(1.0, EventKind.TRIP, 'a\nb\r"c"', data={"value": float("nan"), "list": [float("inf"), 1.5]}))
    path = writer.close().path
    with open_run(path) as run:
        assert run.events() == [Event(1.0, EventKind.TRIP, 'a\nb\r"c"', data={"value": None, "list": [None, 1.5]})]


def test_closing_reports_progress(writer: RunWriter, block: MakeBlock) -> None:
    writer.append("rack", block(0, 5000))
    writer.received("rack", START_NS, b"x" * (9 << 20))
    seen: list[tuple[int, int]] = []
    writer.close(lambda done, total: seen.append((done, total)))
    assert all(0 <= done <= total for done, total in seen)
    ends = [pair for pair in seen if pair[0] == pair[1]]
    assert len(ends) >= 3  # folding, hashing and checking each come to their end
    assert len(seen) > 6


def test_closed_writer_says_so(writer: RunWriter) -> None:
    writer.close()
    with pytest.raises(UsageError, match="the run is closed already"):
        writer.close()


def test_changed_content_is_noticed(closed_run: Path) -> None:
    with h5py.File(closed_run, "r+") as file:
        file["streams/rack/values"][1234, 0] += 1e-9
    with open_run(closed_run) as run, pytest.raises(RunFileError, match="the content is not what was recorded"):
        run.verify()


@pytest.mark.parametrize("what", ["header/note", "events/log", "raw/rack/received", "streams/rack/unit"])
def test_change_anywhere_is_noticed(closed_run: Path, what: str) -> None:
    with h5py.File(closed_run, "r+") as file:
        data = file[what][...]
        data[0] = b"V" if data.dtype.kind == "S" else data[0] ^ 1
        file[what][...] = data
    with open_run(closed_run) as run, pytest.raises(RunFileError, match="the content is not what was recorded"):
        run.verify()


def test_hash_is_of_the_content_not_of_its_storage(closed_run: Path, tmp_path: Path) -> None:
    """The same content, stored compressed in other chunks by plain h5py, has the same hash."""
    packed = Path(shutil.copy(closed_run, tmp_path / "packed.h5"))
    with h5py.File(packed, "r+") as file:
        group = file["streams/rack"]
        values = group["values"][:]
        del group["values"]
        group.create_dataset("values", data=values, chunks=(77, 2), compression="gzip")
    with open_run(packed) as run:
        run.verify()


def test_packed_copy_is_smaller_and_the_same(closed_run: Path, tmp_path: Path, block: MakeBlock) -> None:
    pack(closed_run, tmp_path / "packed.h5")
    with open_run(closed_run) as run, open_run(tmp_path / "packed.h5") as packed:
        packed.verify()
        assert packed.content_sha256 == run.content_sha256
        assert packed.header == run.header
        assert packed.events() == run.events()
        assert list(packed.received("rack")) == list(run.received("rack"))
        assert_rows(packed, block(0, 2500))
    assert (tmp_path / "packed.h5").stat().st_size < 0.5 * closed_run.stat().st_size
    with pytest.raises(RunFileError, match="the run file exists already"):
        pack(closed_run, tmp_path / "packed.h5")


def test_only_whole_runs_are_packed(crashed_run: Path, tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match="the run was not closed"):
        pack(crashed_run, tmp_path / "packed.h5")
    assert not (tmp_path / "packed.h5").exists()
