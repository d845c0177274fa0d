"""A file becomes a run: values calibrated, times placed, bytes archived, everything odd in the event log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import DataError, LinkError, RunFileError, UsageError
from benchkit.ingest import csv_import
from benchkit.ingest.csv_import import import_csv
from benchkit.model.events import EventKind
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import Checksum, TextFormat
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.reader import open_run
from tests.decode.text_cases import checked

START = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def stand() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture(scope="module")
def rack(stand: LoadedStand) -> TextFormat:
    return stand.stand.sources["rack"].format


def body(number: int) -> list[str]:
    """Counter, device time (10 ms apart), and 24 columns: 1, 2, … 24."""
    return [str(number % 65536), f"{10.0 * number}", *(str(k) for k in range(1, 25))]


def csv_text(rack: TextFormat, numbers: Sequence[int], *, columns: tuple[str, ...] | None = None) -> bytes:
    """A file without check values."""
    wanted = columns or rack.columns
    pick = [rack.columns.index(name) for name in wanted]
    lines = [",".join(wanted)] + [",".join(body(n)[i] for i in pick) for n in numbers]
    return "".join(line + "\n" for line in lines).encode()


def plain(rack: TextFormat) -> TextFormat:
    return replace(rack, checksum=Checksum.NONE)


def test_file_becomes_a_run(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source, out = tmp_path / "morning.csv", tmp_path / "run.h5"
    data = csv_text(rack, [5, 6, 7, 10])
    source.write_bytes(data)
    summary = import_csv(source, stand, "rack", out, text_format=plain(rack), started_utc=START, operator="night shift")
    assert (summary.rows, summary.bad, summary.gaps, summary.time_steps_back) == (4, (), 1, 0)
    assert summary.duration_s == pytest.approx(0.05, abs=1e-12)
    assert [path.name for path in tmp_path.iterdir() if path != source] == ["run.h5"]
    with open_run(out) as run:
        assert run.is_closed
        assert run.content_sha256 == summary.content_sha256
        assert run.raw_bytes("rack") == data
        assert run.header.started_utc == "2026-03-02T08:30:00+00:00"
        assert run.header.operator == "night shift"
        assert run.header.simulated
        assert run.header.profile_json == stand.json
        stream = run.stream("rack")
        np.testing.assert_allclose(stream.time_s, [0.0, 0.01, 0.02, 0.05], atol=1e-12)
        np.testing.assert_array_equal(stream.arrival_s, stream.time_s)
        assert stream.counter.tolist() == [5, 6, 7, 10]
        # column tq is the 8th value column, thrust the 9th: 100 N·m and 500 N per mV/V
        np.testing.assert_allclose(stream.column("shaft_torque"), 800.0)
        np.testing.assert_allclose(stream.column("thrust"), 4500.0)
        kinds = [event.kind for event in run.events()]
    assert kinds == [EventKind.RUN_STARTED, EventKind.GAP, EventKind.RUN_CLOSED]


def test_captured_link_with_check_values(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source, out = tmp_path / "capture.txt", tmp_path / "run.h5"
    lines = [checked(",".join(body(n)), rack) for n in range(5)]
    lines[2] = lines[2].replace(b"20.0", b"20.1")
    data = b"".join(lines) + b">ok stop ramp\n"
    source.write_bytes(data)
    summary = import_csv(source, stand, "rack", out, has_header=False)
    assert summary.rows == 4
    assert summary.bad_counts == {BadFrameReason.CHECKSUM: 1}
    assert [line.line_no for line in summary.bad] == [3]
    with open_run(out) as run:
        events = run.events()
        assert run.raw_bytes("rack") == data
        assert "The start is not known" in run.header.note
    assert [e.kind for e in events[1:-1]] == [EventKind.BAD_FRAME, EventKind.GAP, EventKind.REPLY]
    assert events[1].message.startswith("frame 3 refused: check value")
    assert events[-2].message == "ok stop ramp"
    assert events[-1].message == "4 rows, 1 lines refused, 1 gaps"


def test_other_order_of_columns_keeps_the_channels(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source = tmp_path / "turned.csv"
    source.write_bytes(csv_text(rack, range(3), columns=rack.columns[::-1]))
    import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=plain(rack))
    with open_run(tmp_path / "run.h5") as run:
        stream = run.stream("rack")
    assert stream.column("dc_voltage").tolist() == [1.0] * 3
    assert stream.column("electrical_frequency").tolist() == [24.0] * 3


def untimed(rack: TextFormat, *, counter: bool) -> TextFormat:
    names = rack.columns[:1] * counter + rack.columns[2:]
    return replace(plain(rack), columns=names, device_time_column=None, counter_column="count" if counter else None)


def test_rate_places_rows_by_counter(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    used, source = untimed(rack, counter=True), tmp_path / "rate.csv"
    source.write_bytes(csv_text(rack, [65534, 65535, 65537, 65540, 65540], columns=used.columns))
    summary = import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=used, rate_hz=100.0)
    with open_run(tmp_path / "run.h5") as run:
        # steps of 1, 2 and 3 rows across the wrap; the number that came twice takes the next place
        np.testing.assert_allclose(run.stream("rack").time_s, [0.0, 0.01, 0.03, 0.06, 0.07], atol=1e-12)
    assert summary.gaps == 3


def test_rate_places_rows_by_line(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    used, source = untimed(rack, counter=False), tmp_path / "rate.csv"
    lines = csv_text(rack, range(5), columns=used.columns).splitlines(keepends=True)
    lines[3] = b"broken\n"
    source.write_bytes(b"".join(lines))
    import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=used, rate_hz=10.0)
    with open_run(tmp_path / "run.h5") as run:
        np.testing.assert_allclose(run.stream("rack").time_s, [0.0, 0.1, 0.3, 0.4], atol=1e-12)


def test_time_that_goes_back_is_told(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source = tmp_path / "back.csv"
    source.write_bytes(csv_text(rack, [1, 2, 2, 1, 3]))
    summary = import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=plain(rack))
    assert summary.time_steps_back == 2
    with open_run(tmp_path / "run.h5") as run:
        notes = [event.message for event in run.events() if event.kind is EventKind.NOTE]
    assert notes == ["2 rows are not later than the row before them: look at the device time"]


def test_log_is_capped_and_says_so(
    stand: LoadedStand, rack: TextFormat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csv_import, "LOGGED_EVENTS", 3)
    source = tmp_path / "bad.csv"
    source.write_bytes(csv_text(rack, range(2)) + b"x\n" * 10)
    summary = import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=plain(rack))
    assert len(summary.bad) == 3
    assert summary.bad_counts == {BadFrameReason.FIELD_COUNT: 10}
    with open_run(tmp_path / "run.h5") as run:
        kinds = [event.kind for event in run.events()]
        last = run.events()[-2]
    assert kinds.count(EventKind.BAD_FRAME) == 3
    assert last.message == "only the first 3 of 10 such events are listed"


def test_refused_file_leaves_no_run(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source = tmp_path / "comma.csv"
    source.write_bytes(csv_text(rack, range(3)).replace(b".0", b",0"))
    with pytest.raises(DataError, match=r"comma\.csv: line 2: no line is a good row.*27 fields, expected 26"):
        import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=plain(rack))
    assert [path.name for path in tmp_path.iterdir()] == ["comma.csv"]


def test_nothing_is_overwritten(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    source, out = tmp_path / "a.csv", tmp_path / "run.h5"
    source.write_bytes(csv_text(rack, range(3)))
    out.write_bytes(b"precious")
    with pytest.raises(RunFileError, match=r"run\.h5: the run file exists already"):
        import_csv(source, stand, "rack", out, text_format=plain(rack))
    assert out.read_bytes() == b"precious"


def test_what_was_begun_is_removed(
    stand: LoadedStand, rack: TextFormat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, out = tmp_path / "a.csv", tmp_path / "run.h5"
    source.write_bytes(csv_text(rack, range(3)))

    def full(*_: object) -> None:
        raise RunFileError("the disk is full")

    monkeypatch.setattr(csv_import.RunWriter, "append", full)
    with pytest.raises(RunFileError, match="the disk is full"):
        import_csv(source, stand, "rack", out, text_format=plain(rack))
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_rows_without_time(stand: LoadedStand, rack: TextFormat, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"a\.csv: the rows of this file have no time\. Declare device_time_column"):
        import_csv(tmp_path / "a.csv", stand, "rack", tmp_path / "r.h5", text_format=untimed(rack, counter=True))
    with pytest.raises(UsageError, match="not a rate"):
        import_csv(
            tmp_path / "a.csv", stand, "rack", tmp_path / "r.h5", text_format=untimed(rack, counter=True), rate_hz=0.0
        )


def test_no_such_source_or_file(stand: LoadedStand, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"the stand has no source 'rak'.*Did you mean 'rack'\?"):
        import_csv(tmp_path / "a.csv", stand, "rak", tmp_path / "r.h5")
    with pytest.raises(LinkError, match=r"a\.csv: cannot open the file"):
        import_csv(tmp_path / "a.csv", stand, "rack", tmp_path / "r.h5")


def test_journal_of_a_long_file_never_waits_long(
    stand: LoadedStand, rack: TextFormat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchkit.runfile.journal.MAX_WAITING_BYTES", 600_000)
    monkeypatch.setattr(csv_import, "FLUSH_BYTES", 100_000)
    source = tmp_path / "long.csv"
    data = csv_text(rack, range(20_000))
    assert len(data) > 2 * 600_000
    source.write_bytes(data)
    assert import_csv(source, stand, "rack", tmp_path / "run.h5", text_format=plain(rack)).rows == 20_000
    with open_run(tmp_path / "run.h5") as run:
        assert run.raw_bytes("rack") == data
