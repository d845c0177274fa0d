"""A CAN bus as a source: python-can's virtual bus with a peer of its own, and slcan over a pseudo-terminal."""

from __future__ import annotations

import os
import random
import select
import sys
import threading
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import can
import numpy as np
import pytest

from benchkit.decode.build import decoder_for
from benchkit.errors import LinkError, UsageError
from benchkit.model.samples import BadFrame, BadFrameReason, DecodeEvent, Gap, Reply, Rows
from benchkit.sources.build import build_source
from benchkit.sources.can_bus import CanBusSource
from benchkit.sources.clock import HostClock
from tests.decode.can_cases import DATABASE, SPEC, status
from tests.decode.contract import drain, facts, row
from tests.sources.contract import all_facts, collect, joined, poll_until_lost

NAN = float("nan")
needs_pty = pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals")


def status_message(rpm: float) -> can.Message:
    """One row of the inverter, as python-can sends it."""
    return can.Message(arbitration_id=256, is_extended_id=False, data=status(0, rpm=rpm).data)


def fact(rpm: float) -> tuple[object, ...]:
    return row(400.0, 12.5, rpm, 2.0, NAN, NAN, NAN)


def named(name: str, **values: float) -> can.Message:
    message = DATABASE.get_message_by_name(name)
    data = message.encode(values)
    return can.Message(arbitration_id=message.frame_id, is_extended_id=message.is_extended_frame, data=data)


@dataclass
class Bus:
    """A source on a virtual bus and the device at the other end."""

    source: CanBusSource
    peer: can.BusABC

    def put(self, *messages: can.Message) -> None:
        for message in messages:
            self.peer.send(message)

    def got(self) -> dict[str, object]:
        message = self.peer.recv(5.0)
        assert message is not None
        return dict(DATABASE.decode_message(message.arbitration_id, message.data))

    def poll(self) -> list[DecodeEvent]:
        polled = self.source.poll(1.0)
        assert polled is not None
        return polled.events


@pytest.fixture
def bus() -> Iterator[Bus]:
    channel = f"marsh-{uuid.uuid4()}"
    source = build_source(replace(SPEC, port=channel), HostClock())
    assert isinstance(source, CanBusSource)
    peer = can.Bus(channel, interface="virtual", ignore_config=True)
    yield Bus(source, peer)
    source.close()
    peer.shutdown()


# -- the virtual bus


def test_before_opening(bus: Bus) -> None:
    assert not bus.source.is_open
    assert not bus.source.is_finished
    assert bus.source.name == "inverter"
    assert bus.source.columns == ("udc", "idc", "n", "state", "tj", "tw", "torque")
    with pytest.raises(LinkError, match=r"sources\.inverter: channel 'marsh-.* is not open"):
        bus.source.poll(0.0)
    with pytest.raises(LinkError, match="is not open"):
        bus.source.send("BenchCommand.Mode=Stop")


def test_frames_encoded_by_cantools_become_rows(bus: Bus) -> None:
    bus.source.open()
    bus.put(
        named("InverterTorque", Torque=41.25),
        named("InverterTemps", Sensor=0, JunctionTemp=75.5),
        status_message(1500),
        named("InverterTemps", Sensor=2, WindingTemp=-12.0),
        status_message(1501),
    )
    found = all_facts(collect(bus.source, 2))
    assert found == [
        row(400.0, 12.5, 1500.0, 2.0, 75.5, NAN, 41.25),
        row(400.0, 12.5, 1501.0, 2.0, 75.5, -12.0, 41.25),
    ]


def test_all_that_waits_is_taken_at_once_and_nothing_is_lost(bus: Bus) -> None:
    bus.source.open()
    bus.put(*[status_message(rpm) for rpm in range(2500)])
    polled = []
    while (one := bus.source.poll(0.001)) is not None:
        polled.append(one)
    assert [len(rows) for one in polled for rows in one.events if isinstance(rows, Rows)] == [1000, 1000, 500]
    assert joined(polled).values[:, 2].tolist() == list(range(2500))


def test_the_bytes_give_the_same_rows_again(bus: Bus) -> None:
    bus.source.open()
    bus.put(
        *[status_message(rpm) for rpm in range(50)], can.Message(arbitration_id=256, data=b"", is_extended_id=False)
    )
    polled = collect(bus.source, 50)
    decoder = decoder_for(SPEC)
    for one in polled:
        decoder.feed(one.data, one.arrival_ns)
    assert facts(drain(decoder)) == all_facts(polled)


