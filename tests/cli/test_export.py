"""``benchkit export`` as a user calls it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from benchkit.cli.main import main
from benchkit.runfile.reader import open_run

RUN = Path(__file__).resolve().parents[2] / "sample_runs" / "small_motor" / "run.h5"


def test_it_says_what_it_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    choice = ["--channels", "shaft_speed,shaft_torque", "--channels", "dc_current", "--from", "100", "--until", "200"]
    assert main(["export", str(RUN), "--to", "csv", "--out", str(tmp_path), *choice]) == 0
    first, *files = capsys.readouterr().out.splitlines()
    assert first.startswith(f"made {tmp_path / 'run_csv'}: rack ")
    assert files == ["  run.rack.csv", "  run_about.json", "  run_events.csv"]
    table = np.genfromtxt(tmp_path / "run_csv" / "run.rack.csv", delimiter=",", skip_header=2)
    with open_run(RUN) as run:
        stream = run.stream("rack")
    rows = (stream.time_s >= 100.0) & (stream.time_s < 200.0)
    np.testing.assert_array_equal(table[:, 0], stream.time_s[rows])
    for place, name in ((4, "dc_current"), (5, "shaft_speed"), (6, "shaft_torque")):
        np.testing.assert_array_equal(table[:, place], stream.column(name)[rows])


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(RUN), "--to", "mat", "--out", str(tmp_path), "--source", "rack", "--json"]) == 0
    done = json.loads(capsys.readouterr().out)
    assert done["rows"] == {"rack": 4728}
    assert sorted(map(Path, done["files"])) == sorted((tmp_path / "run_mat").iterdir())


def test_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["export", str(RUN), "--to", "xls"])
    assert "invalid choice" in capsys.readouterr().err
    assert main(["export", str(RUN), "--to", "csv", "--out", str(tmp_path), "--channels", "shaft_sped"]) == 2
    assert "Did you mean 'shaft_speed'?" in capsys.readouterr().err
    assert main(["export", str(tmp_path / "nothing.h5"), "--to", "csv"]) == 4
    assert "no such run file" in capsys.readouterr().err
