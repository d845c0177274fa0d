"""The stop command leaves before anything is said about it, also where one poll brings many rows and answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.model.events import Event, EventKind
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand
from benchkit.protect import protection
from benchkit.protect.watch import LimitChange
from benchkit.protect.wording import describe
from benchkit.runfile.reader import open_run
from benchkit.session.desk import Desk
from benchkit.session.messages import Message
from benchkit.session.recorder import Recorder
from benchkit.sources.clock import HostClock
from tests.bench.reaction_device import Lines, write_profile
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource


class NotedSource(MemorySource):
    def __init__(self, stand: Stand, pieces: list[bytes], clock: HostClock, order: list[str]) -> None:
        super().__init__(stand, pieces, clock)
        self.order = order

    def send(self, command: str) -> None:
        super().send(command)
        if command.startswith("stop"):
            self.order.append(command)


class NotedDesk(Desk):
    def __init__(self, order: list[str]) -> None:
        super().__init__()
        self.order = order

    def publish(self, message: Message) -> None:
        super().publish(message)
        if isinstance(message, Event) and message.kind in (EventKind.TRIP, EventKind.STOP_COMMANDED):
            self.order.append(message.kind.value)


def test_all_stops_of_a_poll_leave_before_its_events_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = load_stand(write_profile(tmp_path))
    lines = Lines(loaded.stand)
    order: list[str] = []

    def noted(change: LimitChange, unit: str, stale_after_s: float) -> str:
        order.append("words")
        return describe(change, unit, stale_after_s)

    monkeypatch.setattr(protection, "describe", noted)
    one_poll = b"".join((lines.next(), lines.next(3), b">ok stop 3\r\n", lines.next(), lines.next(7)))
    clock = HostClock()
    source, desk = NotedSource(loaded.stand, [lines.next(), one_poll], clock, order), NotedDesk(order)
    Recorder(loaded.stand, header_for(loaded), [source], tmp_path / "run.h5", clock, desk).run()
    desk.close()
    assert order[:2] == ["stop 3", "stop 7"]
    # exact: two trips and two commands told, words of two trips and of the return of the first
    assert sorted(order[2:]) == sorted(["trip"] * 2 + ["stop_commanded"] * 2 + ["words"] * 3)
    with open_run(tmp_path / "run.h5") as run:
        told = [(e.kind, e.data.get("limit", "")) for e in run.events() if e.kind is not EventKind.PERMISSIVE]
    # in the order of the rows and answers, as before
    kinds = [kind for kind, _ in told]
    first, second = told.index((EventKind.TRIP, "l3")), told.index((EventKind.TRIP, "l7"))
    assert first < kinds.index(EventKind.STOP_ACKNOWLEDGED) < told.index((EventKind.TRIP_CLEARED, "l3")) < second
