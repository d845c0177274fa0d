"""Trips out of the log that protection itself writes: first-out, order, reaction times."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import Trigger
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.protect.outcomes import Command, Happened, Outcome
from benchkit.protect.protection import Protection
from benchkit.report.trips import digest_trips, stretches, worst_reaction

MS = 1_000_000
SAFE = {
    "dc_voltage": 400.0, "shaft_speed": 3000.0, "shaft_torque": 80.0, "winding_temp": 80.0, "magnet_temp": 60.0,
    "junction_temp": 70.0, "coolant_outlet_temp": 30.0, "coolant_flow": 8.0, "vibration": 1.0, "thrust": 500.0,
    "phase_u_current": 80.0,
}  # fmt: skip


class Bench:
    """Protection fed row by row at 1 kHz; its happenings become the events of a log."""

    def __init__(self, stand: Stand) -> None:
        self.names = tuple(c.name for c in stand.channels_of("rack"))
        self.protection = Protection(stand, 0, sample_interval_s={"rack": 1e-3})
        self.events: list[Event] = []
        self.now_ns = 0

    def take(self, outcomes: list[Outcome]) -> list[Command]:
        for happened in outcomes:
            if isinstance(happened, Happened):
                self.events.append(
                    Event(
                        happened.time_ns * 1e-9, happened.kind, happened.message, happened.source, happened.channel,
                        happened.data,
                    )
                )  # fmt: skip
        return [outcome for outcome in outcomes if isinstance(outcome, Command)]

    def row(self, late_ns: int = 0, **values: float) -> list[Command]:
        self.now_ns += MS
        table = np.array([[(SAFE | values).get(name, 1.0) for name in self.names]])
        decided_ns = self.now_ns + late_ns
        return self.take(self.protection.feed("rack", np.array([self.now_ns]), table, decided_ns))

    def run_up(self) -> None:
        self.row()
        for trigger in (Trigger.ARM, Trigger.START):
            self.take(self.protection.request(trigger, self.now_ns, "bench"))
        for _ in range(5):
            self.row()


@pytest.fixture
def bench(stand: Stand) -> Bench:
    bench = Bench(stand)
    bench.run_up()
    return bench


def _stream(bench: Bench, time_factor: float = 1.0) -> Stream:
    arrival_s = np.arange(0.0, 12.0, 0.01)
    values = np.tile([SAFE.get(name, 1.0) for name in bench.names], (arrival_s.size, 1))
    units = ("1",) * len(bench.names)
    counter = np.arange(arrival_s.size, dtype=np.int64)
    return Stream("rack", bench.names, units, arrival_s * time_factor, arrival_s, arrival_s, counter, values)


def test_one_cause_with_its_reaction_times(bench: Bench, stand: Stand) -> None:
    (command,) = bench.row(late_ns=300_000, winding_temp=140.6)
    sample_ns = bench.now_ns
    bench.take(bench.protection.written(command, sample_ns + 500_000))
    bench.take(bench.protection.reply("rack", "ok stop ramp", sample_ns + 7 * MS))

    (trip,) = digest_trips(stand, (_stream(bench),), bench.events)
    assert trip.limits == ("winding_hot",)
    assert trip.order_resolved is True
    assert trip.followed == ()
    assert (trip.value.value, trip.value.unit) == (140.6, "°C")
    assert (trip.set_point.value, trip.set_point.unit) == (140.0, "°C")
    # exact: the times handed in, counted from the arrival of the sample
    assert trip.decided_ms == pytest.approx(0.3)
    assert trip.written_ms == pytest.approx(0.5)
    assert trip.acknowledged_ms == pytest.approx(7.0)
    assert trip.command == "stop ramp"
    assert not trip.not_acknowledged
    assert trip.time_s == pytest.approx(sample_ns * 1e-9)
    assert [trace.channel for trace in trip.around] == ["winding_temp", "shaft_speed", "shaft_torque"]


def test_two_causes_in_one_sample_are_not_put_in_order(bench: Bench, stand: Stand) -> None:
    bench.row(winding_temp=141.0, junction_temp=151.0)
    bench.row(winding_temp=141.0, junction_temp=151.0, dc_voltage=450.0)
    (trip,) = digest_trips(stand, (), bench.events)
    assert set(trip.limits) == {"winding_hot", "junction_hot"}
    assert trip.order_resolved is False
    assert trip.followed == ("dc_link_over_voltage",)


def test_two_trips_with_a_reset_between_are_two(bench: Bench, stand: Stand) -> None:
    for _ in range(2):
        for command in bench.row(winding_temp=141.0):
            bench.take(bench.protection.written(command, bench.now_ns))
        bench.take(bench.protection.reply("rack", "ok stop ramp", bench.now_ns + MS))
        bench.row()
        bench.take(bench.protection.request(Trigger.RESET, bench.now_ns, "bench"))
    assert [trip.limits for trip in digest_trips(stand, (), bench.events)] == [("winding_hot",), ("winding_hot",)]


def test_unanswered_stop_is_said(bench: Bench, stand: Stand) -> None:
    (command,) = bench.row(winding_temp=141.0)
    bench.take(bench.protection.written(command, bench.now_ns))
    timeout_ms = round(1e3 * stand.stop_actions["ramp_down"].steps[0].timeout_s)
    for _ in range(timeout_ms + 1):  # rows go on, the answer does not come
        bench.row()
    bench.take(bench.protection.tick(bench.now_ns))
    (trip,) = digest_trips(stand, (), bench.events)
    assert trip.not_acknowledged
    assert trip.acknowledged_ms is None


def test_silence_trips_with_a_time_as_set_point(bench: Bench, stand: Stand) -> None:
    (set_point_s,) = (limit.set_point for limit in stand.limit_set.limits if limit.name == "speed_lost")
    bench.take(bench.protection.tick(bench.now_ns + round(2e3 * set_point_s) * MS))
    (trip,) = digest_trips(stand, (), bench.events)
    assert "speed_lost" in trip.limits + trip.followed
    assert math.isnan(trip.value.value)  # silence has no value
    stale = digest_trips(stand, (), [e for e in bench.events if e.data.get("limit") == "speed_lost"])[0]
    assert (stale.set_point.value, stale.set_point.unit) == (set_point_s, "s")


def test_trip_lies_on_the_axis_of_the_samples(bench: Bench, stand: Stand) -> None:
    bench.events.append(
        Event(4.0, EventKind.TRIP, "x", "rack", "winding_temp", {"limit": "winding_hot", "first_out": True})
    )
    (trip,) = digest_trips(stand, (_stream(bench, time_factor=50.0),), bench.events, time_factor=50.0)
    assert trip.sample_time_s == pytest.approx(200.0)
    begin, end = trip.around[0].time_s[0], trip.around[0].time_s[-1]
    assert (begin, end) == (pytest.approx(0.0, abs=0.5), pytest.approx(500.0, abs=0.5))


def test_log_without_numbers_gives_none_not_a_guess(stand: Stand) -> None:
    (trip,) = digest_trips(stand, (), [Event(1.0, EventKind.TRIP, "disk full (trip)")])
    assert trip.limits == ("disk full (trip)",)
    assert trip.order_resolved is None
    assert trip.decided_ms is trip.written_ms is trip.acknowledged_ms is None
    assert math.isnan(trip.value.value)


def test_the_worst_reaction_is_that_of_the_whole_run(bench: Bench) -> None:
    """Exact: acknowledged 3, 9 and 5 ms after the sample; the longest way to the written command is another trip's."""
    for written_ns, acknowledged_ms in ((400_000, 3), (500_000, 9), (800_000, 5)):
        (command,) = bench.row(winding_temp=141.0)
        at = bench.now_ns
        bench.take(bench.protection.written(command, at + written_ns))
        bench.take(bench.protection.reply("rack", "ok stop ramp", at + acknowledged_ms * MS))
        bench.now_ns = at + 20 * MS
        bench.row()
        bench.take(bench.protection.request(Trigger.RESET, bench.now_ns, "bench"))
    worst = worst_reaction(bench.events)
    assert worst is not None
    assert worst.limit == "winding_hot"
    assert worst.acknowledged_ms == pytest.approx(9.0)
    assert worst.written_ms == pytest.approx(0.5)
    assert worst.worst_written_ms == pytest.approx(0.8)
    assert (worst.reactions, worst.incomplete) == (3, 0)


def test_without_an_acknowledged_stop_there_is_no_worst_reaction(bench: Bench) -> None:
    bench.row(winding_temp=141.0)
    assert worst_reaction(bench.events) is None


def test_stretches_are_the_rows_of_the_time_around(bench: Bench) -> None:
    """Exact: rows every 10 ms; from 1 s to 11 s (end not included) these are rows 100 to 1099."""
    (stretch,) = stretches((_stream(bench),), 5.0)
    assert (stretch.source, stretch.first, stretch.last) == ("rack", 100, 1099)
    (stretch,) = stretches((_stream(bench),), 2.0, before_s=100.0, after_s=0.005)
    assert (stretch.first, stretch.last) == (0, 200)
    assert stretches((_stream(bench),), 100.0) == ()
