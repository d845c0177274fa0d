"""From run files to the report, through the real writer, reader and analysis. The records are SIMULATED."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.run import RunHeader
from benchkit.model.samples import Rows
from benchkit.profiles import load_stand, shared_path
from benchkit.report.gather import gather, run_label
from benchkit.report.numbers import json_text
from benchkit.report.page import write_report
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.runfile.writer import RunWriter
from benchkit.simulate.drives import Load
from benchkit.simulate.records import steady_record
from benchkit.simulate.truth import Truth

SECONDS, RATE_HZ = 12.0, 20.0
SPEEDS_RPM = (1600.0, 2400.0, 3200.0)


def write_run(path: Path, *, closed: bool = True, extra: Sequence[Event] = ()) -> list[Truth]:
    """A propeller run of three speeds, written as the recorder writes it, with ``extra`` events; the truth of each
    speed."""
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    stand = loaded.stand
    source = stand.sources["rack"]
    channels = stand.channels_of("rack")
    left_out = (source.format.counter_column, source.format.device_time_column)
    columns = [c for c in source.format.columns if c not in left_out]
    mapping = ChannelMap(channels, columns)
    header = RunHeader(
        run_id=path.stem, started_utc="2026-11-03T09:12:44+00:00", software_version="0.1.0", host="bench-laptop",
        stand=stand.name, profile_json=loaded.json, profile_texts=loaded.texts, simulated=True, seed=5,
    )  # fmt: skip
    truths = []
    with RunWriter(path, header, [StreamSpec("rack", channels, tuple(mapping.raw_names))]) as writer:
        writer.event(Event(0.0, EventKind.RUN_STARTED, "run started"))
        for at, speed in enumerate(SPEEDS_RPM):
            rows, truth = steady_record(
                stand, Load.PROPELLER, speed, math.nan, seconds=SECONDS, rate_hz=RATE_HZ, seed=5
            )
            start_s = at * (SECONDS + 3.0)
            writer.event(Event(start_s - 0.01, EventKind.SET_POINT, f"set speed {speed:g}", "rack"))
            writer.append("rack", _block(rows, mapping, start_s))
            truths.append(truth)
        writer.event(Event(100.0, EventKind.NOTE, "<i>tea</i>"))
        for event in extra:
            writer.event(event)
        writer.flush()
        if closed:
            writer.close()
    return truths


def _block(rows: Rows, mapping: ChannelMap, start_s: float) -> Block:
    time_s = start_s + np.arange(len(rows)) / RATE_HZ
    counter = np.arange(len(rows), dtype=np.int64) + round(start_s * RATE_HZ)
    return Block(time_s, time_s, time_s, counter, mapping.calibrate(rows.values), mapping.raw(rows.values))


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Truth]]:
    path = tmp_path_factory.mktemp("runs") / "propeller.h5"
    return path, write_run(path)


def test_results_of_the_file_hold_the_simulated_truth(run: tuple[Path, list[Truth]]) -> None:
    path, truths = run
    (report,) = gather([path])
    assert report.label == "A"
    assert report.file_name == "propeller.h5"
    assert report.is_closed
    assert len(report.content_sha256) == 64
    assert len(report.result.thrust) == len(SPEEDS_RPM)
    # 99.99 % of intervals four standard uncertainties wide on each side hold the truth
    for found, truth in zip(report.result.thrust, truths, strict=True):
        assert found.ct.value == pytest.approx(truth.ct, abs=4.0 * found.ct.u)
        assert found.cp.value == pytest.approx(truth.cp, abs=4.0 * found.cp.u)
    for balance, truth in zip(report.result.balances, truths, strict=True):
        eta = balance.drive_efficiency
        assert eta.value == pytest.approx(truth.drive_efficiency, abs=4.0 * eta.u)


def test_page_is_written_whole_and_the_same_each_time(run: tuple[Path, list[Truth]], tmp_path: Path) -> None:
    path, _ = run
    said: list[str] = []
    first = write_report([path], tmp_path / "one.html", progress=said.append)
    again = write_report([path], tmp_path / "two.html")
    page = (tmp_path / "one.html").read_bytes()
    assert page == (tmp_path / "two.html").read_bytes()
    assert json_text(first) == json_text(again)
    assert said == ["propeller.h5", "drawing"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one.html", "two.html"]
    text = page.decode()
    assert "&lt;i&gt;tea&lt;/i&gt;" in text
    assert str(path.parent) not in text
    assert first.runs[0].content_sha256 in text


def test_sources_of_a_run_are_digested(run: tuple[Path, list[Truth]]) -> None:
    (report,) = gather([run[0]])
    (source,) = report.sources
    assert (source.name, source.rows) == ("rack", round(len(SPEEDS_RPM) * SECONDS * RATE_HZ))
    assert source.duration_s == pytest.approx(2 * 15.0 + 12.0 - 1 / RATE_HZ)


def test_open_run_is_flagged_and_has_no_hash(tmp_path: Path) -> None:
    write_run(tmp_path / "open.h5", closed=False)
    model = write_report([tmp_path / "open.h5"], tmp_path / "open.html")
    data = json.loads(json_text(model))
    flags = [t for s in data["sections"] if s["id"] == "data-quality" for t in s["tables"] if t["id"] == "flags"]
    assert "not_closed" in {row["code"] for row in flags[0]["rows"]}
    assert model.runs[0].content_sha256 == ""


@pytest.mark.parametrize(
    ("names", "out", "match"),
    [
        ((), "out.html", "at least one run"),
        (("a.h5", "a.h5"), "out.html", "given twice"),
        (("a.h5",), "a.h5", "replace a run"),
        (("a.h5",), "nowhere/out.html", "folder of the report does not exist"),
    ],
)
def test_calls_that_cannot_be_carried_out(names: Sequence[str], out: str, match: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=match):
        write_report([tmp_path / name for name in names], tmp_path / out)
    assert list(tmp_path.iterdir()) == []


def test_labels_go_on_after_z() -> None:
    assert [run_label(i) for i in (0, 1, 25, 26, 27, 51, 52, 701, 702)] == [
        "A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip
