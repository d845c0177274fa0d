"""A recorder with a plan on a real link, stopped in every way and killed, beside the log of the plant itself."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from benchkit.errors import RefusedError
from benchkit.model.interlock import State
from benchkit.model.plans import (
    AfterStop,
    Axis,
    Dwell,
    Otherwise,
    Plan,
    Presence,
    Segment,
    SegmentKind,
    StopCause,
    Until,
)
from benchkit.plans.account import Account, account_of
from benchkit.plans.entries import Entry, EntryKind
from benchkit.plans.generate import Frame
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_text import plan_toml
from benchkit.runfile.plan_journal import read_plan_journal
from benchkit.session.client import RecorderClient
from benchkit.session.messages import Status
from benchkit.session.plan_status import PlanStatus
from benchkit.session.process import Child, start_recorder
from tests.session.plan_truth import Pair, Stretch, Wanted, stretches

RATE_HZ = 1000.0
TOLERANCE = (15.0, 2.0)
WHO = "Ottilie"
PRESENCE = Presence(2.5, 0.5, 2.0)
ACKNOWLEDGES_EVERY_S, WATCHES_EVERY_S = 0.8, 0.3
STOPS = {
    "kill": StopCause.CUT_OFF,
    "end": StopCause.CLOSED,
    "halt": StopCause.BY_HAND,
    "stop of the stand": StopCause.BY_HAND,
    "trip": StopCause.TRIP,
    "leave": StopCause.OPERATOR,
    "no watcher": StopCause.OPERATOR,
    "no acknowledgement": StopCause.ACKNOWLEDGEMENT,
    "silent stand": StopCause.TRIP,  # the limits of this stand trip where their channels fall silent
}
"""What the account must call each of them. "kill" is SIGKILL of the recorder's process, "end" SIGTERM."""
WHISPERED = {"trip": "fault sensor_open", "silent stand": "silent"}
"""What befalls the stand itself, without a word on the link."""


@dataclass
class Played:
    """What was done, what the journal says of it, and what the plant says."""

    plan: Plan
    wanted: dict[Pair, Wanted]
    begins: list[float] = field(default_factory=list)
    kills: list[tuple[float, float]] = field(default_factory=list)
    stops: Counter[str] = field(default_factory=Counter)
    uninvited: int = 0
    """Stops among them that a busy computer brought: half a second without a row, or nobody watching for two."""
    runs: list[Path] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    truth: list[Stretch] = field(default_factory=list)

    @property
    def account(self) -> Account:
        """Of the whole journal."""
        return account_of(self.entries)

    def good_by_stretch(self) -> list[float]:
        """Time in tolerance that the journal has between one begin and the next [s of the stand]."""
        found: list[float] = []
        for entry in self.entries:
            if entry.kind in (EntryKind.BEGUN, EntryKind.RESUMED):
                found.append(0.0)
            elif entry.kind is EntryKind.TIME:
                good_s = entry.data["good_s"]
                assert isinstance(good_s, int | float)
                found[-1] += good_s
        return found


def hold_plan(segments: int, dwell_s: float, short_s: float) -> tuple[Plan, dict[Pair, Wanted]]:
    """Holds by time, each with set-points of its own; every other one is short and repeated after a stop."""
    made, wanted = [], {}
    for k in range(segments):
        repeats = bool(k % 2)
        one = Wanted(f"hold_{k}", ("continuous", "short time")[k % 2], short_s if repeats else dwell_s, repeats)
        pair = (300.0 + 20.0 * k, 10.0 + 0.5 * k)
        wanted[pair] = one
        made.append(
            Segment(
                one.name,
                SegmentKind.POINTS,
                ({Axis.SPEED: pair[0], Axis.TORQUE: pair[1]},),
                Dwell(Until.TIME, one.dwell_s, 1e5, Otherwise.STOP),
                after_stop=AfterStop.REPEAT if repeats else AfterStop.GO_ON,
                rating=one.rating,
            )
        )
    frame = Frame(slew={Axis.SPEED: 400.0, Axis.TORQUE: 60.0}, presence=PRESENCE)
    return frame.plan("holds", "Holds", made), wanted


def play(
    folder: Path,
    kinds: Sequence[str],
    segments: int,
    dwell_s: float,
    short_s: float,
    *,
    pace: float,
    seed: int,
    longest_quiet_s: float = 2.2,
) -> Played:
    """Drive the plan to its end through all ``kinds`` of stops, in any order, each after at most ``longest_quiet_s`` of
    host time."""
    rng = random.Random(seed)
    order = list(kinds)
    rng.shuffle(order)
    played = Played(*hold_plan(segments, dwell_s, short_s))
    plan_path, log = folder / "holds.toml", folder / "plant.log"
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    plan_path.write_text(plan_toml(played.plan, stand), encoding="utf-8")
    with _stand(log, pace, seed) as (plant, address):
        options = ["--port", f"rack={address}", "--time-factor", str(pace), "--plan", str(plan_path), "--quiet"]
        is_over = False
        while not is_over:
            recorder, endpoints = start_recorder("airboat_map", folder, options)
            played.runs.append(Path(endpoints.run_path))
            try:
                with RecorderClient(endpoints) as client:
                    is_over = _Operator(client, plant, recorder, played, rng).works(order, longest_quiet_s)
            finally:
                recorder.kill()
    (journal,) = folder.glob("*.plan")
    played.entries, _ = read_plan_journal(journal)
    played.truth = stretches(log, played.wanted, TOLERANCE, played.begins, played.kills)
    return played


