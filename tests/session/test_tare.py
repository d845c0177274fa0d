"""Tare through the recorder: what is refused, what is written, and that every stored value can be made again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.analysis.pipeline import analyse
from benchkit.analysis.tare import offsets_of_rows
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.stand import Role, Stand
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.runfile.journal import Kind, read_journal
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.session.desk import Desk
from benchkit.session.recent import Recent
from benchkit.session.recorder import Recorder
from benchkit.session.redecode import redecode
from benchkit.session.requests import answer_request
from benchkit.session.tare import WINDOW_NS
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from benchkit.sources.clock import HostClock, ManualClock
from tests.session.headers import header_for
from tests.session.memory_source import MemorySource

RATE_HZ = 200.0
ZERO_N = 12.5
"""What the cradle shows at rest: 0.025 mV/V, 500 N per mV/V."""


@pytest.fixture(scope="module")
def loaded() -> LoadedStand:
    return load_stand(shared_path("stands", "airboat.toml"))


@dataclass(frozen=True)
class Lines:
    """What the stand sends in twenty seconds, with the shaft turning and at rest. Made once: it takes a second."""

    columns: tuple[str, ...]
    turning: list[bytes]
    resting: list[bytes]


def lines_of(stand: Stand) -> Lines:
    rows, _ = steady_record(stand, Load.PROPELLER, 2000.0, 0.0, seconds=20.0, rate_hz=RATE_HZ, seed=4)
    columns = tuple(MemorySource(stand, [], HostClock()).columns)
    values = rows.values.copy()
    noise = np.random.default_rng(1).normal(0.0, 1.0, (len(rows), 3))
    values[:, columns.index("n")] = 0.3 * noise[:, 0]
    values[:, columns.index("tq")] = 0.002 + 1e-4 * noise[:, 1]
    values[:, columns.index("thrust")] = ZERO_N / 500.0 + 2e-4 * noise[:, 2]
    turning, resting = (record_bytes(stand, each, seed=4) for each in (rows, replace(rows, values=values)))
    return Lines(columns, turning.splitlines(keepends=True), resting.splitlines(keepends=True))


@pytest.fixture(scope="module")
def lines(loaded: LoadedStand) -> Lines:
    return lines_of(loaded.stand)


class Bench:
    """A recorder with a stand whose shaft is turned on and off by hand, and a clock that moves with its lines."""

    def __init__(self, loaded: LoadedStand, lines: Lines, path: Path) -> None:
        self.loaded, self.path = loaded, path
        self.columns, self.turning, self.resting = lines.columns, lines.turning, lines.resting
        self.fed: list[bytes] = []
        self.is_turning = self.is_over = self.is_torn = False
        self.row = 0
        self.clock = ManualClock(10**9)
        self.desk = Desk()
        source = MemorySource(loaded.stand, self._pieces(), self.clock)
        self.recorder = Recorder(loaded.stand, header_for(loaded), [source], path, self.clock, self.desk)

    def _pieces(self) -> Iterator[bytes]:
        while not self.is_over:
            lines = self.turning if self.is_turning else self.resting
            self.clock.advance(5.0 / RATE_HZ)
            piece = b"".join(lines[self.row : self.row + 5])
            self.row += 5
            if self.is_torn:  # the middle of a line is where a read may end
                piece, self.is_torn = piece[:-40], False
                self.fed.append(piece)
                yield piece
                piece = b"".join(lines[self.row - 5 : self.row])[-40:]
            self.fed.append(piece)
            yield piece

    def run(self, seconds: float) -> None:
        rows = self.recorder.lanes["rack"].rows + round(seconds * RATE_HZ)
        while self.recorder.lanes["rack"].rows < rows:
            self.recorder.step()

    def ask(self, **request: object) -> dict[str, object]:
        return answer_request(self.recorder, {"who": "bench crew", **request})

    def tare(self, *channels: str) -> dict[str, object]:
        return self.ask(do="tare", channels=list(channels))

    def until(self, state: State) -> None:
        while self.recorder.protection.state is not state:
            self.recorder.step()

    def start(self) -> None:
        self.until(State.READY)
        self.recorder.request_trigger(Trigger.ARM, "test")
        self.recorder.request_trigger(Trigger.START, "test")
        self.is_turning = True

    def stop(self) -> None:
        self.recorder.request_trigger(Trigger.STOP, "test")
        self.recorder.protection.reply("rack", "ok stop ramp", self.clock.now_ns())
        self.is_turning = False

    def finish(self) -> None:
        self.is_over = True
        while not self.recorder.step():
            pass
        self.recorder.finish()
        self.desk.close()


@pytest.fixture
def bench(loaded: LoadedStand, lines: Lines, tmp_path: Path) -> Iterator[Bench]:
    made = Bench(loaded, lines, tmp_path / "run.h5")
    yield made
    if not made.is_over:
        made.finish()


@pytest.fixture(scope="module")
def resting(loaded: LoadedStand, lines: Lines, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A bench that could be tared, for requests that change nothing."""
    made = Bench(loaded, lines, tmp_path_factory.mktemp("resting") / "run.h5")
    made.run(2.5)
    yield made
    assert made.tare("thrust")["ok"] is True
    made.finish()


