"""The offset of two sources on a common edge: asked of the recorder, written down, read again; measured after the run.

Exact: the second source sees the edge 37.3 ms after the first, and both rows arrive without waiting.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from benchkit.cli.main import main
from benchkit.decode.common_edge import offsets_from
from benchkit.model.events import Event, EventKind
from benchkit.model.stand import Stand
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.edges import common_edge
from benchkit.runfile.reader import open_run
from benchkit.session.common_edge import MOST_ROWS
from benchkit.session.desk import Desk
from benchkit.session.messages import Endpoints
from benchkit.session.process import write_live_file
from benchkit.session.recent import Recent
from benchkit.session.recorder import Recorder
from benchkit.session.requests import answer_request
from benchkit.sources.clock import Clock, ManualClock
from benchkit.sources.contract import Polled
from tests.session.devices import stand_of, text_line, text_source
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

LATER_S = 0.0373
RATES_HZ = {"lamp": 100.0, "scope": 1000.0}
FIRST_EDGE_S = 1.003


class Timed(MemorySource):
    """Rows at a rate, each there at once; the value is that of ``signal`` at the time of the row."""

    def __init__(self, stand: Stand, rate_hz: float, signal: Callable[[float], int], clock: Clock) -> None:
        super().__init__(stand, [], clock)
        self._rate_hz, self._signal, self._start_ns, self.row = rate_hz, signal, clock.now_ns(), 0
        self.is_silent = False

    def poll(self, timeout_s: float) -> Polled | None:
        """The rows that are due."""
        due = int((self._clock.now_ns() - self._start_ns) * 1e-9 * self._rate_hz) + 1
        rows, self.row = range(self.row, due), due
        if not rows or self.is_silent:
            return None
        self._pieces = iter([b"".join(self._line(n) for n in rows)])
        return super().poll(timeout_s)

    def _line(self, n: int) -> bytes:
        line = text_line(n, self._rate_hz)
        count, t_ms, _ = line.split(b"*")[0].split(b",")
        body = b"%s,%s,%d" % (count, t_ms, self._signal(n / self._rate_hz))
        check = 0
        for byte in body:
            check ^= byte
        return b"%s*%02X\n" % (body, check)


def pulses(delay_s: float) -> Callable[[float], int]:
    """One for half a second, every second."""
    return lambda time_s: int(time_s >= FIRST_EDGE_S + delay_s and (time_s - FIRST_EDGE_S - delay_s) % 1.0 < 0.5)


class Room:
    """A recorder of two sources that see the same lamp."""

    def __init__(self, loaded: LoadedStand, path: Path) -> None:
        self.path, self.clock, self.desk = path, ManualClock(10**9), Desk()
        stand = stand_of(loaded.stand, [text_source(name, "socket://127.0.0.1:1") for name in RATES_HZ])
        self.sources = {
            name: Timed(
                stand_of(loaded.stand, [text_source(name, "socket://127.0.0.1:1")]), rate, pulses(delay_s), self.clock
            )
            for (name, rate), delay_s in zip(RATES_HZ.items(), (0.0, LATER_S), strict=True)
        }
        self.recorder = Recorder(stand, header_for(loaded), list(self.sources.values()), path, self.clock, self.desk)
        self.is_over = False
        self.refused = 0

    def run(self, seconds: float) -> None:
        until = self.clock.now_ns() + round(seconds * 1e9)
        while self.clock.now_ns() < until:
            self.recorder.step()

    def ask(self, *channels: object, **more: object) -> dict[str, object]:
        return answer_request(
            self.recorder, {"do": "common_edge", "channels": list(channels), "who": "bench crew", **more}
        )

    def finish(self) -> None:
        self.is_over = True
        self.recorder.finish()
        self.desk.close()


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture
def room(loaded: LoadedStand, tmp_path: Path) -> Iterator[Room]:
    made = Room(loaded, tmp_path / "run.h5")
    yield made
    if not made.is_over:
        made.finish()


@pytest.fixture(scope="module")
def quiet_room(loaded: LoadedStand, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """A room before its first edge, for requests that are refused; each of them is in the log, and nothing else."""
    made = Room(loaded, tmp_path_factory.mktemp("quiet") / "run.h5")
    made.run(0.9)
    yield made
    made.finish()
    with open_run(made.path) as run:
        told = [e.kind for e in run.events() if e.kind in {EventKind.REFUSED, EventKind.COMMON_EDGE}]
    assert told == [EventKind.REFUSED] * made.refused


def test_measured_written_read_and_measured_again(
    room: Room, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    room.run(4.5)
    answer = room.ask("lamp_load", "scope_load", last_s=4.0)
    assert answer["ok"] is True, answer
    assert answer["edges"] == 4
    # sqrt(10² + 1²) / sqrt(12) ms for one edge; four of them in the same place of the sample interval
    assert abs(float(str(answer["offset_s"])) - LATER_S) < 2.0 * np.sqrt(101.0 / 12.0) * 1e-3
    room.run(0.2)
    room.finish()
    before = room.path.read_bytes()

    with open_run(room.path) as run:
        (event,) = [e for e in run.events() if e.kind is EventKind.COMMON_EDGE]
        stored = run.time_offsets()
        lamp, scope = run.stream("lamp"), run.stream("scope")
        again, sources = common_edge(run, ("lamp_load", "scope_load"))
        back, _ = common_edge(run, ("scope_load", "lamp_load"), start_s=0.5, stop_s=2.0)
    assert event.data["who"] == "bench crew"
    assert event.data["channels"] == ["lamp_load", "scope_load"]
    assert list(stored) == [("lamp", "scope")]
    assert stored["lamp", "scope"].offset_s == answer["offset_s"]
    assert sources == ("lamp", "scope")
    # the rows are the same, so is the number; a stretch with one edge, the other way round, has the other sign
    assert again == stored["lamp", "scope"]
    assert back.edges == 1
    assert abs(back.offset_s + LATER_S) < 2.0 * back.u_s
    # nothing was shifted: both streams still have the times of their own clocks
    assert np.diff(lamp.time_s) == pytest.approx(0.01)
    assert np.diff(scope.time_s) == pytest.approx(0.001)

    assert main(["offset", str(room.path), "lamp_load", "scope_load", "--from", "0.5", "--until", "2"]) == 0
    assert "times of scope minus times of lamp: +0.03" in capsys.readouterr().out
    assert main(["offset", str(room.path), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert told == {"sources": ["lamp", "scope"], "offset_s": again.offset_s, "u_s": again.u_s, "edges": 4}
    assert room.path.read_bytes() == before


def test_asked_through_the_command(room: Room, capsys: pytest.CaptureFixture[str]) -> None:
    room.run(2.5)
    live = write_live_file(Endpoints(room.desk.publish_address, room.desk.request_address, str(room.path)))
    codes: list[int] = []
    asking = threading.Thread(
        target=lambda: codes.append(main(["offset", str(live), "lamp_load", "scope_load", "--last", "2"]))
    )
    asking.start()
    while not codes and asking.is_alive():
        request = room.desk.next_request()
        if request is not None:
            room.desk.answer(answer_request(room.recorder, request))
    asking.join()
    assert codes == [0]
    assert "from 2 edges" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("channels", "more", "words"),
    [
        ((), {}, "not two channels"),
        (("lamp_load",), {}, "not two channels"),
        (("lamp_load", 3), {}, "not two channels"),
        (("lamp_load", "scope_laod"), {}, "Did you mean 'scope_load'?"),
        (("lamp_load", "lamp_load"), {}, "both channels are of one source"),
        (("lamp_load", "scope_load"), {"last_s": 60.0}, "at most 30 s"),
        (("lamp_load", "scope_load"), {"last_s": float("nan")}, "at most 30 s"),
        (("lamp_load", "scope_load"), {"last_s": True}, "at most 30 s"),
        (("lamp_load", "scope_load"), {"last_s": 0.02}, "0 and 0 rising edges"),
    ],
)
def test_refused_with_the_reason(
    channels: tuple[object, ...], more: dict[str, object], words: str, quiet_room: Room
) -> None:
    assert words in str(quiet_room.ask(*channels, **more)["error"])
    quiet_room.refused += 1


def test_a_silent_source_is_refused(room: Room) -> None:
    room.run(2.0)
    room.sources["lamp"].is_silent = True
    room.run(2.0)
    assert "lamp_load is not measured now" in str(room.ask("lamp_load", "scope_load")["error"])


def test_the_same_stretch_is_looked_through_in_both(room: Room) -> None:
    """One of them has let its older rows go: edges that only the other still has are not taken."""
    room.run(2.5)
    room.recorder.lanes["lamp"].timed.clear()
    room.run(2.0)
    answer = room.ask("lamp_load", "scope_load", last_s=4.4)
    assert answer["edges"] == 2
    assert answer["window_s"] == pytest.approx(2.0, abs=0.05)


def test_rows_kept_for_it_are_bounded() -> None:
    """Exact: parts of 10 000 rows, ten of them."""
    recent = Recent(30 * 10**9, MOST_ROWS)
    for second in range(20):
        recent.add(second * 10**9 + np.arange(10_000) * 10**5, np.full((10_000, 2), [0.0, second]))
    assert recent.oldest_ns == 10 * 10**9
    assert recent.column_since(0, 1).shape == (100_000,)
    assert recent.column_since(18_999_900_000, 1).tolist() == [18.0, *[19.0] * 10_000]
    assert recent.column_since(20 * 10**9, 1).shape == (0,)


def test_the_newest_offset_of_a_pair_counts() -> None:
    def event(sources: object, offset_s: object) -> Event:
        data = {"sources": sources, "offset_s": offset_s, "u_s": 0.001, "edges": 1}
        return Event(1.0, EventKind.COMMON_EDGE, "", data=data)  # type: ignore[arg-type]

    events = [
        event(["a", "b"], 1.0),
        event(["b", "a"], -2.0),
        event(["a", "c"], 3.0),
        event(["a", "d"], float("nan")),
        event(["a"], 1.0),
        event(None, 1.0),
        Event(2.0, EventKind.NOTE, "", data={"sources": ["a", "e"], "offset_s": 1.0, "u_s": 0.1, "edges": 1}),
    ]
    found = offsets_from(events)
    assert {pair: offset.offset_s for pair, offset in found.items()} == {("b", "a"): -2.0, ("a", "c"): 3.0}
