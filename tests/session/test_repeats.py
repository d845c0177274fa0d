"""What repeats is told up to a number a second, and how it ended with the count of the rest."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from pathlib import Path

from benchkit.model.events import Event, EventKind
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.session.repeats import MOST_A_SECOND, Repeats
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource


def trip(time_s: float, limit: str = "hot", kind: EventKind = EventKind.TRIP) -> Event:
    return Event(time_s, kind, f"{limit} at {time_s:g} s", "rack", data={"limit": limit})


def test_the_first_ones_of_a_second_are_told_and_the_last_one_with_the_count() -> None:
    repeats = Repeats()
    told = list(chain.from_iterable(repeats.take(trip(5.0 + 0.001 * i)) for i in range(300)))
    assert [e.time_s for e in told] == [5.0 + 0.001 * i for i in range(MOST_A_SECOND)]
    assert repeats.over(5.9) == []
    (last,) = repeats.over(6.0)
    assert last.time_s == 5.299
    # exact: 300 happened, 20 were told and so is the last one: 279 were not
    assert last.data == {"limit": "hot", "untold": 279}
    assert last.message == "hot at 5.299 s (279 more in this second)"
    assert repeats.over(7.0) == repeats.rest() == []


def test_a_new_second_tells_what_the_last_one_left_first() -> None:
    repeats = Repeats()
    for i in range(MOST_A_SECOND + 1):
        list(repeats.take(trip(5.0 + 0.001 * i)))
    assert [e.time_s for e in repeats.take(trip(6.5))] == [5.02, 6.5]


def test_each_limit_and_each_kind_has_its_own_count() -> None:
    repeats = Repeats()
    for i in range(100):
        list(repeats.take(trip(5.0 + 0.001 * i)))
    other, cleared = trip(5.2, "fast"), trip(5.2, kind=EventKind.TRIP_CLEARED)
    assert list(repeats.take(other)) == [other]
    assert list(repeats.take(cleared)) == [cleared]


def test_what_people_do_is_always_told_and_a_reset_ends_what_was_before() -> None:
    repeats = Repeats()
    marks = [Event(5.0, EventKind.MARK, "here") for _ in range(100)]
    assert list(chain.from_iterable(map(repeats.take, marks))) == marks
    for i in range(100):
        list(repeats.take(trip(5.0 + 0.001 * i)))
    reset, again = Event(5.2, EventKind.RESET, "reset"), trip(5.3)
    assert [e.time_s for e in repeats.take(reset)] == [5.099, 5.2]
    assert list(repeats.take(again)) == [again]


def test_the_slowest_reaction_is_not_lost() -> None:
    repeats = Repeats()
    for i in range(200):
        record = {"limit": "hot", "sample_to_written_s": 0.5 if i == 90 else 0.001, "sample_to_acknowledged_s": 0.002}
        record |= {"sample_to_acknowledged_s": 0.7} if i == 120 else {}
        data = {"action": "ramp_down", "reactions": [record]}
        list(repeats.take(Event(5.0 + 0.001 * i, EventKind.STOP_ACKNOWLEDGED, "answered", "rack", data=data)))
    (last,) = repeats.rest()
    reactions = last.data["reactions"]
    assert isinstance(reactions, list)
    assert [r["sample_to_written_s"] for r in reactions] == [0.5, 0.001]  # type: ignore[index,call-overload]
    assert [r["sample_to_acknowledged_s"] for r in reactions] == [0.002, 0.7]  # type: ignore[index,call-overload]


def test_a_chattering_trip_does_not_flood_the_run(tmp_path: Path) -> None:
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    over_speed = next(x for x in loaded.stand.limit_set.limits if x.name == "over_speed")
    # in the middle of the noise: it acts and lets go with every few rows
    narrow = replace(over_speed, set_point=2000.0, deadband=0.0, latching=False)
    stand = replace(loaded.stand, limit_set=replace(loaded.stand.limit_set, limits=(narrow,)))
    rows, _ = steady_record(stand, Load.PROPELLER, 2000.0, 0.0, seconds=3.0, rate_hz=500.0, seed=4)
    clock, desk = HostClock(), Desk()
    pieces = record_bytes(stand, rows, seed=4).splitlines(keepends=True)
    source = MemorySource(stand, pieces, clock)
    recorder = Recorder(stand, header_for(loaded), [source], tmp_path / "run.h5", clock, desk)
    summary = recorder.run()
    desk.close()
    with open_run(tmp_path / "run.h5") as run:
        events = run.events()
    trips = [e for e in events if e.kind is EventKind.TRIP]
    seconds = int(max(e.time_s for e in events)) + 1
    assert summary.trips > 5 * len(trips) / seconds > 0
    assert len(trips) <= seconds * (MOST_A_SECOND + 1)
    assert len(trips) + sum(int(e.data.get("untold", 0)) for e in trips) == summary.trips  # type: ignore[arg-type]
    assert trips[0].data["first_out"] is True
    # every one of them has commanded the stop
    assert source.sent.count("stop torque") >= summary.trips
    assert summary.rows["rack"] == len(rows)