def test_a_run_with_a_tare_before_and_after_it(bench: Bench) -> None:
    bench.run(2.5)
    bench.is_torn = True
    answer = bench.tare("thrust", "shaft_torque")
    assert answer["ok"] is True
    first = bench.recorder.lanes["rack"].rows
    bench.run(0.5)
    bench.start()
    bench.run(3.0)
    refused = bench.tare("thrust")
    assert "the stand must be at rest (got 'RUNNING')" in str(refused["error"])
    bench.stop()
    bench.run(1.0)
    assert "the shaft turns" in str(bench.tare("thrust")["error"])
    bench.run(2.5)
    second = bench.recorder.lanes["rack"].rows
    assert bench.tare("thrust")["ok"] is True
    bench.run(0.5)
    bench.finish()
    with open_run(bench.path) as run:
        stream, events = run.stream("rack"), run.events()
        raw = run.raw_values("rack")
        raw_columns = run.spec("rack").raw_columns
        sent = run.raw_bytes("rack")
    assert sent == b"".join(bench.fed)  # what the stand sent is what is kept
    tares = [e for e in events if e.kind is EventKind.TARE]
    assert [e.data["who"] for e in tares] == ["bench crew"] * 2
    assert [e.data["from_row"] for e in tares] == [first, second]
    entry = tares[0].data["channels"]["thrust"]
    assert (entry["before"], entry["after"]) == (0.0, -entry["mean"])
    # 0.1 N of noise over 400 rows; three standard uncertainties
    assert abs(entry["mean"] - ZERO_N) < 3.0 * entry["u"] < 0.05
    assert sum(e.kind is EventKind.REFUSED for e in events) == 2

    # every stored value again from the raw number, the calibration and the events: the same bits
    offsets = offsets_of_rows(events, "rack", stream.channels, len(stream))
    for name in ("thrust", "shaft_torque"):
        channel = bench.loaded.stand.channels[name]
        column = raw[:, raw_columns.index(channel.column)]
        again = channel.calibration.curve.apply(column) + offsets[:, stream.channels.index(name)]
        assert np.array_equal(again, stream.column(name))
    assert not offsets[:, stream.channels.index("shaft_speed")].any()

    thrust = stream.column("thrust")
    assert np.mean(thrust[:first]) == pytest.approx(ZERO_N, abs=0.05)
    assert np.mean(thrust[first : first + 50]) == pytest.approx(0.0, abs=0.05)
    findings = {
        f.channel: f for f in analyse(bench.loaded.stand, stream, events).findings if "tare" in f.message.lower()
    }
    assert (findings["thrust"].code, findings["thrust"].severity) == ("zero_drift", "note")
    assert findings["shaft_torque"].code == "no_tare_after"


def test_decoding_the_journal_again_takes_the_tares_along(bench: Bench, tmp_path: Path) -> None:
    bench.run(2.5)
    bench.is_torn = True
    assert bench.tare("thrust")["ok"] is True
    bench.run(0.5)
    bench.recorder._serve(bench.clock.now_ns())  # hand over what waits
    journal = tmp_path / "run.h5.journal"
    host = HostClock()
    while _received(journal) < sum(len(piece) for piece in bench.fed):
        host.sleep(0.02)
    copy = tmp_path / "copy"
    copy.mkdir()
    (copy / "run.h5.journal").write_bytes(journal.read_bytes())
    rows = bench.recorder.lanes["rack"].rows
    bench.finish()
    found = recover(copy / "run.h5", redecode)
    with open_run(found.path) as again, open_run(bench.path) as whole:
        a, b = again.stream("rack"), whole.stream("rack", 0, rows)
    assert len(a) == rows
    assert np.array_equal(a.column("thrust"), b.column("thrust"))
    assert np.mean(a.column("thrust")[-50:]) == pytest.approx(0.0, abs=0.05)


