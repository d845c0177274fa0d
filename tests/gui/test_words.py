"""Numbers, the state line, events, plots and controls, in words."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.model.alarms import Life
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.limits import Severity
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.protect.outcomes import StopStatus
from benchkit.session.messages import FirstOutStatus, SourceStatus, Status
from benchkit.session.protection_status import AlarmStatus, ProtectionStatus
from benchkit.units import Quantity
from gui.state import wording
from gui.state.browse import panned, zoomed
from gui.state.controls import CONTROLS, UNLINKED_TEXT, answer_text, is_offered, not_offered_text
from gui.state.events import FIRST_OUT, KEPT, UNRESOLVED, EventLog, flags
from gui.state.facts import facts_html
from gui.state.headline import SILENT_AFTER_S, Link, Shown, absent_headline, link_word, live_headline, recorded_headline
from gui.state.theme import Tone
from gui.state.trends import (
    axis_range,
    axis_ticks,
    band_edges,
    banded,
    limit_label,
    live_view,
    pages,
    time_ticks,
    trend_groups,
    window_step,
)

HEADER = RunHeader("run-7", "2026-03-04T09:30:00+00:00", "0", "pc", "airboat", "{}", simulated=True)
GOOD = SourceStatus(0.02, 100, 0, 0, lost=False, stale=False)


def make_status(**changes: object) -> Status:
    base = Status(
        3.0, State.RUNNING, {"rack": True}, True, "/runs/run-7.h5", 41_200_000_000, 11520.0,
        "big motor", "3", {"rack": GOOD}, limit_hash="0123456789ab",
    )  # fmt: skip
    return replace(base, **changes)


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (2399.6, Quantity.SPEED, "2400"),
        (-12.04, Quantity.CURRENT, "−12.0"),
        (-0.01, Quantity.CURRENT, "0.0"),
        (math.nan, Quantity.TORQUE, "–"),
    ],
)
def test_numbers(value: float, quantity: Quantity, text: str) -> None:
    assert wording.number(value, quantity) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (42.0, "42 s"),
        (120.0, "2 min"),
        (200.0, "3 min 20 s"),
        (18720.0, "5 h 12 min"),
        (3e5, "3 days"),
        (math.inf, "–"),
    ],
)
def test_spans(seconds: float, text: str) -> None:
    assert wording.span(seconds) == text


def test_other_words() -> None:
    assert wording.clock_tenths(192.44) == "0:03:12.4"
    assert wording.size(41_200_000_000) == "41.2 GB"
    assert wording.watts(-12_410.0) == "−12.41 kW"
    assert wording.percent(0.9642, 0.0011) == "96.4 ± 0.2 %"
    assert wording.percent(0.9, 0.06) == "not resolved"
    assert wording.percent(math.nan, math.nan) == "–"


def test_short_labels_leave_the_quantity_out(stand: Stand) -> None:
    assert wording.short_label(stand.channels["winding_temp"]) == "Winding"
    assert wording.short_label(stand.channels["phase_u_current"]) == "Phase U, RMS"
    assert wording.short_label(stand.channels["thrust"]) == "Thrust"


def test_link_words() -> None:
    lost = replace(GOOD, lost=True)
    assert link_word(SILENT_AFTER_S - 0.01, {"rack": GOOD}) is Link.LIVE
    assert link_word(0.2, {"rack": GOOD, "cam": lost}) is Link.STALE
    assert link_word(SILENT_AFTER_S, {"rack": GOOD}) is Link.NO_RECORDER
    assert link_word(math.nan, {}) is Link.NO_RECORDER


def test_live_state_line(stand: Stand) -> None:
    line = live_headline(make_status(), stand, HEADER, silence_s=0.1, run_time_s=192.0)
    assert (line.state, line.link) == ("RUNNING", Link.LIVE)
    texts = {item.label: item.text for item in line.items}
    assert texts["Recording"] == "run-7.h5"
    assert texts["Disk left"] == "41.2 GB, 3 h 12 min"
    assert texts["Source rack"] == "0.0 s old"
    assert texts["Limits"] == "big motor, rev. 3"
    assert texts["Limits hash"] == "0123456789ab"
    assert texts["Run time"] == "0:03:12"
    assert texts["Data"] == "SIMULATED"


def test_state_line_of_a_trip_names_the_first_out(stand: Stand) -> None:
    tripped = make_status(state=State.TRIPPED, first_out=FirstOutStatus(("winding_hot",), True, 2.0))
    line = live_headline(tripped, stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert line.state_tone is Tone.DANGER
    assert line.state_note == "first-out: winding_hot"
    both = FirstOutStatus(("winding_hot", "magnet_hot"), False, 2.0)
    line = live_headline(replace(tripped, first_out=both), stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert line.state_note == "first-out: winding_hot, magnet_hot (order not resolved)"


def test_state_line_of_a_silent_recorder_looks_old_and_says_so(stand: Stand) -> None:
    line = live_headline(make_status(), stand, HEADER, silence_s=2.3, run_time_s=0.0)
    assert line.link is Link.NO_RECORDER
    assert line.link_note == "stale 2.3 s"
    assert line.state_tone is Tone.STALE
    texts = {item.label: item.text for item in line.items}
    assert texts["Source rack"] == "stale 2.3 s"
    assert texts["Recording"] == "unknown"


def test_state_line_warns_of_what_is_wrong(stand: Stand) -> None:
    bad = make_status(
        recording=False,
        disk_left_s=600.0,
        state=State.STANDBY,
        permissives={"rack": False, "disk": True},
        sources={
            "rack": replace(GOOD, age_s=1.25, stale=True),
            "cam": replace(GOOD, lost=True),
            "new": replace(GOOD, age_s=None),
            "tank": replace(GOOD, sensor_faults={"flow": "under range, 3.70 mA"}),
        },
    )
    line = live_headline(bad, stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert line.link is Link.STALE
    assert line.link_note == "rack stale, cam lost"
    assert line.state_note == "waits for: rack"
    texts = {item.label: (item.text, item.tone) for item in line.items}
    assert texts["Recording"] == ("NOT RECORDING", Tone.CAUTION)
    assert texts["Disk LOW"][1] is Tone.CAUTION
    assert texts["Source cam"] == ("LOST", Tone.CAUTION)
    assert texts["Source new"][0] == "no sample yet"
    assert texts["Source tank"] == ("0.0 s old, SENSOR flow", Tone.CAUTION)


def test_state_line_of_a_recorded_run(stand: Stand) -> None:
    line = recorded_headline(stand, HEADER, Shown("RUNNING", 61.0, 200.0, True, "ab" * 32))
    assert line.link is Link.RECORDED
    assert line.state_note == "at the cursor, 0:01:01.0"
    texts = {item.label: item.text for item in line.items}
    assert texts["Length"] == "3 min 20 s"
    assert texts["Closed in order"].startswith("SHA-256 ab")
    line = recorded_headline(stand, HEADER, Shown("", 0.0, 1.0, False, ""))
    assert ("Closed", "NOT CLOSED", Tone.CAUTION) in [(i.label, i.text, i.tone) for i in line.items]


def test_state_line_before_any_recorder() -> None:
    line = absent_headline("runs", 4.0)
    assert line.link is Link.NO_RECORDER
    assert line.state_tone is Tone.STALE


def trip(time_s: float, *, first: bool, resolved: bool = True) -> Event:
    return Event(time_s, EventKind.TRIP, "t", data={"first_out": first, "order_resolved": resolved})


def test_first_out_is_marked_as_the_recorder_says() -> None:
    log = EventLog()
    for event in (
        trip(1.0, first=True),
        trip(1.2, first=False),
        Event(2.0, EventKind.RESET, ""),
        trip(3.0, first=True),
    ):
        log.add(event)
    assert [x.mark for x in log.lines] == [FIRST_OUT, "", "", FIRST_OUT]


def test_an_order_that_turns_out_not_resolved_puts_the_earlier_mark_right() -> None:
    log = EventLog()
    for event in (
        trip(1.0, first=True),
        Event(2.0, EventKind.RESET, ""),
        trip(3.0, first=True),
        trip(3.0, first=True, resolved=False),
    ):
        log.add(event)
    assert [x.mark for x in log.lines] == [FIRST_OUT, "", UNRESOLVED, UNRESOLVED]


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_of_event_has_its_words(kind: EventKind) -> None:
    assert EventLog().add(Event(1.0, kind, "")).words


def test_event_log_is_bounded_and_counts_on() -> None:
    log = EventLog()
    for i in range(KEPT + 5):
        log.add(Event(float(i), EventKind.NOTE, ""))
    assert len(log.lines) == KEPT
    assert log.lines[-1].number == KEPT + 5


def test_state_at_a_time_comes_from_the_log() -> None:
    log = EventLog()
    log.add(Event(1.0, EventKind.STATE, "", data={"to": "ARMED"}))
    log.add(Event(2.0, EventKind.STATE, "", data={"to": "RUNNING"}), time_s=20.0)
    assert [log.state_at(t) for t in (0.5, 1.0, 19.0, 20.0)] == ["", "ARMED", "ARMED", "RUNNING"]


def test_flags_prefer_the_weightier_events() -> None:
    log = EventLog()
    for i in range(20):
        log.add(Event(float(i), EventKind.GAP, ""))
    log.add(trip(5.5, first=True))
    log.add(Event(6.0, EventKind.REPLY, ""))
    got = flags(list(log.lines), 0.0, 30.0, 3)
    assert [f.time_s for f in got] == [5.5, 18.0, 19.0]
    assert got[0].tone is Tone.DANGER


def test_every_channel_is_in_one_plot_and_limited_plots_come_first(stand: Stand) -> None:
    groups = trend_groups(stand)
    names = [t.channel.name for g in groups for t in g.traces]
    assert sorted(names) == sorted(stand.channels)
    has_limits = [bool(g.limits) for g in groups]
    assert has_limits == sorted(has_limits, reverse=True)
    assert all(len({t.channel.unit for t in g.traces}) == 1 for g in groups)
    assert sum(len(p) for p in pages(groups)) == len(groups)


def test_axis_holds_the_trace_the_limits_and_rest(stand: Stand) -> None:
    speed = next(g for g in trend_groups(stand) if g.title == "Speed")
    low, high = axis_range(2390.0, 2410.0, speed)
    assert low == 0.0
    assert high >= 4300.0
    places = [at for at, _ in axis_ticks(low, high)]
    assert 3 <= len(places) <= 8
    assert low <= places[0]
    assert places[-1] <= high
    empty = axis_range(math.nan, math.nan, replace(speed, limits=()))
    assert empty[0] <= 0.0 < empty[1]


def test_bands_are_of_the_first_to_trip_and_end_at_the_trip(stand: Stand) -> None:
    temperature = next(g for g in trend_groups(stand) if g.title == "Temperature")
    drawn = banded(temperature.limits, ["shaft_speed", "winding_temp", "magnet_temp"])
    assert {x.name for x in drawn} == {"winding_hot", "winding_warm"}
    edges = {x.name: band_edges(x, 0.0, 200.0, temperature.limits) for x in drawn}
    assert edges == {"winding_hot": (140.0, 200.0), "winding_warm": (125.0, 140.0)}
    voltage = next(g for g in trend_groups(stand) if g.title == "Voltage")
    low = next(x for x in voltage.limits if x.name == "dc_link_low_voltage")
    assert band_edges(low, 300.0, 450.0, voltage.limits) == (300.0, 330.0)


def test_limit_labels_say_kind_side_and_where_needed_whose(stand: Stand) -> None:
    by_name = {x.name: x for x in stand.limit_set.limits}
    winding = stand.channels["winding_temp"]
    assert limit_label(by_name["winding_hot"], winding, many=True) == "Winding: trip > 140.0"
    assert limit_label(by_name["winding_warm"], winding, many=True) == "caution > 125.0"
    low = by_name["dc_link_low_voltage"]
    assert limit_label(low, stand.channels["dc_voltage"], many=False) == "caution < 330.0"


def test_time_axis_in_minutes_and_seconds() -> None:
    assert [t for _, t in time_ticks(12.0, 72.0, 260)] == ["0:20", "0:40", "1:00"]
    assert [t for _, t in time_ticks(3590.0, 3650.0, 130)] == ["1:00:00", "1:00:30"]
    assert [t for _, t in time_ticks(0.0, 0.4, 130)] == ["0.0", "0.2", "0.4"]


def test_live_view_fills_from_the_start_then_moves() -> None:
    assert live_view(5.0, 60.0, 300) == pytest.approx((0.0, 60.0, 5.0))
    assert live_view(75.0, 60.0, 300) == pytest.approx((15.0, 75.0, 75.0))
    # exact: a column is 0.2 s wide, so the view stands until the next column begins
    assert live_view(75.01, 60.0, 300) == live_view(75.19, 60.0, 300) == pytest.approx((15.2, 75.2, 75.2))
    assert window_step(60.0, 1) == 120.0
    assert window_step(10.0, -1) == 10.0


def test_browsing_stays_inside_the_run() -> None:
    assert zoomed(0.0, 100.0, 25.0, -1, (0.0, 100.0)) == (12.5, 62.5)
    assert zoomed(12.5, 62.5, 25.0, 1, (0.0, 100.0)) == (0.0, 100.0)
    assert zoomed(50.0, 100.0, 99.0, 1, (0.0, 100.0)) == (0.0, 100.0)
    cursor, start, end = panned(99.9, 10.0, 0.0, 100.0)
    assert (cursor, start, end) == pytest.approx((104.9, 4.9, 104.9))


def test_no_control_is_called_emergency_stop_and_stop_is_always_offered() -> None:
    for control in CONTROLS:
        assert "emergency" not in f"{control.text} {control.help}".lower()
    stop = next(c for c in CONTROLS if c.request == "stop")
    assert all(is_offered(stop, state, is_linked=True) for state in [*State, None])
    assert not is_offered(stop, State.RUNNING, is_linked=False)
    assert not_offered_text(stop).endswith(UNLINKED_TEXT)


def test_what_puts_energy_in_takes_more_than_one_key_and_the_right_state() -> None:
    for control in CONTROLS:
        if control.request in {"arm", "start", "reset"}:
            assert control.keys.count("+") == 2
    start = next(c for c in CONTROLS if c.request == "start")
    assert [s for s in State if is_offered(start, s, is_linked=True)] == [State.ARMED]


def test_answers_in_words() -> None:
    assert answer_text("arm", None) == "Arm: accepted"
    assert answer_text("reset", "cause stands") == "Reset trip: refused. cause stands"


def test_facts_escape_what_people_typed(stand: Stand) -> None:
    page = facts_html(stand, replace(HEADER, note="<b>x & y</b>"))
    assert "&lt;b&gt;x &amp; y&lt;/b&gt;" in page


def test_values_of_an_empty_group_are_not_numbers() -> None:
    from gui.state.trends import data_range

    low, high = data_range([np.array([math.nan, math.nan]), np.empty(0)])
    assert math.isnan(low)
    assert math.isnan(high)


def alarm(name: str, life: Life) -> AlarmStatus:
    return AlarmStatus(name, Severity.CAUTION, life, True, 1.0)


def test_state_line_names_alarms_that_nobody_has_acknowledged(stand: Stand) -> None:
    alarms = [alarm(f"a{i}", Life.UNACKNOWLEDGED) for i in range(5)]
    alarms += [alarm("b", Life.SHELVED), alarm("c", Life.ACKNOWLEDGED)]
    status = make_status(protection=ProtectionStatus(tuple(alarms), alarm_rate=12, is_flood=True))
    line = live_headline(status, stand, HEADER, silence_s=0.0, run_time_s=0.0)
    (item,) = (item for item in line.items if item.label == "Not acknowledged")
    assert item.text == "a0, a1, a2 and 2 more; FLOOD, 12 in 10 min; b shelved"
    assert item.tone is Tone.CAUTION
    quiet = live_headline(make_status(), stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert not {item.label for item in quiet.items} & {"Not acknowledged", "Alarms"}
    aside = make_status(protection=ProtectionStatus((alarm("b", Life.OUT_OF_SERVICE),)))
    line = live_headline(aside, stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert {i.label: (i.text, i.tone) for i in line.items}["Alarms"] == ("b out of service", Tone.PLAIN)
    silent = live_headline(status, stand, HEADER, silence_s=5.0, run_time_s=0.0)
    assert {i.label: i.tone for i in silent.items}["Not acknowledged"] is Tone.STALE


@pytest.mark.parametrize(
    ("stop", "text"),
    [
        (StopStatus("ramp_down", 1, 1, 2, "rack"), "stop ramp_down, attempt 2"),
        (StopStatus("shut", 2, 3, 0, "rack"), "stop shut, step 2 of 3, waits its delay"),
        (StopStatus("shut", 2, 3, 1, "rack", is_held=True), "stop shut, step 2 of 3, held back, link lost"),
        (
            StopStatus("gates_off", 1, 1, 1, "rack", escalated_from="ramp_down"),
            "ramp_down NOT ANSWERED: escalated to gates_off, attempt 1",
        ),
    ],
)
def test_state_line_says_how_a_stop_goes(stop: StopStatus, text: str, stand: Stand) -> None:
    status = make_status(
        state=State.TRIPPED,
        first_out=FirstOutStatus(("winding_hot",), True, 2.0),
        protection=ProtectionStatus(stops=(stop,)),
    )
    line = live_headline(status, stand, HEADER, silence_s=0.0, run_time_s=0.0)
    assert line.state_note == f"{text}; first-out: winding_hot"


def test_events_of_an_alarm_are_marked_when_somebody_acknowledges_it() -> None:
    log = EventLog()
    data = {"limit": "hot", "life": "unacknowledged", "first_out": True, "order_resolved": True}
    log.add(Event(1.0, EventKind.TRIP, "hot", data=data))
    log.add(Event(1.1, EventKind.CAUTION, "warm", data={"limit": "warm", "life": "shelved"}))
    log.add(Event(1.2, EventKind.CAUTION, "old log", data={"limit": "old"}))
    assert [(x.shown, x.tone) for x in log.lines] == [
        ("TRIP, unacknowledged", Tone.DANGER),
        ("CAUTION", Tone.PLAIN),
        ("CAUTION", Tone.CAUTION),
    ]
    log.add(Event(2.0, EventKind.ACKNOWLEDGED, "hot: acknowledged by Ada", data={"limit": "hot"}))
    assert (log.lines[0].shown, log.lines[0].mark) == ("TRIP, acknowledged", FIRST_OUT)


def test_every_kind_of_event_has_its_word() -> None:
    log = EventLog()
    for kind in EventKind:
        assert log.add(Event(0.0, kind, "x")).words
