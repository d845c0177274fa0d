"""What the commands around a run file do."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import sys
import time
import uuid
from argparse import Namespace
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchkit import __version__
from benchkit.cli.common import load_with_limits, print_json, progress, show_bytes
from benchkit.cli.priority import leave_start_alone, step_first, step_forward
from benchkit.cli.texts import info_lines, recovered_lines
from benchkit.errors import ProfileError, UsageError, did_you_mean
from benchkit.model.cautions import ONE_LINE
from benchkit.model.limit_layers import Mark
from benchkit.model.run import BURST_FORMAT_VERSION, RUN_FORMAT_VERSION, RunHeader
from benchkit.model.stand import Stand
from benchkit.profiles import LoadedStand

if TYPE_CHECKING:
    from benchkit.model.plans import Plan
    from benchkit.session.desk import Desk
    from benchkit.session.process import Child
    from benchkit.session.recorder import Recorder, Summary

HANDING_OVER_S = 10.0
"""A recorder that died may have a keeping process that still writes what it has."""


def record(args: Namespace) -> int:
    """``benchkit record``: one run, until it is told to end."""
    from benchkit.runfile.reader import open_run
    from benchkit.session.bursts import make_bursts
    from benchkit.session.desk import Desk
    from benchkit.session.disk import check_folder
    from benchkit.session.door import open_door
    from benchkit.session.proof_taken import fitting_proof, take_proof
    from benchkit.session.recorder import Recorder
    from benchkit.session.replay import replay_sources
    from benchkit.sources.build import build_source
    from benchkit.sources.clock import Clock, HostClock
    from benchkit.sources.replay import ReplayClock

    step_forward()
    loaded = load_with_limits(args)
    stand = loaded.stand
    ports = ports_of(args.port, stand)
    plan = _plan_of(args, stand)
    clock: Clock = HostClock()
    proof = fitting_proof(Path(args.proof), stand, clock.utc_now(), is_simulated=args.simulated) if args.proof else None
    with contextlib.ExitStack() as ending:
        if args.simulated:
            child = _start_simulated(args, stand, ports)
            ending.callback(child.end)
            ports = dict.fromkeys(stand.sources, child.address) | ports
        if args.replay:
            run = ending.enter_context(open_run(Path(args.replay)))
            clock = pace = ReplayClock(clock)
            sources = list(replay_sources(run, stand, pace, args.speed))
            _take_over(args, run.header)
        else:
            sources = [build_source(spec, clock, ports.get(name)) for name, spec in stand.sources.items()]
        header = make_header(loaded, clock.utc_now(), args)
        out = Path(args.out)
        _say_if_short(check_folder(out, stand.sources.values(), args.duration or 3600.0))
        run_path = out / f"{header.run_id}.h5"
        door = open_door(Path(args.keys) if args.keys else None)
        desk = ending.enter_context(contextlib.closing(Desk(args.publish, args.request, door)))
        recorder = Recorder(
            stand,
            header,
            sources,
            run_path,
            clock,
            desk,
            duration_s=args.duration,
            bursts=None if args.replay else make_bursts(stand.bursts, ports),
        )
        _take_plan(recorder, plan, args.plan, out, ending)
        recorder.begin()
        take_proof(recorder, proof)
        live = _announced(desk, run_path, ending)
        _on_signals(recorder.ask_to_end)
        print(f"recording, announced in {live}", flush=True)
        if not args.quiet:
            print(*_loosened(stand), ONE_LINE, sep="\n", file=sys.stderr)
        _settle(is_replay=bool(args.replay))
        summary = recorder.run()
    if not args.quiet:
        _say_closed(summary)
    return 0


def _say_closed(summary: Summary) -> None:
    rows = ", ".join(f"{name} {count} rows" for name, count in summary.rows.items())
    print(f"closed {summary.run_path}: {rows}, {summary.trips} trips, content {summary.closed.content_sha256[:12]}…")


def _announced(desk: Desk, run_path: Path, ending: contextlib.ExitStack) -> Path:
    """Write the file by which dashboards of this machine find the recorder; where keys are asked for, with one. It
    goes when the recording ends.
    """
    from benchkit.session.messages import Endpoints
    from benchkit.session.process import write_live_file

    addresses = (local_address(desk.publish_address), local_address(desk.request_address))
    keys = None if desk.door is None else desk.door.local
    live = write_live_file(Endpoints(*addresses, str(run_path), os.getpid(), keys=keys))
    ending.callback(live.unlink, missing_ok=True)
    return live


def local_address(address: str) -> str:
    """How this machine itself reaches an address that is bound for all: ``tcp://0.0.0.0:5761``."""
    return re.sub(r"^tcp://(0\.0\.0\.0|\[::\]|\*):", "tcp://127.0.0.1:", address)


def _plan_of(args: Namespace, stand: Stand) -> Plan | None:
    """The plan of ``--plan``; one that this stand cannot carry out is refused here, with every reason."""
    if not args.plan:
        return None
    from benchkit.plans.check import plan_problems
    from benchkit.profiles.plan_file import load_plan

    if args.replay:
        raise UsageError("a replay carries out no plan", where="--plan")
    plan = load_plan(Path(args.plan), stand)
    problems = plan_problems(plan, stand)
    if problems:
        raise ProfileError(args.plan, problems)
    return plan


