"""The life of alarms: the table by enumeration, shelving, service, suppression, floods, and who is written down."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.alarms import AlarmRules, Life
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.protect.alarms import TABLE, AlarmBook, flags_of
from benchkit.protect.flood import Flood
from benchkit.protect.outcomes import Command, Happened
from benchkit.protect.protection import Protection

MS = 1_000_000
S = 1_000_000_000
# The rules as they were given, independent of the table: U unacknowledged, A acknowledged, and so on.
CALLING = ["normal", "unacknowledged", "acknowledged", "returned_unacknowledged"]
CALLING += ["latched_unacknowledged", "latched_acknowledged"]
WANTED = {
    ("normal", "ACTS", "unacknowledged"),
    ("unacknowledged", "ACKNOWLEDGE", "acknowledged"),
    ("unacknowledged", "LETS_GO", "returned_unacknowledged"),
    ("unacknowledged", "LETS_GO_LATCHED", "latched_unacknowledged"),
    ("acknowledged", "LETS_GO", "normal"),
    ("acknowledged", "LETS_GO_LATCHED", "latched_acknowledged"),
    ("returned_unacknowledged", "ACKNOWLEDGE", "normal"),
    ("returned_unacknowledged", "ACTS", "unacknowledged"),
    ("latched_unacknowledged", "ACKNOWLEDGE", "latched_acknowledged"),
    ("latched_unacknowledged", "RELEASE", "returned_unacknowledged"),
    ("latched_unacknowledged", "ACTS", "unacknowledged"),
    ("latched_acknowledged", "RELEASE", "normal"),
    ("latched_acknowledged", "ACTS", "unacknowledged"),
    *((life, "SHELVE", "shelved") for life in CALLING),
    *((life, "SUPPRESS", "suppressed_by_design") for life in CALLING),
    *((life, "TAKE_OUT", "out_of_service") for life in [*CALLING, "shelved", "suppressed_by_design"]),
    ("shelved", "UNSHELVE", "normal"),
    ("suppressed_by_design", "UNSUPPRESS", "normal"),
    ("out_of_service", "PUT_BACK", "normal"),
}


def test_the_table_holds_the_rules_and_nothing_else():
    assert {(a.value, t.value, b.value) for (a, t), b in TABLE.items()} == WANTED


@pytest.mark.parametrize(("life", "acts", "is_latching"), list(itertools.product(Life, [False, True], [False, True])))
def test_flags_never_contradict_each_other(life, acts, is_latching):
    """Exact: what is not acknowledged cannot be waiting to be confirmed, and is in view; a normal alarm is not."""
    flags = flags_of(life, acts, is_latching)
    if not flags.acked:
        assert flags.confirmed
        assert flags.retain
    if life is Life.NORMAL:
        assert not flags.retain


def test_every_life_can_become_normal_again_and_be_reached():
    reached = {Life.NORMAL}
    for _ in Life:
        reached |= {end for (start, _t), end in TABLE.items() if start in reached}
    assert reached == set(Life)
    back = {Life.NORMAL}
    for _ in Life:
        back |= {start for (start, _t), end in TABLE.items() if end in back}
    assert back == set(Life)


WARM = Limit("warm", "winding_temp", LimitKind.ABOVE, Severity.CAUTION, 120.0, deadband=5.0, latching=False)
STUCK = replace(WARM, name="stuck", latching=True)
HOT = replace(WARM, name="hot", severity=Severity.TRIP, set_point=140.0, latching=True, action="ramp_down")


@pytest.fixture
def book():
    rules = AlarmRules(1800.0, {"stuck": (State.STANDBY,)})
    return AlarmBook([WARM, STUCK, HOT], rules, State.READY, lambda name: {"value": 121.5, "set_point": 120.0})


def test_an_acknowledgement_names_alarm_value_limit_and_person(book):
    book.acts("warm", 1 * S)
    (event,) = book.acknowledge([], "Ada", 2 * S)
    assert (event.time_ns, event.kind, event.message) == (2 * S, EventKind.ACKNOWLEDGED, "warm: acknowledged by Ada")
    assert event.data == {
        "limit": "warm", "severity": "caution", "life": "acknowledged", "value": 121.5, "set_point": 120.0,
        "who": "Ada", "before": "unacknowledged",
    }  # fmt: skip
    assert (book["warm"].life, book["warm"].who, book["warm"].since_ns) == (Life.ACKNOWLEDGED, "Ada", 2 * S)


def test_acknowledging_is_all_or_none_and_needs_a_name(book):
    book.acts("warm", 1)
    with pytest.raises(RefusedError, match=r"no alarm of that name \(got 'wram'\)\. Did you mean 'warm'"):
        book.acknowledge(["warm", "wram"], "Ada", 2)
    with pytest.raises(RefusedError, match="ACKNOWLEDGE is refused: hot is normal"):
        book.acknowledge(["warm", "hot"], "Ada", 2)
    with pytest.raises(RefusedError, match="acknowledge: nobody is named"):
        book.acknowledge(["warm"], "", 2)
    assert book["warm"].life is Life.UNACKNOWLEDGED
    book.acknowledge(["warm"], "Ada", 2)
    with pytest.raises(RefusedError, match="no alarm is unacknowledged"):
        book.acknowledge([], "Ada", 3)


def test_shelving_ends_by_itself_and_calls_again_when_the_limit_still_acts(book):
    book.acts("warm", 0)
    (event,) = book.shelve("warm", "Ada", "probe is known bad", 600.0, 10 * S)
    assert event.message == "warm: shelved for 600 s by Ada: probe is known bad"
    assert (event.data["who"], event.data["reason"], event.data["duration_s"]) == ("Ada", "probe is known bad", 600.0)
    book.lets_go("warm", 20 * S)
    book.acts("warm", 30 * S)
    assert book["warm"].life is Life.SHELVED
    assert book.rate(30 * S) == 1  # the alarm while shelved is not counted
    assert book.tick(610 * S - 1) == []
    (event,) = book.tick(610 * S)
    assert (event.kind, event.message) == (EventKind.UNSHELVED, "warm: shelving by Ada has ended")
    assert book["warm"].life is Life.UNACKNOWLEDGED


def test_shelving_of_a_limit_that_let_go_ends_in_normal_and_of_a_latched_one_in_latched(book):
    book.acts("warm", 0)
    book.shelve("warm", "Ada", "x", 60.0, 1)
    book.lets_go("warm", 2)
    book.unshelve("warm", "Bo", 3)
    assert book["warm"].life is Life.NORMAL
    book.acts("stuck", 4)
    book.shelve("stuck", "Ada", "x", 60.0, 5)
    book.lets_go("stuck", 6)
    book.unshelve("stuck", "Bo", 7)
    assert book["stuck"].life is Life.LATCHED_UNACKNOWLEDGED


def test_trips_are_never_shelved_and_never_taken_out(book):
    for life_of in (lambda: None, lambda: book.acts("hot", 1)):
        life_of()
        with pytest.raises(RefusedError, match="SHELVE is refused: hot is a trip, and a trip always acts"):
            book.shelve("hot", "Ada", "x", 60.0, 2)
        with pytest.raises(RefusedError, match="TAKE_OUT is refused: hot is a trip"):
            book.take_out("hot", "Ada", "x", 2)


@pytest.mark.parametrize("duration_s", [0.0, -1.0, 1800.5, float("nan"), float("inf")])
def test_shelving_is_not_longer_than_the_profile_allows(book, duration_s):
    with pytest.raises(RefusedError, match=r"not a time that the profile allows .*at most 1800 s"):
        book.shelve("warm", "Ada", "x", duration_s, 0)
    assert book["warm"].life is Life.NORMAL


def test_shelving_needs_a_name_a_reason_and_a_profile_that_allows_it(book):
    with pytest.raises(RefusedError, match="nobody is named"):
        book.shelve("warm", "", "x", 60.0, 0)
    with pytest.raises(RefusedError, match="SHELVE is refused: no reason given"):
        book.shelve("warm", "Ada", "", 60.0, 0)
    with pytest.raises(RefusedError, match="allows no shelving"):
        AlarmBook([WARM], AlarmRules(), State.READY).shelve("warm", "Ada", "x", 60.0, 0)
    book.shelve("warm", "Ada", "x", 1800.0, 0)
    with pytest.raises(RefusedError, match="SHELVE is refused: warm is shelved"):
        book.shelve("warm", "Ada", "x", 60.0, 0)


def test_out_of_service_lasts_until_a_person_puts_it_back(book):
    book.shelve("warm", "Ada", "x", 60.0, 0)
    (event,) = book.take_out("warm", "Bo", "sensor is at the workshop", 1 * S)
    assert event.message == "warm: taken out of service by Bo: sensor is at the workshop"
    book.acts("warm", 2 * S)
    assert book.tick(10_000 * S) == []
    assert book["warm"].life is Life.OUT_OF_SERVICE
    with pytest.raises(RefusedError, match="UNSHELVE is refused: warm is out of service"):
        book.unshelve("warm", "Bo", 3 * S)
    (event,) = book.put_back("warm", "Bo", 10_001 * S)
    assert (event.message, event.data["life"]) == ("warm: back in service by Bo", "unacknowledged")


def test_suppression_by_design_follows_the_interlock(book):
    book.acts("stuck", 1)
    (event,) = book.follow_state(State.STANDBY, 2)
    assert (event.kind, event.message) == (EventKind.SUPPRESSED, "stuck: suppressed by design in STANDBY")
    assert book.follow_state(State.STANDBY, 3) == []
    (event,) = book.follow_state(State.READY, 4)
    assert (event.kind, event.data["life"]) == (EventKind.UNSUPPRESSED, "unacknowledged")
    # out of its shelving into suppression, without calling in between
    book.shelve("stuck", "Ada", "x", 60.0, 5)
    assert book.follow_state(State.STANDBY, 6) == []
    book.unshelve("stuck", "Ada", 7)
    assert book["stuck"].life is Life.SUPPRESSED


def test_a_reset_releases_what_nobody_has_seen_into_returned(book):
    book.acts("hot", 1)
    book.lets_go("hot", 2)
    book.release(3)
    assert book["hot"].life is Life.RETURNED
    book.acknowledge(["hot"], "Ada", 4)
    assert book["hot"].life is Life.NORMAL


def test_release_of_cautions_leaves_trips(book):
    for name in ("hot", "stuck"):
        book.acts(name, 1)
        book.lets_go(name, 2)
    book.release(3, Severity.CAUTION)
    assert (book["hot"].life, book["stuck"].life) == (Life.LATCHED_UNACKNOWLEDGED, Life.RETURNED)


# ---------------------------------------------------------------------- floods


def test_a_flood_begins_with_the_tenth_alarm_and_ends_below_five():
    """Exact: alarms at 0, 60, … 540 s, ten within 10 min. The sixth (300 s) is 10 min old at 900 s: four are left."""
    flood = Flood()
    assert [flood.add(60 * k * S) for k in range(10)] == [False] * 9 + [True]
    assert flood.rate(540 * S) == 10
    assert flood.ends_ns() == 900 * S
    assert not flood.end(900 * S - 1)
    assert flood.rate(900 * S - 1) == 5
    assert flood.end(900 * S)
    assert (flood.rate(900 * S), flood.is_on) == (4, False)


def test_ten_alarms_in_ten_minutes_to_the_nanosecond_are_no_flood():
    """Exact: the first is 10 min old when the tenth comes, and counts no longer."""
    flood = Flood()
    flood.add(0)
    assert not any(flood.add(600 * S) for _ in range(9))
    assert flood.rate(600 * S) == 9


def test_a_flood_that_goes_on_ends_later():
    flood = Flood()
    for k in range(10):
        flood.add(k * S)
    assert flood.ends_ns() == 605 * S
    flood.add(500 * S)
    assert flood.ends_ns() == 606 * S


def test_a_flood_is_told_in_the_run(book):
    told = []
    for k in range(12):
        told += book.acts("warm", 2 * k * S)
        book.lets_go("warm", (2 * k + 1) * S)
    assert [(e.kind, e.time_ns, e.message) for e in told] == [
        (EventKind.FLOOD, 18 * S, "alarm flood: 10 alarms in 10 minutes")
    ]
    assert book.is_flood
    # alarms at 0 … 22 s: the last but four, at 14 s, is 10 min old at 614 s
    assert book.tick(614 * S - 1) == []
    (over,) = book.tick(614 * S)
    assert (over.kind, over.data["alarms"]) == (EventKind.FLOOD_OVER, 4)


# ---------------------------------------------------------------------- through the whole of protection


def feed(subject, ms, temp=20.0, speed=100.0):
    return subject.feed("rack", np.array([ms * MS]), np.array([[temp, speed]]), ms * MS)


def test_a_shelved_caution_is_still_an_event_and_says_so(stand):
    subject = Protection(replace(stand, alarm_rules=AlarmRules(600.0)), 0)
    feed(subject, 1)
    subject.alarms.shelve("warm", "Ada", "known", 60.0, 2 * MS)
    outcomes = [o for o in feed(subject, 3, temp=121.0) if isinstance(o, Happened)]
    (caution,) = (o for o in outcomes if o.kind is EventKind.CAUTION)
    assert caution.message == "warm: winding_temp 121 °C above 120 °C (caution), shelved"
    assert caution.data["life"] == "shelved"
    # a trip on the same channel is not touched by it
    assert [o.text for o in feed(subject, 4, temp=141.0) if isinstance(o, Command)] == ["stop ramp"]


def test_an_acknowledged_trip_still_stands_and_still_refuses_reset(stand):
    subject = Protection(stand, 0)
    feed(subject, 1, temp=141.0)
    (event,) = subject.alarms.acknowledge(["hot"], "Ada", 2 * MS)
    assert (event.data["value"], event.data["set_point"], event.data["unit"]) == (141.0, 140.0, "°C")
    subject.reply("rack", "ok stop ramp", 3 * MS)
    with pytest.raises(RefusedError, match="RESET is refused in TRIPPED: hot still stands"):
        subject.request(Trigger.RESET, 4 * MS, "Ada")
    feed(subject, 5)
    assert subject.alarms["hot"].life is Life.LATCHED_ACKNOWLEDGED
    subject.request(Trigger.RESET, 6 * MS, "Ada")
    assert subject.alarms["hot"].life is Life.NORMAL


def test_a_trip_from_outside_is_an_alarm(stand):
    subject = Protection(stand, 0)
    subject.external_trip("smoke", 1 * MS, stands=True)
    assert (subject.alarms["smoke"].life, subject.alarms["smoke"].acts) == (Life.UNACKNOWLEDGED, True)
    subject.external_cleared("smoke", 2 * MS)
    assert subject.alarms["smoke"].life is Life.LATCHED_UNACKNOWLEDGED
    subject.external_trip("door", 3 * MS)
    assert subject.alarms["door"].life is Life.LATCHED_UNACKNOWLEDGED
