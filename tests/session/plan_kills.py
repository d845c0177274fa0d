"""A recorder with a plan, killed again and again: used by the suite and the soak."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.plans import Axis, Dwell, Otherwise, Plan, Segment, SegmentKind, Until
from benchkit.plans.account import Account, account_of
from benchkit.plans.generate import Frame
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_text import plan_toml
from benchkit.runfile.journal import is_being_written
from benchkit.runfile.layout import journal_path
from benchkit.runfile.plan_journal import read_plan_journal
from benchkit.runfile.reader import open_run
from benchkit.runfile.recover import recover
from benchkit.session.client import RecorderClient
from benchkit.session.messages import Status
from benchkit.session.plan_status import PlanStatus
from benchkit.session.process import start_recorder, start_simulated_stand
from benchkit.session.redecode import redecode

FACTOR = 20.0
TOLERANCE = {"shaft_speed": 15.0, "shaft_torque": 2.0}
WHO = "Ottilie"


def hold_plan(dwell_s: float, segments: int) -> Plan:
    """Some holds by time, each with set-points of its own."""
    made = [
        Segment(
            f"hold_{k}",
            SegmentKind.POINTS,
            ({Axis.SPEED: 600.0 + 100.0 * k, Axis.TORQUE: 10.0 + 2.0 * k},),
            Dwell(Until.TIME, dwell_s, 1e5, Otherwise.STOP),
            rating="continuous",
        )
        for k in range(segments)
    ]
    return Frame(slew={Axis.SPEED: 400.0, Axis.TORQUE: 60.0}).plan("holds", "Holds", made)


def play(folder: Path, kills: int, dwell_s: float, segments: int, seed: int) -> tuple[Account, float, list[Path]]:
    """Drive the plan to its end through ``kills`` kills of the recorder's process.

    Returns the account of the journal, the time in tolerance that the run files show [s of the stand], and the runs.
    """
    rng = random.Random(seed)
    plan_path = folder / "holds.toml"
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    plan_path.write_text(plan_toml(hold_plan(dwell_s, segments), stand), encoding="utf-8")
    simulated = start_simulated_stand("airboat_map", seed=seed, time_factor=FACTOR, rate_hz=200.0)
    runs: list[Path] = []
    try:
        for number in range(kills + 1):
            runs.append(_one_recording(folder, simulated.address, plan_path, is_last=number == kills, rng=rng))
    finally:
        simulated.end()
    (journal,) = folder.glob("*.plan")
    entries, _ = read_plan_journal(journal)
    return account_of(entries), sum(_held_s(run) for run in runs), runs


def _one_recording(folder: Path, address: str, plan_path: Path, *, is_last: bool, rng: random.Random) -> Path:
    options = ["--port", f"rack={address}", "--time-factor", str(FACTOR), "--plan", str(plan_path), "--quiet"]
    recorder, endpoints = start_recorder("airboat_map", folder, options)
    run_path = Path(endpoints.run_path)
    try:
        with RecorderClient(endpoints) as client:
            status = _wait(client, lambda s: s.state is State.READY and bool(_plan(s).measured), 20.0)
            assert status.plan is not None
            assert status.plan.phase in ("loaded", "held")
            client.request("arm", who=WHO)
            client.request("start", who=WHO)
            client.request("plan_begin", who=WHO)
            if is_last:
                _wait(client, lambda s: _plan(s).phase == "done", 120.0)
                _wait(client, lambda s: s.state is not State.RUNNING, 10.0)
                client.request("close", who=WHO)
            else:
                _wait(client, lambda s: _plan(s).good_s > 0.0, 60.0)
                time.sleep(rng.uniform(0.05, 0.4))
                recorder.process.kill()
        recorder.wait(60.0)
    except BaseException:
        recorder.kill()
        raise
    if not is_last:
        while is_being_written(journal_path(run_path)):
            time.sleep(0.01)
        run_path = recover(run_path, redecode).path
    return run_path


def _plan(status: Status) -> PlanStatus:
    assert status.plan is not None
    return status.plan


def _wait(client: RecorderClient, reached: Callable[[Status], bool], most_s: float) -> Status:
    until = time.monotonic() + most_s
    while time.monotonic() < until:
        message = client.receive(0.5)
        if isinstance(message, Status) and reached(message):
            return message
    raise AssertionError("the recorder did not get there in time")


def _held_s(run_path: Path) -> float:
    """Time in tolerance [s of the stand] between the last set-point of a point and the next command, from the rows.

    It knows the set-points that went out and the rows, nothing of the plan but its points.
    """
    wanted = {(600.0 + 100.0 * k, 10.0 + 2.0 * k) for k in range(100)}
    with open_run(run_path) as run:
        stream, events = run.stream("rack"), run.events()
    marks: list[tuple[float, tuple[float, float] | None]] = []
    last: dict[str, float] = {}
    for event in events:
        if event.kind is EventKind.SET_POINT:
            last[str(event.data["name"])] = float(str(event.data["value"]))
            pair = (last.get("speed", 0.0), last.get("torque", 0.0))
            marks.append((event.time_s, pair if pair in wanted else None))
        elif event.kind is EventKind.STATE and event.data.get("from") == "RUNNING":
            marks.append((event.time_s, None))
    arrival, total = stream.arrival_s, 0.0
    steps = np.diff(stream.time_s, prepend=stream.time_s[:1])
    for (start, held), (stop, _) in zip(marks, [*marks[1:], (float("inf"), None)], strict=False):
        if held is None:
            continue
        inside = (arrival > start) & (arrival <= stop) & (steps < 1.0)
        for name, value in zip(TOLERANCE, held, strict=True):
            inside &= np.abs(stream.column(name) - value) <= TOLERANCE[name]
        total += float(np.sum(steps[inside]))
    return total