def test_arrival_is_host_time_and_the_time_stamp_is_kept(bus: Bus) -> None:
    bus.source.open()
    clock = HostClock()
    before = clock.now_ns()
    bus.put(status_message(1))
    polled = bus.source.poll(1.0)
    assert polled is not None
    assert before <= joined([polled]).arrival_ns[0] == polled.arrival_ns <= clock.now_ns()
    received_ns, stamp_ns = np.frombuffer(polled.data, dtype="<i8", count=2, offset=8)
    assert before <= received_ns <= polled.arrival_ns
    assert abs(stamp_ns * 1e-9 - clock.utc_now().timestamp()) < 60.0


def test_opening_twice_changes_nothing(bus: Bus) -> None:
    bus.source.open()
    bus.put(status_message(1))
    bus.source.open()
    assert all_facts(collect(bus.source, 1)) == [fact(1)]


def test_nothing_there(bus: Bus) -> None:
    bus.source.open()
    for _ in range(3):
        assert bus.source.poll(0.001) is None
    assert not bus.source.is_finished


def test_closed_and_opened_again(bus: Bus) -> None:
    bus.source.open()
    bus.put(named("InverterTorque", Torque=41.25), status_message(1))
    collect(bus.source, 1)
    bus.source.close()
    bus.source.close()
    assert not bus.source.is_open
    with pytest.raises(LinkError, match="is not open"):
        bus.source.poll(0.0)
    bus.source.open()
    bus.put(status_message(2))
    found = collect(bus.source, 1)
    gap = found[0].events[0]
    assert isinstance(gap, Gap)
    assert "link was down for" in gap.cause
    # what was known before the outage is not taken for new
    assert all_facts(found) == [("gap", None, 0), fact(2)]


def test_commands_arrive_as_frames(bus: Bus) -> None:
    bus.source.open()
    bus.source.send("BenchCommand.Mode=SpeedControl,SpeedSet=2500")
    assert bus.got() == {"Mode": "SpeedControl", "SpeedSet": 2500, "TorqueSet": 0.0}
    bus.source.send("BenchCommand.torqueSet=40")
    assert bus.got() == {"Mode": "SpeedControl", "SpeedSet": 2500, "TorqueSet": 40.0}
    for text in ("", "stop\nstart", "stop \u00b5", "stop\r"):
        with pytest.raises(UsageError, match="a command is one line of ASCII text"):
            bus.source.send(text)
    with pytest.raises(UsageError, match="not a command to a CAN bus"):
        bus.source.send("stop ramp")


def test_the_device_acknowledges_by_its_state(bus: Bus) -> None:
    bus.source.open()
    bus.put(status_message(1))
    assert not [event for event in bus.poll() if isinstance(event, Reply)]
    bus.source.send("BenchCommand.Mode=Stop")
    stopped = can.Message(arbitration_id=256, is_extended_id=False, data=status(0, state=3).data)
    bus.put(status_message(2), stopped, stopped)
    told = [event.text for event in bus.poll() if isinstance(event, Reply)]
    assert told == ["InverterStatus.State=Running", "InverterStatus.State=Stopped"]


def test_error_frames_are_told_and_bus_off_is_a_loss(bus: Bus) -> None:
    bus.source.open()
    bus.put(status_message(1), can.Message(is_error_frame=True, arbitration_id=0x20, data=bytes(8)))
    rows, bad = bus.poll()
    assert isinstance(rows, Rows)
    assert isinstance(bad, BadFrame)
    assert bad.detail == "error frame: no acknowledgement"
    bus.put(status_message(2), can.Message(is_error_frame=True, arbitration_id=0x40, data=bytes(8)), status_message(3))
    rows, bad = bus.poll()  # what came before is handed out first
    assert isinstance(bad, BadFrame)
    assert bad.detail == "error frame: bus off"
    assert not bus.source.is_open
    with pytest.raises(LinkError, match=r"link to 'marsh-.*' is lost: error frame: bus off\. Check cable, termination"):
        bus.source.poll(0.0)
    bus.source.open()
    bus.put(status_message(4))
    assert all_facts(collect(bus.source, 1)) == [("gap", None, 0), fact(4)]


def test_a_bus_that_fails_is_lost(bus: Bus, monkeypatch: pytest.MonkeyPatch) -> None:
    bus.source.open()

    def down(*args: object, **kwargs: object) -> None:
        raise can.CanOperationError("Network is down [Error Code 100]")

    monkeypatch.setattr(bus.source._bus, "_recv_internal", down)
    with pytest.raises(LinkError, match="is lost: Network is down"):
        bus.source.poll(0.0)
    assert not bus.source.is_open


