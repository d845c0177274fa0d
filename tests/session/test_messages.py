"""Messages between recorder and dashboard survive the way, and foreign ones change nothing."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import LinkError
from benchkit.model.alarms import Life
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.limits import Severity
from benchkit.protect.outcomes import StopStatus
from benchkit.session.messages import FirstOutStatus, LiveRows, SourceStatus, Status, decode, encode
from benchkit.session.protection_status import AlarmStatus, Prediction, ProtectionStatus

STATUS = Status(
    time_s=12.5,
    state=State.TRIPPED,
    permissives={"sources_fresh": True, "recording": False},
    recording=True,
    run_path="x.h5",
    disk_free_bytes=10**11,
    disk_left_s=None,
    limit_set="big motor",
    revision="3",
    sources={
        "rack": SourceStatus(0.001, 12, 1, 0, False, False, {"flow": "under range"}),
        "cell": SourceStatus(None, 0, 0, 0, True, True),
    },
    first_out=FirstOutStatus(("winding_hot",), True, 12.4),
    standing=("winding_hot",),
    heartbeat=7,
    limit_hash="0123456789ab",
    protection=ProtectionStatus(
        alarms=(
            AlarmStatus("winding_hot", Severity.TRIP, Life.UNACKNOWLEDGED, True, 12.4),
            AlarmStatus("vibration_high", Severity.CAUTION, Life.SHELVED, False, 3.0, "Ada", "probe loose", 903.0),
        ),
        alarm_rate=11,
        is_flood=True,
        stops=(StopStatus("gates_off", 1, 2, 3, "rack", True, "ramp_down"),),
        missing={"recording": "Start a new recording"},
        predictions=(Prediction("winding_temp", "winding_hot", 41.5),),
    ),
)


def test_status_and_event_come_back_as_they_were() -> None:
    assert decode(encode(STATUS)) == STATUS
    event = Event(1.25, EventKind.TRIP, "winding_hot: 141 °C above 140 °C", "rack", "winding_temp", {"value": 141.0})
    assert decode(encode(event)) == event


def test_a_prediction_that_is_none_comes_back_as_nan() -> None:
    level = replace(STATUS, protection=ProtectionStatus(predictions=(Prediction("thrust", "thrust_high", math.nan),)))
    came = decode(encode(level))
    assert isinstance(came, Status)
    assert math.isnan(came.protection.predictions[0].time_to_limit_s)


def test_rows_come_back_bit_by_bit_nan_included() -> None:
    values = np.array([[1.0, np.nan], [0.1, -2.5e300]])
    sent = LiveRows("rack", ("a", "b"), np.array([0.0, 0.1]), np.array([0.0, 0.2]), values)
    came = decode(encode(sent))
    assert isinstance(came, LiveRows)
    assert (came.source, came.channels) == ("rack", ("a", "b"))
    for got, expected in ((came.time_s, sent.time_s), (came.arrival_s, sent.arrival_s), (came.values, values)):
        assert got.tobytes() == expected.tobytes()


@given(st.lists(st.binary(max_size=60), max_size=6), st.integers(0, 2))
def test_foreign_frames_are_refused(frames: list[bytes], which: int) -> None:
    topic = [b"status", b"rows", b"event"][which]
    with pytest.raises(LinkError, match="not understood"):
        decode([topic, *frames])
    with pytest.raises(LinkError, match="not understood"):
        decode(frames)


@settings(deadline=None)
@given(st.data())
def test_a_mangled_message_is_refused_or_still_a_message(data: st.DataObject) -> None:
    frames = encode(STATUS)
    body = bytearray(frames[1])
    for _ in range(data.draw(st.integers(1, 4))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(LinkError):
        assert isinstance(decode([frames[0], bytes(body)]), Status)
