"""A recorded run as the source of another: the same numbers through other limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.cli.main import main
from benchkit.model.events import EventKind
from benchkit.profiles import stand_from_json
from benchkit.runfile.reader import open_run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs" / "small_motor" / "run.h5"


@pytest.fixture
def stricter(tmp_path: Path) -> Path:
    """Limits of one run that the sample run goes beyond."""
    path = tmp_path / "stricter.toml"
    path.write_text(
        '[limit_set]\nname = "stricter"\nrevision = "1"\n'
        '[limits.winding_hot]\nset_point = { value = 60.0, unit = "°C" }\n'
        '[limits.winding_warm]\nset_point = { value = 50.0, unit = "°C" }\n'
        '[limits.coolant_hot]\nset_point = { value = 45.0, unit = "°C" }\n',
        encoding="utf-8",
    )
    return path


def test_a_replay_gives_the_same_rows_and_other_limits_trip(stricter: Path, tmp_path: Path) -> None:
    assert (
        main(
            [
                "--debug",
                "record",
                "airboat_small",
                "--limits",
                str(stricter),
                "--replay",
                str(SAMPLE),
                "--speed",
                "20",
                "--out",
                str(tmp_path),
                "--quiet",
            ]
        )
        == 0
    )
    (made,) = tmp_path.glob("*.h5")
    with open_run(SAMPLE) as old, open_run(made) as new:
        before, after = old.stream("rack"), new.stream("rack")
        events = new.events()
        limit_set = stand_from_json(new.header.profile_json).limit_set
        assert limit_set.origin("winding_hot") == "motor: shared/limits/wren_12.toml; set_point from run: stricter.toml"
        assert new.header.note == f"replay of {old.header.run_id}"
    assert np.array_equal(after.values, before.values, equal_nan=True)
    assert np.array_equal(after.counter, before.counter)
    trips = [e for e in events if e.kind is EventKind.TRIP]
    assert trips[0].data["limit"] == "winding_hot"
    refused = [e for e in events if e.kind is EventKind.REFUSED]
    assert "a replay takes no commands" in refused[0].message
