"""States of a current loop as events. The limits between the states are those of NAMUR NE 43 (tests/published)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.decode.channel_map import ChannelMap
from benchkit.decode.loop_watch import MOST_A_SECOND, LoopWatch
from benchkit.model.calibration import Calibration
from benchkit.model.events import Event, EventKind
from benchkit.model.samples import Rows
from benchkit.model.sensors import Corrected, CurrentLoop
from benchkit.model.stand import Channel
from benchkit.units import Quantity

COLUMNS = ("volts", "plain", "milliamps")
CHANNELS = [
    Channel("load", "load", Quantity.FORCE, "rack", "plain", -1e3, 1e3),
    Channel("pressure", "", Quantity.PRESSURE, "rack", "milliamps", 0.0, 1e5, Calibration(CurrentLoop(0.0, 1e5))),
    # read over 250 ohm: 4 mA are 1 V
    Channel(
        "flow",
        "",
        Quantity.PRESSURE,
        "rack",
        "volts",
        0.0,
        1e5,
        Calibration(Corrected(CurrentLoop(0.0, 1e5), raw_gain=4.0)),
    ),
]


def rows_of(milliamps: list[float], *, every_ns: int = 10_000_000, first_ns: int = 0, volts: float = 3.0) -> Rows:
    n = len(milliamps)
    return Rows(
        arrival_ns=first_ns + every_ns * np.arange(n),
        device_time_s=np.full(n, np.nan),
        counter=np.full(n, -1),
        values=np.column_stack([np.full(n, volts), np.full(n, np.nan), milliamps]),
    )


def feed(watch: LoopWatch, rows: Rows) -> list[Event]:
    return watch.feed(rows, ChannelMap(CHANNELS, COLUMNS).calibrate(rows.values), 0, "rack")


def test_each_state_is_told_once_with_its_current() -> None:
    watch = LoopWatch(CHANNELS, COLUMNS)
    assert watch
    events = feed(watch, rows_of([12.0, 3.7, 3.7, 0.02, 0.02, 20.7, 22.5, 12.0, 12.0]))
    assert [(e.kind, e.channel, e.source) for e in events] == [(EventKind.SENSOR_FAULT, "pressure", "rack")] * 4 + [
        (EventKind.SENSOR_BACK, "pressure", "rack")
    ]
    assert [e.data["state"] for e in events] == ["below_range", "fault_low", "above_range", "fault_high", "valid"]
    assert [e.data["current_ma"] for e in events] == [3.7, 0.02, 20.7, 22.5, 12.0]
    assert [e.time_s for e in events] == pytest.approx([0.01, 0.03, 0.05, 0.06, 0.07])
    assert events[0].message == "under range, 3.70 mA"
    assert events[1].message.startswith("fault low: broken wire")
    assert watch.faults == {"pressure": 1, "flow": 0}
    assert watch.standing == {}


def test_what_the_instrument_sends_in_volts_is_told_in_milliamps() -> None:
    watch = LoopWatch(CHANNELS, COLUMNS)
    (event,) = feed(watch, rows_of([12.0], volts=0.0))
    assert (event.channel, event.data["current_ma"]) == ("flow", 0.0)
    assert watch.standing == {"flow": "fault low: broken wire, no supply, or a fault told by the sensor, 0.00 mA"}


def test_a_frame_without_the_column_says_nothing_of_the_loop() -> None:
    watch = LoopWatch(CHANNELS, COLUMNS)
    assert feed(watch, rows_of([np.nan, 12.0, np.nan])) == []
    assert len(feed(watch, rows_of([1.0]))) == 1
    assert feed(watch, rows_of([np.nan, 1.0])) == []


def test_a_loose_wire_is_counted_and_its_end_is_told() -> None:
    """Exact: 50 breaks in half a second, five changes told, the other 95 before the one of the next second."""
    watch = LoopWatch(CHANNELS, COLUMNS)
    events = feed(watch, rows_of([0.0, 12.0] * 50, every_ns=5_000_000))
    assert len(events) == MOST_A_SECOND
    assert watch.faults["pressure"] == 50
    assert feed(watch, rows_of([12.0], first_ns=900_000_000)) == []
    (last,) = feed(watch, rows_of([12.0, 12.0], first_ns=1_000_000_000))
    assert (last.kind, last.data["untold"]) == (EventKind.SENSOR_BACK, 95)
    assert "95 changes before it were too many to tell" in last.message
    assert feed(watch, rows_of([12.0], first_ns=2_000_000_000)) == []


@given(
    currents=st.lists(st.sampled_from([0.0, 3.7, 12.0, 20.7, 22.0, float("nan")]), min_size=1, max_size=40),
    cuts=st.sets(st.integers(1, 39)),
)
def test_how_the_rows_are_cut_makes_no_difference(currents: list[float], cuts: set[int]) -> None:
    whole = rows_of(currents, every_ns=1_000_000_000)  # one row a second: every change is told
    once = LoopWatch(CHANNELS, COLUMNS)
    expected = feed(once, whole)
    again, got = LoopWatch(CHANNELS, COLUMNS), []
    bounds = [0, *sorted(c for c in cuts if c < len(currents)), len(currents)]
    for start, stop in pairwise(bounds):
        part = slice(start, stop)
        got += feed(
            again,
            Rows(whole.arrival_ns[part], whole.device_time_s[part], whole.counter[part], whole.values[part]),
        )
    assert got == expected
    assert again.faults == once.faults


def test_a_source_without_a_loop_is_not_looked_at() -> None:
    watch = LoopWatch(CHANNELS[:1], COLUMNS)
    assert not watch
    assert watch.faults == {}
