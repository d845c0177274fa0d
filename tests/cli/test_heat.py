"""The running prediction of a heat run: of a closed run, of one that is being recorded, and what it refuses."""

from __future__ import annotations

import json
import time
from pathlib import Path
from threading import Thread

import numpy as np
import pytest

import benchkit.cli.heat as heat_module
from benchkit.cli.heat import SecondMeans
from benchkit.cli.main import main
from benchkit.ingest.csv_import import import_csv
from benchkit.model.sources import text_format_of
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.messages import LiveRows
from benchkit.session.process import live_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import HeatingTruth, heating_record, record_bytes

TRUTH = HeatingTruth(50.0, 95.0, 250.0, 40.0)
SECONDS, RATE_HZ = 1500.0, 0.25


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of a heating of the simulated stand."""
    folder = tmp_path_factory.mktemp("heat")
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    rows = heating_record(
        loaded.stand, Load.PROPELLER, 2000.0, 0.0, truth=TRUTH, seconds=SECONDS, rate_hz=RATE_HZ, seed=3
    )
    text = folder / "lines.csv"
    text.write_bytes(record_bytes(loaded.stand, rows, seed=3))
    spec = text_format_of(loaded.stand.sources["rack"])
    import_csv(text, loaded, "rack", folder / "run.h5", text_format=spec, has_header=False)
    return folder / "run.h5"


def beside(path: Path, *words: str) -> list[dict[str, object]]:
    """What ``heat`` says that is attached to the stream of a recording: the messages of a recorder, sent from a run."""
    with open_run(path) as run:
        stream, profile = run.stream("rack"), run.header.profile_json
    desk, said = Desk(), []
    live = {"publish": desk.publish_address, "request": desk.request_address, "run_path": str(path), "pid": 1}
    announced = live_path(path)
    announced.write_text(json.dumps(live), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(heat_module, "SILENT_S", 1.0)
        patch.setattr(heat_module, "print", lambda text, **_: said.append(text), raising=False)
        thread = Thread(target=main, args=(["heat", str(announced), *words, "--json"],))
        thread.start()
        deadline = time.monotonic() + 60.0
        while (asked := desk.next_request()) is None and time.monotonic() < deadline:
            time.sleep(0.01)
        assert asked is not None
        assert asked["do"] == "describe"
        desk.answer({"ok": True, "profile_json": profile})
        time.sleep(0.2)  # a subscriber that has just come may still miss what is sent
        for rows in np.array_split(np.arange(stream.time_s.size), 50):
            at = stream.time_s[rows]
            desk.publish(LiveRows("other", stream.channels, at, at, stream.values[rows]))
            desk.publish(LiveRows("rack", stream.channels, at, at, stream.values[rows]))
        thread.join(60.0)
        assert not thread.is_alive()
    desk.close()
    announced.unlink()
    return [json.loads(text) for text in said]


def test_beside_a_recorder_and_of_its_run(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = beside(path, "--every", "600", "--held")
    assert len(said) >= 2
    first, last = said[0], said[-1]
    assert first["final_c"] is None  # ten minutes tell no end
    assert "no end is told from less than 15 min" in str(first["reason"])
    ends = last["interval95_c"]
    assert isinstance(ends, list)
    low, high = map(float, ends)
    # the record has the calibration errors of its sensors: the accuracy of the winding is in the interval
    assert low <= TRUTH.final_c <= high
    assert high - low < 20.0
    assert (last["load"], last["steady"], last["furthest"]) == ("a held load", "not steady", "winding_temp")
    # the closed run tells the same
    assert main(["heat", str(path), "--held", "--every", "1400", "--steady", "winding_temp,magnet_temp"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2
    assert "95 % interval" in lines[-1]
    assert lines[-1].endswith("winding_temp, magnet_temp: not steady (winding_temp)")
    assert f"{last['final_c']:.1f} °C, 95 %" in lines[-1]
    assert main(["heat", str(path), "--from", "900"]) == 0
    assert "no end is told" in capsys.readouterr().out


def test_what_is_refused(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["heat", str(path), "--channel", "wnding"]) == 2
    assert "no channel of that name" in capsys.readouterr().err
    assert main(["heat", str(path), "--steady", "gearbox"]) == 2
    assert "not channels of this stream" in capsys.readouterr().err
    assert main(["heat", str(path), "--every", "0"]) == 2
    assert "must be above zero" in capsys.readouterr().err
    # one load from a settled machine has no loss law in it
    assert main(["heat", str(path), "--profile-section", "winding"]) == 2
    assert "this run gives no network with a loss law" in capsys.readouterr().err
    assert main(["heat", str(path.parent), "--profile-section", "winding"]) == 2
    assert "fitted to a closed run" in capsys.readouterr().err


def test_means_of_seconds_however_they_are_cut() -> None:
    rng = np.random.default_rng(1)
    t = np.sort(rng.uniform(0.0, 20.0, 500))
    y = rng.standard_normal((500, 2))
    y[::7, 1] = np.nan
    whole, cut = SecondMeans(), SecondMeans()
    whole.add(t, y)
    for rows in np.array_split(np.arange(500), 37):
        cut.add(t[rows], y[rows])
    assert np.array_equal(whole.time_s, cut.time_s)
    assert np.array_equal(np.stack(whole.means), np.stack(cut.means))
    inside = (t >= 4.0) & (t < 5.0)
    assert whole.means[4] == pytest.approx(np.nanmean(y[inside], axis=0))