def test_the_port_of_the_command_line_takes_the_place(bus: Bus) -> None:
    assert isinstance(bus.peer, can.BusABC)
    other = build_source(SPEC, HostClock(), str(bus.source._channel))
    other.open()
    bus.put(status_message(5))
    assert all_facts(collect(other, 1)) == [fact(5)]
    other.close()


def test_an_interface_that_is_not_there() -> None:
    source = CanBusSource(replace(SPEC, interface="socketcan", port="nocan7"), HostClock())
    with pytest.raises(
        LinkError, match=r"cannot open socketcan channel 'nocan7'.*ip link set nocan7 up type can bitrate"
    ):
        source.open()
    assert not source.is_open


@pytest.mark.skipif(not Path("/sys/class/net/vcan0").exists(), reason="no virtual interface vcan0 on this computer")
def test_socketcan() -> None:
    source = CanBusSource(replace(SPEC, interface="socketcan", port="vcan0"), HostClock())
    source.open()
    assert source.wait_on is not None
    with can.Bus("vcan0", interface="socketcan", ignore_config=True) as peer:
        peer.send(named("InverterTorque", Torque=41.25))
        peer.send(status_message(1))
        assert all_facts(collect(source, 1)) == [row(400.0, 12.5, 1.0, 2.0, NAN, NAN, 41.25)]
        source.send("BenchCommand.Mode=Stop")
        message = peer.recv(5.0)
        assert message is not None
        assert (message.arbitration_id, message.data) == (0x200, bytes(8))
    source.close()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bitrate": 333_333}, r"sources\.inverter\.bitrate: slcan has no such bit rate .*500000"),
        ({"dbc": SPEC.dbc.replace("BO_ 256 InverterStatus: 8", "BO_ 256 InverterStatus: 12")}, "classic frames only"),
    ],
)
def test_what_slcan_cannot_do(change: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        CanBusSource(replace(SPEC, interface="slcan", **change), HostClock())  # type: ignore[arg-type]


# -- slcan: the ASCII protocol over a pseudo-terminal


@dataclass
class Adapter:
    """The far end of the pseudo-terminal: an adapter that says what it is told to."""

    name: Path
    ends: list[int] = field(default_factory=list)

    def plug(self) -> None:
        master, slave = os.openpty()
        os.set_blocking(master, False)
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(os.ttyname(slave))
        self.ends[:] = [master, slave]

    def unplug(self) -> None:
        while self.ends:
            os.close(self.ends.pop())

    def cut(self) -> None:
        self.unplug()
        self.name.unlink()

    def say(self, *frames: str) -> None:
        os.write(self.ends[0], "".join(f"{frame}\r" for frame in frames).encode())

    def heard(self) -> list[str]:
        """Lines that came; a pseudo-terminal hands on what was written in pieces, so until it is quiet."""
        data, patience_s = b"", 2.0
        while select.select([self.ends[0]], [], [], patience_s)[0]:
            data += os.read(self.ends[0], 4096)
            patience_s = 0.05
        return data.decode().split("\r")[:-1]


def line(rpm: float) -> str:
    return f"t1008{status(0, rpm=rpm).data.hex().upper()}"


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[Adapter]:
    adapter = Adapter(tmp_path / "adapter")
    adapter.plug()
    yield adapter
    adapter.unplug()


@pytest.fixture
def slcan(adapter: Adapter) -> Iterator[CanBusSource]:
    source = CanBusSource(replace(SPEC, interface="slcan", port=str(adapter.name)), HostClock())
    yield source
    source.close()


@needs_pty
def test_slcan_opens_the_channel_at_its_bit_rate(adapter: Adapter, slcan: CanBusSource) -> None:
    slcan.open()
    heard = adapter.heard()
    assert "S6" in heard  # 500 kbit/s
    assert heard[-1] == "O"


@needs_pty
def test_slcan_frames_both_ways(adapter: Adapter, slcan: CanBusSource) -> None:
    slcan.open()
    adapter.heard()
    torque = named("InverterTorque", Torque=41.25)
    adapter.say(f"T{torque.arbitration_id:08X}4{torque.data.hex()}", *[line(rpm) for rpm in range(20)])
    found = all_facts(collect(slcan, 20))
    assert found == [row(400.0, 12.5, float(rpm), 2.0, NAN, NAN, 41.25) for rpm in range(20)]
    slcan.send("BenchCommand.Mode=Stop")
    assert adapter.heard() == ["t2008" + "00" * 8]


@needs_pty
def test_slcan_noise_is_told_and_never_a_sample(adapter: Adapter, slcan: CanBusSource) -> None:
    slcan.open()
    adapter.say("tzzz8xyz", "t10088899", "t1", "", line(7))
    found = collect(slcan, 1)
    events = [event for one in found for event in one.events]
    assert [event.reason for event in events if isinstance(event, BadFrame)] == [BadFrameReason.NO_SYNC] * 3
    assert [one for one in all_facts(found) if one[0] == "row"] == [fact(7)]


@needs_pty
@pytest.mark.parametrize("noise", [b"t1\xff\xfe\r", b"t" * 6000, b"\0\x80" * 2000])
def test_slcan_bytes_that_are_no_lines(adapter: Adapter, slcan: CanBusSource, noise: bytes) -> None:
    slcan.open()
    events: list[DecodeEvent] = []
    for at in range(0, len(noise), 1000):
        os.write(adapter.ends[0], noise[at : at + 1000])
        while (polled := slcan.poll(0.02)) is not None:
            events += polled.events
    os.write(adapter.ends[0], b"\r")
    while (polled := slcan.poll(0.02)) is not None:
        events += polled.events
    assert events
    assert {event.reason for event in events if isinstance(event, BadFrame)} == {BadFrameReason.NO_SYNC}
    adapter.say(line(8))
    assert all_facts(collect(slcan, 1)) == [fact(8)]


@needs_pty
def test_slcan_random_bytes(adapter: Adapter, slcan: CanBusSource) -> None:
    chance = random.Random(6)
    alphabet = b"tTrRdDbBxzZ0123456789ABCDEFabcdef\r\r\r\r\a \xff\0"
    slcan.open()
    for _ in range(20):
        os.write(adapter.ends[0], bytes(chance.choices(alphabet, k=1000)))
        slcan.poll(0.01)
    os.write(adapter.ends[0], b"\r")
    adapter.say(line(9))
    assert [one for one in all_facts(collect(slcan, 1)) if one[0] == "row"][-1] == fact(9)


@needs_pty
def test_slcan_cable_out_and_in_again(adapter: Adapter, slcan: CanBusSource) -> None:
    slcan.open()
    adapter.say(line(1), line(2))
    before = collect(slcan, 2)
    adapter.cut()
    with pytest.raises(LinkError, match=r"link to '.*adapter' is lost: .*\. Check cable, termination and power"):
        poll_until_lost(slcan, before)
    assert all_facts(before) == [fact(1), fact(2)]
    assert not slcan.is_open
    for _ in range(2):
        with pytest.raises(LinkError, match="is lost"):
            slcan.poll(0.0)
        with pytest.raises(LinkError, match="is lost"):
            slcan.send("BenchCommand.Mode=Stop")
    with pytest.raises(LinkError, match=r"cannot open slcan channel .*Check cable, power and driver"):
        slcan.open()
    adapter.plug()
    slcan.open()
    adapter.say(line(3))
    assert all_facts(collect(slcan, 1)) == [("gap", None, 0), fact(3)]


@needs_pty
def test_slcan_command_into_a_cut_link(adapter: Adapter, slcan: CanBusSource) -> None:
    slcan.open()
    adapter.cut()
    with pytest.raises(LinkError, match="is lost"):
        send_until_lost_on(slcan)
    assert not slcan.is_open


def send_until_lost_on(source: CanBusSource) -> None:
    for _ in range(100):
        source.send("BenchCommand.Mode=Stop")


def test_a_library_that_is_not_installed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "can", None)
    monkeypatch.delitem(sys.modules, "benchkit.sources.can_bus")
    with pytest.raises(UsageError, match=r'CAN needs python-can, .*pip install "benchkit\[can\]"'):
        build_source(SPEC, HostClock())
    monkeypatch.setitem(sys.modules, "cantools.database.can", None)
    with pytest.raises(UsageError, match=r'CAN needs cantools, .*pip install "benchkit\[can\]"'):
        decoder_for(replace(SPEC, dbc=SPEC.dbc + "\n"))


def test_no_thread_is_left(bus: Bus) -> None:
    before = threading.active_count()
    bus.source.open()
    bus.source.poll(0.0)
    bus.source.close()
    assert threading.active_count() == before