@contextmanager
def _stand(log: Path, pace: float, seed: int) -> Iterator[tuple[subprocess.Popen[str], str]]:
    words = ["airboat_map", str(log), str(pace), str(RATE_HZ), str(seed)]
    plant = subprocess.Popen(
        [sys.executable, "-m", "tests.session.witnessed_stand", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert plant.stdin is not None
    assert plant.stdout is not None
    try:
        address = plant.stdout.readline().strip()
        assert address
        yield plant, address
        plant.terminate()
        assert plant.wait(20.0) == 0
    finally:
        plant.kill()
        plant.wait(10.0)
        plant.stdin.close()
        plant.stdout.close()


class _Operator:
    """The person at one recording, and what befalls it."""

    def __init__(
        self,
        client: RecorderClient,
        plant: subprocess.Popen[str],
        recorder: Child,
        played: Played,
        rng: random.Random,
    ) -> None:
        self._client, self._plant, self._recorder, self._played, self._rng = client, plant, recorder, played, rng
        self._status: Status | None = None
        self._acknowledges = self._watches = True
        self._acknowledged_at = self._watched_at = 0.0

    def works(self, order: list[str], longest_quiet_s: float) -> bool:
        """Begin, go on and stop, until the recording ends; True when the plan is done."""
        self._wait(lambda s: s.state is State.READY and bool(_plan(s).measured), 20.0)
        while True:
            self._begin()
            if not order:
                self._wait(lambda s: _plan(s).phase == "done", 600.0)
                self._wait(lambda s: s.state is not State.RUNNING, 10.0)
                self._client.request("close", who=WHO)
                self._recorder.wait(60.0)
                return True
            self._pass(self._rng.uniform(0.4, longest_quiet_s))
            if _plan(self._now).phase == "held":
                self._take_uninvited()
                continue
            assert _plan(self._now).phase in ("moving", "settling", "taking"), _plan(self._now)
            kind = order.pop()
            if self._stop(kind):
                self._played.stops[STOPS[kind].value] += 1
                return False
            self._wait(lambda s: _plan(s).phase == "held", 15.0)
            if _plan(self._now).cause != STOPS[kind].value:
                self._take_uninvited()
                order.append(kind)
                continue
            self._played.stops[STOPS[kind].value] += 1
            self._pass(0.05)
            assert _plan(self._now).phase == "held"

    def _begin(self) -> None:
        """As a person does: reset, arm, start, go on. Asked again while the stand still says no."""
        self._acknowledges = self._watches = True
        for trigger, reached in (
            ("reset", lambda s: s.state is not State.TRIPPED),
            ("arm", lambda s: s.state in (State.ARMED, State.RUNNING)),
            ("start", lambda s: s.state is State.RUNNING),
        ):
            until = time.monotonic() + 20.0
            while not reached(self._now):
                assert time.monotonic() < until, (trigger, self._now.state)
                try:
                    self._client.request(trigger, who=WHO)
                except RefusedError:
                    self._pass(0.05)
                self._refresh()
        self._played.begins.append(time.monotonic())
        self._client.request("plan_begin", who=WHO)
        self._refresh()

    def _take_uninvited(self) -> None:
        cause, detail = _plan(self._now).cause, _plan(self._now).detail
        absent = (StopCause.ACKNOWLEDGEMENT.value, StopCause.OPERATOR.value)
        assert cause in absent or (cause == StopCause.TRIP.value and "silent" in detail), (cause, detail)
        self._played.stops[cause] += 1
        self._played.uninvited += 1

    def _stop(self, kind: str) -> bool:
        """Whether the recording is over with it."""
        if kind == "kill":
            call = time.monotonic()
            self._recorder.process.kill()
            self._recorder.wait(20.0)
            self._played.kills.append((call, time.monotonic()))
            return True
        if kind == "end":
            self._recorder.end()
            return True
        if kind == "halt":
            self._client.request("plan_halt", who=WHO)
        elif kind == "leave":
            self._client.request("plan_leave", who=WHO)
        elif kind == "stop of the stand":
            self._client.request("stop", who=WHO)
        elif kind in WHISPERED:
            self._whisper(f"{WHISPERED[kind]} on")
            self._wait(lambda s: s.state is State.TRIPPED, 10.0)
            self._whisper(f"{WHISPERED[kind]} off")
        elif kind == "no watcher":
            self._watches = False
        else:
            self._acknowledges = False
        return False

    def _whisper(self, text: str) -> None:
        assert self._plant.stdin is not None
        self._plant.stdin.write(f"{text}\n")
        self._plant.stdin.flush()

    # -- watching

    @property
    def _now(self) -> Status:
        assert self._status is not None
        return self._status

    def _wait(self, reached: Callable[[Status], bool], most_s: float) -> None:
        until = time.monotonic() + most_s
        while time.monotonic() < until:
            self._attend()
            message = self._client.receive(0.1)
            if isinstance(message, Status):
                self._status = message
                if reached(message):
                    return
        raise AssertionError(f"the recorder did not get there in {most_s:g} s: {self._status}")

    def _pass(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self._attend()
            message = self._client.receive(0.05)
            self._status = message if isinstance(message, Status) else self._status

    def _refresh(self) -> None:
        """A status that was made after the last answer: two messages on, for one may be on its way."""
        for _ in range(2):
            self._wait(lambda _: True, 5.0)

    def _attend(self) -> None:
        now = time.monotonic()
        if self._status is None or _plan(self._status).phase not in ("moving", "settling", "taking"):
            return
        if self._acknowledges and now - self._acknowledged_at > ACKNOWLEDGES_EVERY_S:
            self._acknowledged_at = now
            self._client.request("plan_acknowledge", who=WHO)
        if self._watches and now - self._watched_at > WATCHES_EVERY_S:
            self._watched_at = now
            self._client.request("plan_present")


def _plan(status: Status) -> PlanStatus:
    assert status.plan is not None
    return status.plan
