"""Other libraries read what was exported, and find the numbers of the run bit for bit."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.export.export import FORMATS, export_run
from benchkit.export.matlab import KEYWORDS, MAX_NAME
from benchkit.runfile.layout import Block
from benchkit.runfile.reader import open_run

pytestmark = pytest.mark.usefixtures("small_pieces")


def columns(block: Block) -> list[Any]:
    return [block.time_s, block.arrival_s, block.device_time_s, block.counter, *block.values.T]


def same_bits(found: Any, expected: Any) -> None:
    """Equal as bits, except that one *not measured* is as good as another."""
    found, expected = np.asarray(found), np.asarray(expected)
    assert found.shape == expected.shape
    np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(np.signbit(found), np.signbit(expected))


def same_table(found: Iterable[Any], block: Block) -> None:
    for got, expected in zip(found, columns(block), strict=True):
        same_bits(got, expected)


def about(folder: Path) -> Any:
    return json.loads((folder / "spin_about.json").read_text(encoding="utf-8"))


def test_csv_read_by_pandas(run_path: Path, tmp_path: Path, rack: Block, slow: Block) -> None:
    pandas = pytest.importorskip("pandas")
    done = export_run(run_path, tmp_path / "out", "csv")
    assert done.rows == {"rack": 2500, "slow": 26}
    for source, block in (("rack", rack), ("slow", slow)):
        file = done.folder / f"spin.{source}.csv"
        # Python's own float() reads exactly; the fast parser of older pandas is off by a bit in the last place
        frame = pandas.read_csv(file, skiprows=[1], engine="python")
        same_table([frame.iloc[:, i].to_numpy() for i in range(frame.shape[1])], block)
    assert list(frame.columns) == ["time_s", "arrival_s", "device_time_s", "counter", "air_temp"]


def test_csv_cells_cannot_run(run_path: Path, tmp_path: Path) -> None:
    """OWASP ASVS 5.0, 1.2.10: no text field begins with = + - @ tab or NUL; numbers below zero stay numbers."""
    done = export_run(run_path, tmp_path / "out", "csv")
    with (done.folder / "spin.rack.csv").open(encoding="utf-8", newline="") as file:
        head, units, *rows = csv.reader(file)
    assert len(set(head)) == len(head) == len(units)
    assert not [text for text in head + units if text.lstrip(" ")[:1] in set("=+-@\t\0\r\n")]
    assert {"'=cmd|' /C calc'!A0", "'+1", "'-x", "'@sum", "tab", "return"} <= set(head)
    assert units[4:6] == ["'=unit", "N·m"]
    assert all(cell == "" or np.isfinite(float(cell)) or cell in {"inf", "-inf"} for row in rows for cell in row)
    assert any(cell.startswith("-") for row in rows for cell in row)
    with (done.folder / "spin_events.csv").open(encoding="utf-8", newline="") as file:
        events = list(csv.DictReader(file))
    trip = next(event for event in events if event["kind"] == "trip")
    assert trip["message"] == "'=Winding über 140 °C"
    # exact: arrival is sample time + 0.02 s, so 1.02 s at the host is 1.00 s on the samples
    assert (trip["time_s"], trip["sample_time_of"]) == ("1.02", "rack")
    assert float(trip["sample_time_s"]) == pytest.approx(1.0, abs=1e-12)
    assert json.loads(trip["data"]) == {"value": 141.5}


def test_parquet_read_by_pyarrow(run_path: Path, tmp_path: Path, rack: Block, slow: Block) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    done = export_run(run_path, tmp_path / "out", "parquet")
    for source, block in (("rack", rack), ("slow", slow)):
        table = parquet.read_table(done.folder / f"spin.{source}.parquet")
        same_table([column.to_numpy() for column in table.columns], block)
    assert parquet.ParquetFile(done.folder / "spin.rack.parquet").num_row_groups == 3
    facts = {key.decode(): text.decode() for key, text in table.schema.metadata.items() if key != b"ARROW:schema"}
    with open_run(run_path) as run:
        assert facts["content_sha256"] == run.content_sha256
    assert (facts["run_id"], facts["source"], facts["simulated"]) == ("2026-03-04-002", "slow", "true")
    meta = table.schema.field("air_temp").metadata
    assert (meta[b"unit"].decode(), meta[b"label"], meta[b"quantity"]) == ("°C", b"Air", b"temperature")


def test_mdf4_read_by_asammdf(run_path: Path, tmp_path: Path, rack: Block, slow: Block) -> None:
    asammdf = pytest.importorskip("asammdf")
    done = export_run(run_path, tmp_path / "out", "mdf4")
    with asammdf.MDF(done.folder / "spin.mf4") as mdf:
        assert mdf.version == "4.10"
        assert mdf.header.start_time == datetime(2026, 3, 4, 10, tzinfo=UTC)
        assert "2026-03-04-002" in mdf.header.comment
        assert [group.channel_group.acq_name for group in mdf.groups] == ["rack", "slow"]
        for index, (source, block) in enumerate((("rack", rack), ("slow", slow))):
            signals = [mdf.get(group=index, index=i) for i in range(1, 4 + block.values.shape[1])]
            same_bits(mdf.get_master(index), block.time_s)
            same_table([block.time_s, *(signal.samples for signal in signals)], block)
            named = about(done.folder)["streams"][source]["columns"][1:]
            assert [s.name for s in signals] == [column["name"] for column in named]
            assert [s.unit for s in signals] == [column["unit"] for column in named]
            assert [s.comment for s in signals] == [
                re.sub(r"[\t\r\n]", " ", column["label"]).strip() for column in named
            ]
            assert mdf.groups[index].channels[0].name == "time_s"
            assert all(s.timestamps.shape == block.time_s.shape for s in signals)
        events = [(event.name, round(event.value, 9)) for event in mdf.events]
        assert events == [("run_started", 0.0), ("trip", 1.0), ("note", 2.1)]
        assert "Winding über 140 °C" in mdf.events[1].comment


def test_matlab_read_by_scipy(run_path: Path, tmp_path: Path, rack: Block, slow: Block) -> None:
    from scipy.io import loadmat, whosmat

    done = export_run(run_path, tmp_path / "out", "mat")
    assert (done.folder / "spin.rack.mat").read_bytes().startswith(b"MATLAB 5.0 MAT-file")
    for source, block in (("rack", rack), ("slow", slow)):
        file = done.folder / f"spin.{source}.mat"
        told = about(done.folder)["streams"][source]["columns"]
        names = [column["name"] for column in told]
        assert [name for name, _, _ in whosmat(file)] == [*names, "units", "labels", "channels", "run"]
        # MathWorks, "Variable Names": begins with a letter, then letters, digits, underscore, at most 63, no keyword
        assert all(re.fullmatch(r"[A-Za-z]\w*", name, re.ASCII) and len(name) <= MAX_NAME for name in names)
        assert not KEYWORDS & set(names)
        assert len({*names, "units", "labels", "channels", "run"}) == len(names) + 4
        found = loadmat(file, simplify_cells=True)
        same_table([found[name] for name in names], block)
        assert found["counter"].dtype == np.int64
        for column in told:
            assert found["units"][column["name"]] == column["unit"]
            assert found["labels"][column["name"]] == column["label"]
            assert column["channel"] is None or found["channels"][column["name"]] == (column["channel"] or [])
        assert found["run"]["note"] == "erste Drehung, 20 °C"
    assert loadmat(file)["time_s"].shape == (26, 1)


def test_one_pass_or_many_give_the_same_matlab_file(
    run_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from scipy.io import loadmat

    from benchkit.export import matlab

    whole = export_run(run_path, tmp_path / "whole", "mat")
    monkeypatch.setattr(matlab, "_AT_ONCE_BYTES", 3 * 8 * 2500)
    ticks: list[tuple[int, int]] = []
    parts = export_run(run_path, tmp_path / "parts", "mat", progress=lambda *now: ticks.append(now))
    assert ticks[-1] == (2526, 2526)
    found, expected = (loadmat(done.folder / "spin.rack.mat") for done in (parts, whole))
    assert found.keys() == expected.keys()
    for name in found.keys() - {"__header__", "units", "labels", "channels", "run"}:
        np.testing.assert_array_equal(found[name], expected[name])


@pytest.mark.parametrize("to", FORMATS)
def test_a_span_and_channels(run_path: Path, tmp_path: Path, to: str) -> None:
    done = export_run(run_path, tmp_path, to, channels=["air_temp", "-x"], start_s=0.5, stop_s=1.5)
    # exact: 1 ms and 100 ms rows, 0.5 <= t < 1.5; 0.1 * 15 is 1.5 in float64, 0.1 * 5 is 0.5
    assert done.rows == {"rack": 1000, "slow": 10}
    assert done.events == 1
    told = about(done.folder)
    assert [each["channel"] for each in told["streams"]["rack"]["columns"]] == [None] * 4 + ["-x"]
    assert told["run"]["span"] == "0.5 <= time_s < 1.5"
    assert [event["kind"] for event in told["events"]] == ["trip"]
    assert sorted(file.name for file in done.files) == sorted([*told["files"], "spin_about.json", "spin_events.csv"])
    assert sum(file.stat().st_size for file in done.files) == done.size_bytes