def _take_plan(
    recorder: Recorder, plan: Plan | None, path: str | None, out: Path, ending: contextlib.ExitStack
) -> None:
    """Give the recorder its plan, with the journal that lies beside the runs. What was begun by another text of it is
    said: its account does not go on here.
    """
    from benchkit.profiles.plan_watch import PlanWatch
    from benchkit.runfile.plan_journal import PlanJournal, other_texts, plan_journal_path

    if plan is not None and path is not None:
        journal = PlanJournal(plan_journal_path(out, plan.name, plan.sha256))
        ending.callback(journal.close)
        others = other_texts(out, plan.name, plan.sha256)
        notice = (
            f"Another text of this plan: {'; '.join(others)}. This one has an account of its own." if others else ""
        )
        if notice:
            print(notice, file=sys.stderr)
        watch = ending.enter_context(contextlib.closing(PlanWatch(Path(path), plan.sha256)))
        recorder.take_plan(plan, journal, is_edited=watch, notice=notice)


def _start_simulated(args: Namespace, stand: Stand, ports: dict[str, str]) -> Child:
    """Start the simulated stand; its packets of bursts go to a free port unless ``ports`` names one."""
    from benchkit.session.process import start_simulated_stand
    from benchkit.sources.burst_udp import free_udp_address

    address: str | None = None
    for name in (name for name, burst in stand.bursts.items() if burst.packet is not None):
        address = ports.setdefault(name, free_udp_address())
        break
    return start_simulated_stand(args.stand, seed=args.seed, time_factor=args.time_factor, bursts=address)


def _say_if_short(short: str | None) -> None:
    if short:
        print(f"caution: {short}", file=sys.stderr)


def _on_signals(end: Callable[[], None]) -> None:
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: end())


def _settle(*, is_replay: bool) -> None:
    """Everything is set up: from here on nothing may hold up the loop."""
    leave_start_alone()
    if not is_replay:  # a replay may take all the time it gets
        step_first()


def _take_over(args: Namespace, replayed: RunHeader) -> None:
    """What the header of a replay says of the run that it replays."""
    args.time_factor = replayed.time_factor * args.speed
    args.seed = replayed.seed
    args.note = args.note or f"replay of {replayed.run_id}"


def _end_on_signals(recorder: Recorder) -> None:
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: recorder.ask_to_end())


def _loosened(stand: Stand) -> Iterator[str]:
    """A line for each limit that later layers let go further than its own."""
    changes = stand.limit_set.changes
    for name in dict.fromkeys(c.limit for c in changes if c.mark is Mark.LOOSENED):
        yield from (f"caution: limit {name} {line}" for line in stand.limit_set.changes_of(name))


def make_header(loaded: LoadedStand, started: datetime, args: Namespace) -> RunHeader:
    """Header of a run that starts now. Seed and time factor are noted for the simulated stand only."""
    stand = loaded.stand
    return RunHeader(
        run_id=f"{started:%Y%m%d-%H%M%S}Z_{stand.name}_{uuid.uuid4().hex[:6]}",
        started_utc=started.isoformat(timespec="microseconds"),
        software_version=__version__,
        host=socket.gethostname(),
        stand=stand.name,
        profile_json=loaded.json,
        profile_texts=loaded.texts,
        operator=getattr(args, "operator", ""),
        note=getattr(args, "note", ""),
        simulated=stand.simulated,
        seed=getattr(args, "seed", None) if stand.simulated else None,
        time_factor=getattr(args, "time_factor", 1.0),
        format_version=BURST_FORMAT_VERSION if stand.bursts else RUN_FORMAT_VERSION,
    )


def ports_of(given: list[str], stand: Stand) -> dict[str, str]:
    """Ports by source from ``SOURCE=PORT`` texts."""
    ports = {}
    for text in given:
        name, equals, port = text.partition("=")
        if not equals or not port:
            raise UsageError(
                "not understood", where=f"--port {text}", expected="SOURCE=PORT, such as rack=/dev/ttyUSB0"
            )
        known = (*stand.sources, *stand.bursts)
        if name not in known:
            raise UsageError("no source of that name", where="--port", got=name, remedy=did_you_mean(name, known))
        ports[name] = port
    return ports


def tell_about(args: Namespace) -> int:
    """``benchkit info``."""
    from benchkit.runfile.info import describe

    info = describe(Path(args.run_file))
    if args.json:
        print_json(asdict(info))
    else:
        print(*info_lines(info), sep="\n")
    return 0


def recover_run(args: Namespace) -> int:
    """``benchkit recover``: rows that only the journal holds are decoded again and added."""
    from benchkit.runfile.journal import is_being_written
    from benchkit.runfile.layout import journal_path
    from benchkit.runfile.recover import recover
    from benchkit.session.redecode import redecode

    path = Path(args.run_file)
    until = time.monotonic() + HANDING_OVER_S
    while is_being_written(journal_path(path)) and time.monotonic() < until:
        time.sleep(0.05)
    with progress(1, "recovering", "B") as bar:
        recovered = recover(path, redecode, progress=lambda *d: show_bytes(bar, *d))
    if args.json:
        print_json(asdict(recovered))
    else:
        print(*recovered_lines(recovered), sep="\n")
    return 0