def _received(path: Path) -> int:
    with read_journal(path) as journal:
        return sum(len(record.payload) for record in journal if record.kind is Kind.RECEIVED)


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        (["thurst"], "no channel of that name is recorded (got 'thurst'). Did you mean 'thrust'?"),
        ([], "no channels named"),
        (None, "no channels named"),
        ("thrust", "no channels named"),
        ([1], "no channels named"),
        (["dc_voltage"], "a voltage is not known to be zero at rest"),
        (["thrust", "shaft_speed"], "a speed is not known to be zero at rest"),
    ],
)
def test_what_cannot_be_tared(channels: object, words: str, resting: Bench) -> None:
    assert words in str(resting.ask(do="tare", channels=channels)["error"])
    assert resting.recorder.lanes["rack"].map.tare is None


def test_too_early_too_old_and_not_measured(bench: Bench) -> None:
    bench.run(0.5)
    assert "has not been measured for long enough" in str(bench.tare("thrust")["error"])
    bench.run(2.0)
    bench.clock.advance(0.6)  # the stand says nothing for longer than its declared time
    assert "shaft_speed is not measured now" in str(bench.tare("thrust")["error"])
    bench.run(2.5)
    assert bench.tare("thrust")["ok"] is True
    bench.run(0.2)  # two tares in a row do not use a row twice
    assert "since the start or the last tare" in str(bench.tare("thrust")["error"])


def test_one_row_without_a_value_refuses_all_channels(bench: Bench) -> None:
    bench.run(2.5)
    column = bench.columns.index("tq") + 2  # behind counter and device time
    fields = bench.resting[bench.row].split(b"*")[0].split(b",")
    assert float(fields[column]) == pytest.approx(0.002, abs=1e-3)
    bench.recorder.lanes["rack"].recent._parts[-1][1][0, bench.columns.index("tq")] = np.nan
    assert "shaft_torque is not measured in every row" in str(bench.tare("thrust", "shaft_torque")["error"])
    assert bench.recorder.lanes["rack"].map.tare is None


def test_a_load_on_the_cradle_is_not_a_zero(bench: Bench) -> None:
    bench.run(2.5)
    for _, values in bench.recorder.lanes["rack"].recent._parts:
        values[:, bench.recorder.lanes["rack"].channel_names.index("thrust")] += 200.0
    # the span is 1700 N: a tenth of it
    error = str(bench.tare("thrust")["error"])
    assert "too far off to be taken (got '212.5 N'; expected within 170 N)" in error


def test_a_stand_without_a_speed_cannot_be_tared(loaded: LoadedStand, lines: Lines, tmp_path: Path) -> None:
    roles = {role: name for role, name in loaded.stand.roles.items() if role is not Role.SPEED}
    bench = Bench(replace(loaded, stand=replace(loaded.stand, roles=roles)), lines, tmp_path / "run.h5")
    bench.run(2.5)
    assert "nobody can say whether the shaft turns" in str(bench.tare("thrust")["error"])
    bench.finish()


def test_armed_is_not_at_rest(bench: Bench) -> None:
    bench.run(2.5)
    bench.until(State.READY)
    bench.recorder.request_trigger(Trigger.ARM, "test")
    assert "Stop and disarm" in str(bench.tare("thrust")["error"])


def test_recent_rows_are_let_go() -> None:
    recent = Recent(WINDOW_NS)
    second = 1_000_000_000
    for i in range(100):
        recent.add(np.array([i, i + 0.5]) * second // 10, np.full((2, 3), float(i)))
    assert len(recent._parts) <= 21
    arrival, values = recent.since(round(9.0 * second))
    assert arrival[0] == 9 * second
    assert values.shape == (20, 3)
    recent.add(np.empty(0, dtype=np.int64), np.empty((0, 3)))
    recent.clear()
    assert recent.since(0)[0].size == 0
