"""The heartbeat in the recorder's loop: what it says, when it is kept back, and what the run keeps of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchkit.errors import LinkError
from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.profiles import LoadedStand, load_stand
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.recorder import Recorder
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Polled
from tests.session.beating import MESSAGE, profile_with_heartbeat
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource
from tests.sources.port_server import PortServer


class LoopedSource(MemorySource):
    """The simulated device without a link: a line a poll, commands taken and answered. ``stall`` holds up a poll."""

    def __init__(self, loaded: LoadedStand) -> None:
        clock = HostClock()
        super().__init__(loaded.stand, (), clock)
        self.device = Device(loaded.stand, Load.PROPELLER, 1, 0.001)
        self._answers = b""
        self.stall: Callable[[], None] = lambda: None
        self.is_cut = False

    def send(self, command: str) -> None:
        super().send(command)
        self._answers += self.device.receive(command.encode() + b"\n")

    def poll(self, timeout_s: float) -> Polled | None:
        self.stall()
        if self.is_cut:
            self.is_open = False
            raise LinkError("the cable is out", where="sources.rack")
        time.sleep(0.002)
        answers, self._answers = self._answers, b""
        self._pieces = iter([answers + self.device.tick()])
        return super().poll(timeout_s)

    @property
    def beats(self) -> list[str]:
        return [text for text in self.sent if text.startswith("alive ")]


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Callable[..., tuple[Recorder, LoopedSource]]]:
    desk = Desk()

    def make(output: str = MESSAGE, **options: float) -> tuple[Recorder, LoopedSource]:
        loaded = load_stand(profile_with_heartbeat(tmp_path, output, **options))  # type: ignore[arg-type]
        source = LoopedSource(loaded)
        return Recorder(loaded.stand, header_for(loaded), [source], tmp_path / "run.h5", source._clock, desk), source

    yield make
    desk.close()


def events_of(recorder: Recorder) -> list[Event]:
    recorder.finish()
    with open_run(recorder.run_path) as run:
        return list(run.events())


def told(events: list[Event]) -> list[str]:
    return [event.message for event in events if event.kind is EventKind.HEARTBEAT]


def turn_until(recorder: Recorder, met: Callable[[], bool]) -> None:
    for _ in range(20_000):
        recorder.step()
        if met():
            return
    raise AssertionError("not in time")


def test_beats_are_numbered_answered_and_not_logged(recording: Callable[..., tuple[Recorder, LoopedSource]]) -> None:
    recorder, source = recording(period_s=0.02)
    turn_until(recorder, lambda: len(source.beats) >= 20)
    status = recorder.status(recorder.clock.now_ns()).beats
    assert status is not None
    assert (status.beats, status.kept_back, status.pauses, status.unanswered) == (len(source.beats), "", 0, 0)
    events = events_of(recorder)
    assert source.beats == [f"alive {n}" for n in range(1, len(source.beats) + 1)]
    assert not [e for e in events if e.kind is EventKind.REPLY]
    (summary,) = [e for e in events if e.kind is EventKind.HEARTBEAT and "beats" in e.data]
    assert summary.data["beats"] == len(source.beats)
    assert summary.data["period_s"] == 0.02
    assert summary.data["stop_on_trip"] is False
    mean_s, p99_s, worst_s = (summary.data[key] for key in ("mean_s", "p99_s", "worst_s"))
    assert 0.01 <= mean_s <= worst_s  # type: ignore[operator]
    assert mean_s <= p99_s * 1.01  # type: ignore[operator]
    assert told(events)[0] == "heartbeat goes out"


def test_no_beat_before_the_sources_of_the_limits_have_spoken(
    recording: Callable[..., tuple[Recorder, LoopedSource]],
) -> None:
    recorder, source = recording(period_s=0.02)
    silent = source.device.tick
    source.device.tick = lambda: b"# still starting\r\n"  # type: ignore[method-assign]
    for _ in range(50):
        recorder.step()
    assert source.beats == []
    source.device.tick = silent  # type: ignore[method-assign]
    turn_until(recorder, lambda: len(source.beats) == 2)
    recorder.finish()


def test_a_loop_that_stalls_stops_beating_and_makes_up_for_nothing(
    recording: Callable[..., tuple[Recorder, LoopedSource]],
) -> None:
    recorder, source = recording(period_s=0.02)
    turn_until(recorder, lambda: len(source.beats) == 5)
    during: list[int] = []

    def stall() -> None:
        time.sleep(0.5)
        during.append(len(source.beats))
        source.stall = lambda: None

    source.stall = stall
    recorder.step()
    assert during == [5]
    assert len(source.beats) == 6  # one, late; 25 periods are not made up for
    turn_until(recorder, lambda: len(source.beats) == 8)
    status = recorder.status(recorder.clock.now_ns()).beats
    assert status is not None
    assert status.late >= 1
    assert status.worst_s is not None
    assert status.worst_s > 0.4
    assert any("after the one before, period 20 ms" in text for text in told(events_of(recorder)))


def test_no_beat_while_a_source_of_a_trip_limit_is_lost(
    recording: Callable[..., tuple[Recorder, LoopedSource]],
) -> None:
    recorder, source = recording(period_s=0.02)
    turn_until(recorder, lambda: len(source.beats) == 3)
    source.is_cut = True
    recorder.step()
    assert recorder.protection.state is State.TRIPPED
    for _ in range(20):
        recorder.step()
    assert len(source.beats) == 3
    source.is_cut = False
    turn_until(recorder, lambda: len(source.beats) == 6)
    texts = [text for text in told(events_of(recorder)) if text.startswith("heartbeat ")]
    assert texts[1:3] == ["heartbeat kept back: rack cannot be looked at", "heartbeat goes out"]


@pytest.mark.parametrize("stop_on_trip", [False, True])
def test_what_a_trip_does_to_the_beat(
    recording: Callable[..., tuple[Recorder, LoopedSource]], stop_on_trip: bool
) -> None:
    recorder, source = recording(period_s=0.02, stop_on_trip=stop_on_trip)
    turn_until(recorder, lambda: len(source.beats) == 3)
    recorder._act(recorder.protection.external_trip("guard open", recorder.clock.now_ns()))
    assert recorder.protection.state is State.TRIPPED
    for _ in range(60):  # more than 0.1 s
        recorder.step()
    assert (len(source.beats) == 3) is stop_on_trip
    assert ("heartbeat kept back: tripped" in told(events_of(recorder))) is stop_on_trip


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5 itself
def test_a_control_line_follows_the_loop(recording: Callable[..., tuple[Recorder, LoopedSource]]) -> None:
    server = PortServer()
    try:
        line = f'\nkind = "line"\nport = "{server.url}"\nline = "rts"\n'
        recorder, source = recording(line, period_s=0.5)
        levels = server.port.rts_levels

        def beats() -> int:
            status = recorder.status(recorder.clock.now_ns()).beats
            return 0 if status is None else status.beats

        turn_until(recorder, lambda: beats() >= 3)
        before: list[int] = []

        def stall() -> None:
            time.sleep(0.6)  # whatever was handed over before has gone out
            before.append(len(levels))
            time.sleep(1.5)
            before.append(len(levels))
            source.stall = lambda: None

        source.stall = stall
        recorder.step()
        assert before[0] == before[1]  # the thread does not beat by itself
        turn_until(recorder, lambda: len(levels) > before[1])
        recorder.finish()
        assert levels[2:] == [bool(k % 2 == 0) for k in range(len(levels) - 2)]
    finally:
        server.stop()
