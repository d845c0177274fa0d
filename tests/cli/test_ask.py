"""Requests from a terminal through real processes: checklist, shelving, an unanswered stop, acknowledgement."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchkit.cli.asking import find_live_file
from benchkit.cli.demo import recording, wait_for
from benchkit.cli.main import main
from benchkit.errors import UsageError
from benchkit.model.alarms import Life
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.profiles import shared_path, stand_from_json
from benchkit.report.trips import digest_trips, stretches, worst_reaction
from benchkit.runfile.reader import open_run

STAND = """
[profile]
base = "airboat.toml"

[stand]
name = "airboat_unanswered"

[stop_actions.ramp_down]
acknowledged_by = "ok nothing that this stand ever says"
timeout = { value = 200.0, unit = "ms" }
attempts = 2
escalate_to = "gates_off"

[stop_actions.gates_off]
source = "rack"
command = "stop gates"
acknowledged_by = "ok stop gates"
timeout = { value = 500.0, unit = "ms" }
stop_category = 0

[start_conditions.checklist]
guards = "Guards closed and bolted"
people = "Nobody in the cell"
"""


def of_kind(events: list[Event], kind: EventKind) -> list[Event]:
    return [event for event in events if event.kind is kind]


def test_a_terminal_asks_and_an_unanswered_stop_escalates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile = tmp_path / "unanswered.toml"
    profile.write_text(STAND, encoding="utf-8")
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    runs = tmp_path / "runs"

    def ask(*words: str) -> int:
        return main(["ask", str(runs), *words, "--who", "Ada"])

    with recording(str(profile), runs, 12) as (client, _, path):
        status = wait_for(client, lambda s: set(s.protection.missing) == {"checklist"}, 20.0)
        assert status.state is State.STANDBY
        assert "Nobody in the cell" in status.protection.missing["checklist"]
        assert ask("arm") == 6
        assert "checklist: Tick and sign: Guards closed and bolted; Nobody in the cell" in capsys.readouterr().err
        assert ask("sign_checklist", "ticked=guards") == 6
        assert "not every item is ticked" in capsys.readouterr().err
        assert ask("sign_checklist", "ticked=guards,people") == 0
        assert "checklist signed by Ada" in capsys.readouterr().out
        assert ask("shelve", "alarm=dc_link_low_voltage", "minutes=20", "reason=supply is being set") == 0
        assert ask("shelve", "alarm=winding_hot", "minutes=20", "reason=x") == 6
        assert "winding_hot is a trip, and a trip always acts" in capsys.readouterr().err
        status = wait_for(client, lambda s: bool(s.protection.alarms), 5.0)
        assert [(a.name, a.life, a.who) for a in status.protection.alarms] == [
            ("dc_link_low_voltage", Life.SHELVED, "Ada")
        ]
        assert ask("arm") == 0
        assert ask("start") == 0
        assert ask("set", "name=speed", "value=1500") == 0
        assert ask("stop") == 0
        status = wait_for(client, lambda s: s.state is State.TRIPPED and not s.protection.stops, 10.0)
        assert status.first_out is not None
        assert status.first_out.limits == ("orderly stop ramp_down not answered",)
        assert ask("acknowledge") == 0
        wait_for(client, lambda s: all(a.life is not Life.UNACKNOWLEDGED for a in s.protection.alarms), 5.0)
    with open_run(path) as run:
        events, streams = run.events(), (run.stream("rack"),)
        trips = digest_trips(stand_from_json(run.header.profile_json), streams, events, run.header.time_factor)
    (escalated,) = of_kind(events, EventKind.STOP_ESCALATED)
    assert escalated.data["to"] == "gates_off"
    (answered,) = of_kind(events, EventKind.STOP_ACKNOWLEDGED)
    assert (answered.data["action"], answered.data["command"]) == ("gates_off", "stop gates")
    assert [e.data["who"] for e in of_kind(events, EventKind.ACKNOWLEDGED)] == ["Ada"]
    assert [e.data["reason"] for e in of_kind(events, EventKind.SHELVED)] == ["supply is being set"]
    assert [e.data["who"] for e in of_kind(events, EventKind.CHECKLIST)] == ["Ada"]
    assert len(of_kind(events, EventKind.REFUSED)) == 3
    worst = worst_reaction(events)
    assert worst is not None
    assert worst.limit == "orderly stop ramp_down not answered"
    # the rows around the trip are those that arrived from 4 s before to 6 s after it
    (trip,) = trips
    ((source, first, last),) = trip.rows
    arrival_s = streams[0].arrival_s
    assert source == "rack"
    assert arrival_s[first] >= trip.time_s - 4.0
    assert first == 0 or arrival_s[first - 1] < trip.time_s - 4.0
    assert arrival_s[last] < trip.time_s + 6.0
    assert stretches(streams, 1e6) == ()


def test_one_recorder_must_be_meant(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"not one recorder in this folder \(got 'none'"):
        find_live_file(tmp_path)
    for name in ("a", "b"):
        (tmp_path / f"{name}.live.json").write_text("{}", encoding="utf-8")
    with pytest.raises(UsageError, match=r"a\.live\.json, b\.live\.json"):
        find_live_file(tmp_path)
    assert find_live_file(tmp_path / "a.h5") == tmp_path / "a.live.json"
    assert find_live_file(tmp_path / "b.live.json") == tmp_path / "b.live.json"


@pytest.mark.parametrize("word", ["alarm", "=x"])
def test_an_argument_is_a_key_and_a_value(word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ask", str(tmp_path), "acknowledge", word, "--who", "Ada"]) == 2
    assert "expected key=value" in capsys.readouterr().err
