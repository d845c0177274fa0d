"""The account after stops, restarts and kills, beside what is true of the plant and what was done to the plan."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.events import JsonValue
from benchkit.model.interlock import State, Trigger
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
from benchkit.model.stand import Stand
from benchkit.plans.account import Account, Share, account_of, time_within
from benchkit.plans.entries import Entry, EntryKind
from benchkit.plans.generate import Frame
from benchkit.plans.table import Phase as At
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.plan_journal import entry_line, read_plan_journal
from tests.plans.bench import Bench
from tests.plans.truth import SPEED, TIME, TORQUE

ROWS, STEP_S = 2, 0.05
LOOK_S = ROWS * STEP_S
FACTOR = 10.0
"""A look of 10 ms host time is 0.1 s of the stand."""
PRESENCE = Presence(2.0, 0.5, 1.0)


@pytest.fixture(scope="module")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat_map.toml")).stand


def schedule(dwell_s: float, segments: int) -> Plan:
    """Segments of different set-points, every other one repeated after a stop."""
    made = [
        Segment(
            f"segment_{k}",
            SegmentKind.POINTS,
            ({Axis.SPEED: 300.0 + 20.0 * k, Axis.TORQUE: 10.0 + 0.5 * k},),
            Dwell(Until.TIME, dwell_s, 1e6, Otherwise.STOP),
            after_stop=AfterStop.REPEAT if k % 2 else AfterStop.GO_ON,
            rating=("continuous", "short time")[k % 2],
        )
        for k in range(segments)
    ]
    return Frame(slew={Axis.SPEED: 400.0, Axis.TORQUE: 60.0}, presence=PRESENCE).plan("account", "Account", made)


class Witness:
    """Counts time in tolerance from the plant's own state and the commands that went out, not from the plan.

    Time counts from the look after the set-points have arrived at a point of the plan until others go out, or a stop.
    """

    def __init__(self, plan: Plan) -> None:
        self.points = {tuple(s.points[0].values()): s for s in plan.segments}
        self.all_s = {s.name: 0.0 for s in plan.segments}
        self.credit_s = dict(self.all_s)
        self.starts = self.way_looks = 0
        self.stops: Counter[str] = Counter()

    def segment_at(self, bench: Bench, since: int) -> Segment | None:
        """The segment whose set-points were sent last, since the start number ``since`` of the list."""
        last = {name: value for _, _, name, value in bench.sent[since:]}
        return self.points.get((last.get("speed", -1.0), last.get("torque", -1.0)))

    def saw(self, segment: Segment | None, rows: list[tuple[float, float, float, float]], before_s: float) -> None:
        if segment is None or not rows:
            return
        speed, torque = segment.points[0].values()
        times = [before_s, *(row[TIME] for row in rows)]
        for row, past in zip(rows, times, strict=False):
            if abs(row[SPEED] - speed) <= 15.0 and abs(row[TORQUE] - torque) <= 2.0:
                self.all_s[segment.name] += row[TIME] - past
                self.credit_s[segment.name] += row[TIME] - past


def trial(stand: Stand, folder: Path, stops: int, seed: int, dwell_s: float, segments: int) -> tuple[Account, Witness]:
    """Run the schedule with ``stops`` injected troubles; returns the account of the journal and what is true."""
    rng = random.Random(seed)
    plan = schedule(dwell_s, segments)
    witness = Witness(plan)
    bench = Bench(stand, plan, folder, step_s=STEP_S, factor=FACTOR, rows=ROWS, seed=seed)
    since, done = 0, 0
    plan_kinds = [list(CAUSES)[k % len(CAUSES)] for k in range(stops)]
    rng.shuffle(plan_kinds)
    acknowledges = True

    def look() -> None:
        nonlocal acknowledges
        runner = bench.runner
        if acknowledges and runner.progress.is_under_way and bench.now_ns % 500_000_000 < 10_000_000:
            runner.acknowledge(bench.now_ns, "Ottilie")
        # rows behind a trip are none of the plan's, however well the shaft still turns
        was_under_way = runner.progress.is_under_way and bench.protection.state is State.RUNNING
        segment, first = witness.segment_at(bench, since), len(bench.truth)
        before_s = bench.truth[-1][TIME] if bench.truth else 0.0
        taken = runner.account.taken
        bench.step()
        rows = bench.truth[first:]
        if was_under_way:
            witness.way_looks += bool(rows)
            witness.saw(segment, rows, before_s)
            # the dwell was whole at the end of this look: what the plant still holds after it is not of the reading
            assert runner.account.taken - taken <= 1

    while bench.phase is not At.DONE:
        if not bench.runner.progress.is_under_way:
            bench.begin()
            since = len(bench.sent)
            witness.starts += 1
            acknowledges = True
        quiet = rng.randrange(30, round(15.0 * dwell_s))
        while bench.runner.progress.is_under_way and (quiet > 0 or done >= stops):
            quiet -= 1
            look()
        if not bench.runner.progress.is_under_way or done >= stops:
            continue
        kind, done = plan_kinds[done], done + 1
        step = bench.runner.progress.step
        assert step is not None
        repeats = step.after_stop is AfterStop.REPEAT
        inject(kind, bench, look)
        witness.stops[CAUSES[kind].value] += 1
        if kind.startswith(("kill", "end")):
            if kind.startswith("kill"):
                bench.journal.close()  # what was handed over is written; nothing else is said
            else:
                bench.close()
            if "torn" in kind:
                whole = entry_line(Entry(EntryKind.TIME, 1.0, "", {"good_s": 1000.0, "segment": "segment_0"}))
                with bench.journal.path.open("ab") as file:
                    file.write(whole[: rng.randrange(1, len(whole))])
            truth, events, sent = bench.truth, bench.events, bench.sent
            bench.device.command("stop ramp")  # what a watchdog does when the computer is gone
            again = Bench(
                stand, plan, folder, device=bench.device, step_s=STEP_S, factor=FACTOR, rows=ROWS, start_ns=bench.now_ns
            )
            again.truth, again.events, again.sent, bench = truth, events, sent, again
        if repeats:
            witness.credit_s[step.segment] = 0.0
        assert bench.phase is At.HELD
        for _ in range(3):  # nothing goes on by itself
            look()
        assert bench.phase is At.HELD
    bench.close()
    entries, _ = read_plan_journal(bench.journal.path)
    return account_of(entries), witness


CAUSES = {
    "halt": StopCause.BY_HAND,
    "trip": StopCause.TRIP,
    "leave": StopCause.OPERATOR,
    "silent": StopCause.TRIP,  # the limits of this stand trip where their channels fall silent
    "no acknowledgement": StopCause.ACKNOWLEDGEMENT,
    "kill": StopCause.CUT_OFF,
    "kill, torn line": StopCause.CUT_OFF,
    "end and restart": StopCause.CLOSED,
}
"""What the account must call each trouble."""


def inject(kind: str, bench: Bench, look: Callable[[], None]) -> None:
    """Do one of the troubles; those that end the recording are done by the caller."""
    if kind == "halt":
        bench.runner.halt(bench.now_ns, "Ottilie")
    elif kind == "trip":
        bench.ask_protection(bench.protection.external_trip("guard open", bench.now_ns))
        look()
    elif kind == "leave":
        bench.runner.leave(bench.now_ns, "Ottilie")
    elif kind == "silent":
        bench.silent = True
        while bench.runner.progress.is_under_way:
            look()
        bench.silent = False
    elif kind == "no acknowledgement":
        late_ns = bench.now_ns - round((PRESENCE.every_s + PRESENCE.within_s + 1.0) * 1e9)
        bench.runner.acknowledge(late_ns, "Ottilie")
        look()


def check(account: Account, witness: Witness, plan: Plan, dwell_s: float) -> None:
    assert account.starts == witness.starts
    assert dict(account.stops) == dict(witness.stops)
    assert account.taken == len(plan.segments)
    # the look in which the next set-points go out is still held by the plant, and no longer of the reading
    after_s = LOOK_S * account.taken
    true_s = sum(witness.all_s.values()) - after_s
    print(f"in tolerance {account.good_s:.1f} s on the account, {true_s:.1f} s by the plant")
    assert account.good_s == pytest.approx(true_s, abs=1.0)
    for rating in ("continuous", "short time"):
        names = [s.name for s in plan.segments if s.rating == rating]
        share = account.ratings[rating]
        assert share.cycles == len(names)
        assert share.credited_s == pytest.approx(sum(witness.credit_s[n] for n in names) - LOOK_S * len(names), abs=1.0)
        assert share.credited_s == pytest.approx(dwell_s * len(names), abs=2.0 * LOOK_S * len(names))
    assert account.way_s == pytest.approx(witness.way_looks * LOOK_S, abs=1.0)


def test_the_account_is_true_after_stops_and_restarts(stand: Stand, tmp_path: Path) -> None:
    account, witness = trial(stand, tmp_path, len(CAUSES), 3, 7.0, 10)
    assert account.stops_in_all == len(CAUSES)
    check(account, witness, schedule(7.0, 10), 7.0)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_the_account_is_true_after_two_hundred_stops_and_restarts(stand: Stand, tmp_path: Path) -> None:
    account, witness = trial(stand, tmp_path, 200, 4, 60.0, 90)
    assert account.stops_in_all == 200
    check(account, witness, schedule(60.0, 90), 60.0)


def test_a_repeat_takes_the_credit_back_and_leaves_the_time() -> None:
    def time(segment: str, good_s: float) -> Entry:
        data: dict[str, JsonValue] = {
            "segment": segment,
            "turn": 1,
            "rating": "continuous",
            "way_s": 20.0,
            "read_s": 12.0,
            "good_s": good_s,
        }
        return Entry(EntryKind.TIME, 0.0, "", data)

    point: dict[str, JsonValue] = {"segment": "a", "turn": 1, "rating": "continuous"}
    entries = [
        Entry(EntryKind.BEGUN, 0.0),
        time("a", 10.0),
        Entry(EntryKind.TAKEN, 0.0, "", point),
        time("a", 5.0),
        Entry(EntryKind.STOPPED, 0.0, "", {"cause": "trip"}),
        Entry(EntryKind.REPEATED, 0.0, "", {"segment": "a", "turn": 1, "steps": 1}),
        Entry(EntryKind.RESUMED, 0.0),
        time("a", 10.5),
        Entry(EntryKind.TAKEN, 0.0, "", point),
    ]
    account = account_of(entries)
    # exact: 10 + 5 + 10.5 s were held, of which the last 10.5 s stand; two points were taken, one of them again
    assert account.ratings["continuous"] == Share(36.0, 25.5, 10.5, 1)
    assert (account.starts, account.stops, account.taken, account.repeated) == (2, {"trip": 1}, 2, 1)
    assert account.way_s == 60.0


def test_time_within_is_counted_row_by_row() -> None:
    times = np.array([1.0, 1.5, 2.0, 9.0, 9.5])
    speed = np.array([1000.0, 1016.0, 1014.0, 1000.0, np.nan])
    found = time_within(times, {Axis.SPEED: speed}, {Axis.SPEED: 1000.0}, {Axis.SPEED: 15.0}, 0.5, 1.0)
    # exact: the gap of 7 s stands for nothing, the second row is outside, the last is not measured
    assert found == (2.0, 1.0)
    assert time_within(times, {}, {Axis.SPEED: 1000.0}, {Axis.SPEED: 15.0}, 0.5, 1.0) == (2.0, 0.0)


def test_a_stopped_plan_needs_running_and_a_name(stand: Stand, tmp_path: Path) -> None:
    bench = Bench(stand, schedule(5.0, 1), tmp_path, step_s=STEP_S, factor=FACTOR, rows=ROWS)
    bench.start()
    bench.step()
    with pytest.raises(RefusedError, match="nobody begins"):
        bench.runner.begin(bench.now_ns, "")
    bench.runner.begin(bench.now_ns, "Ottilie")
    bench.ask_protection(bench.protection.request(Trigger.STOP, bench.now_ns, "Ottilie"))
    bench.step()
    assert bench.phase is At.HELD
    assert bench.protection.state is not State.RUNNING
    with pytest.raises(RefusedError, match="in RUNNING only"):
        bench.runner.begin(bench.now_ns, "Ottilie")
    bench.close()
    assert not any(p.stat().st_size == 0 for p in tmp_path.iterdir())
