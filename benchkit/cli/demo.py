"""``benchkit demo``: the whole chain on the simulated stand, from bytes on a link to the report.

Two recordings, each by a recorder of its own that reads a simulated stand over a real pseudo-terminal or TCP socket:
the big motor on the load machine (efficiency map), then the propeller (static thrust, a heat run, and at its end a loss
of coolant that trips). Everything is asked of the recorder as a dashboard would ask.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from benchkit.cli.common import progress
from benchkit.errors import LinkError, RefusedError, UsageError
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION
from benchkit.model.interlock import State
from benchkit.model.results import RunResult
from benchkit.report.model import RunReport, number
from benchkit.report.numbers import show
from benchkit.session.client import RecorderClient
from benchkit.session.messages import Status
from benchkit.session.process import start_recorder, start_simulated_stand

TIME_FACTOR = 60.0
"""The simulated stand runs this much faster than a real one."""
DWELL_S, RAMP_S = 20.0, 6.0
"""Seconds of the stand at a set-point, and for getting there."""
MAP_SPEEDS_RPM = (1000.0, 1600.0, 2200.0, 2800.0, 3400.0)
MAP_TORQUES_NM = (20.0, 50.0, 80.0, 110.0, 140.0)
PROPELLER_SPEEDS_RPM = (1200.0, 1600.0, 2000.0, 2400.0, 2800.0, 3200.0)
HEAT_RUN_RPM = 3200.0
HEAT_RUN_S = 660.0
COOLANT_LOST_AT_S = 200.0 + HEAT_RUN_S
"""On the stand's own clock: start-up and propeller sweep take less than 200 s."""
TRIP_WITHIN_S = 900.0
COVERAGE_POINTS = 400
ATTEMPTS = 3
WHO = "demo"


def run(out: Path, seed: int) -> int:
    """Record, analyse, report; says in ten lines what it did."""
    from benchkit.cli.coverage_study import result_of, start_process
    from benchkit.report.page import write_report

    began = time.monotonic()
    out.mkdir(parents=True, exist_ok=True)
    say(f"benchkit demo: SIMULATED stand of an airboat drive; nothing turns. {NOT_A_SAFETY_FUNCTION}")

    map_run = undisturbed(lambda: record_map(out, seed))
    points = len(MAP_SPEEDS_RPM) * len(MAP_TORQUES_NM)
    say(f"3 map: {points} set-points of speed and torque on the load machine, orderly stop, run closed and verified")

    study = cache(lambda: start_process(COVERAGE_POINTS))  # once, also where the recording is begun again
    propeller_run = undisturbed(lambda: record_propeller(out, seed + 1, meanwhile=study))
    speeds, minutes = len(PROPELLER_SPEEDS_RPM), HEAT_RUN_S / 60.0
    say(f"4 propeller: {speeds} speeds, a heat run of {minutes:.0f} min on the stand's clock, then coolant was lost")

    page = out / "report.html"
    coverage = result_of(study())
    on_machine, on_propeller = write_report([map_run, propeller_run], page, coverage).runs
    steady = len(on_machine.result.points) + len(on_propeller.result.points)
    say(f"5 trip: {told_trip(on_propeller)}")
    say(f"6 analysis: {steady} steady points; {best_efficiency(on_machine.result)}")
    say(f"7 static thrust: {fastest_thrust(on_propeller.result)}")
    say(f"8 coverage of the stated 95 % intervals, {COVERAGE_POINTS} seeded points: {in_percent(coverage)}")
    say(f"9 report: {page}, {page.stat().st_size / 1e6:.1f} MB, made in {time.monotonic() - began:.0f} s all in all")
    return 0


def record_map(out: Path, seed: int) -> Path:
    """The big motor on the load machine, point by point."""
    with recording("airboat_map", out, seed) as (client, address, run_path):
        say(f"1 stand: a process of its own speaks text lines with CRC at {address}, {TIME_FACTOR:g} times real time")
        say(f"2 recorder: a process of its own, run {run_path.name}")
        start(client)
        sweep_map(client)
        stop(client)
    return run_path


def record_propeller(out: Path, seed: int, meanwhile: Callable[[], object]) -> Path:
    """The propeller at some speeds, then held until coolant is lost and the winding trips; ``meanwhile`` is called when
    the long wait begins.

    Raises:
        RefusedError: something else has tripped before.
    """
    coolant_loss = [(COOLANT_LOST_AT_S, "fault coolant_loss on")]
    with recording("airboat", out, seed, coolant_loss) as (client, _, run_path):
        start(client)
        sweep_propeller(client)
        set_point(client, "speed", HEAT_RUN_RPM, 0.0)
        meanwhile()
        tripped = wait_for(client, lambda s: s.state is State.TRIPPED, (HEAT_RUN_S + TRIP_WITHIN_S) / TIME_FACTOR)
        cause = tripped.first_out.limits if tripped.first_out else ()
        if "winding_hot" not in cause or len(cause) > 1:
            raise RefusedError("a trip before its time", where="demo", got=", ".join(cause), expected="winding_hot")
        wait(client, 20.0)
    return run_path


def undisturbed(record: Callable[[], Path], attempts: int = ATTEMPTS) -> Path:
    """A recording that is begun again when it tripped on the way.

    A computer that stands still for half a second makes the stand silent, and the recorder trips, as it must.

    Raises:
        RefusedError: it tripped each time.
    """
    for left in reversed(range(attempts)):
        try:
            return record()
        except RefusedError as error:
            if not left:
                raise
            say(f"  {error}")
            say("  The recorder trips when the stand is silent for half a second. Was this computer busy? Once more.")
    raise UsageError("no attempt", where="demo", got=attempts, expected="at least 1")


def say(text: str) -> None:
    """Print at once, so that a watcher sees where the demo is."""
    print(text, flush=True)


def told_trip(report: RunReport) -> str:
    """First-out cause and reaction of the last trip, as the report states them."""
    if not report.trips:
        return "none"
    trip = report.trips[-1]
    cause = " and ".join(trip.limits) + ("" if trip.order_resolved else ", order not resolved")
    times = (("written", trip.written_ms), ("acknowledged by the stand", trip.acknowledged_ms))
    reaction = ", ".join(f"{what} after {ms:.1f} ms" for what, ms in times if ms is not None)
    return f"first-out {cause}; stop command {reaction or 'not sent'} (host time since the sample)"


def best_efficiency(result: RunResult) -> str:
    """Best point of the drive's map, as the report states it."""
    drive = next((m for m in result.maps if m.subject == "drive"), None)
    if drive is None:
        return "no map"
    best = show(number(drive.best_efficiency, in_percent=True))
    return f"best drive efficiency {best} at {drive.best_speed_rpm:.0f} rpm, {drive.best_torque_nm:.0f} N·m"


def fastest_thrust(result: RunResult) -> str:
    """Coefficients at the highest speed."""
    if not result.thrust:
        return "not measured"
    top = max(result.thrust, key=lambda t: t.speed_rpm.value)
    parts = (("T", top.thrust_n), ("CT", top.ct), ("CP", top.cp), ("FM", top.figure_of_merit))
    values = ", ".join(f"{name} {show(number(estimate))}" for name, estimate in parts)
    return f"{values} at {top.speed_rpm.value:.0f} rpm"


def in_percent(coverage: Mapping[str, Any]) -> str:
    """Shares of the coverage study for the quantities that the report leads with."""
    led = ("drive efficiency", "CT", "CP")
    shares = ((name, coverage["counts"][name]) for name in led)
    return ", ".join(f"{name} {100.0 * c['inside'] / c['total']:.1f} %" for name, c in shares)


@contextmanager
def recording(
    stand: str,
    out: Path,
    seed: int,
    schedule: Sequence[tuple[float, str]] = (),
    rate_hz: float = 1000.0,
    calibration_seed: int | None = None,
    time_factor: float = TIME_FACTOR,
) -> Iterator[tuple[RecorderClient, str, Path]]:
    """A simulated stand and a recorder that records it; closed in order at the end.

    Gives the attached client, the address of the stand, and the run file.
    """
    simulated = start_simulated_stand(
        stand, seed=seed, time_factor=time_factor, rate_hz=rate_hz, schedule=schedule, calibration_seed=calibration_seed
    )
    try:
        options = ["--port", f"rack={simulated.address}", "--seed", str(seed), "--time-factor", str(time_factor)]
        recorder, endpoints = start_recorder(stand, out, [*options, "--operator", WHO, "--quiet"])
        try:
            with RecorderClient(endpoints) as client:
                yield client, simulated.address, Path(endpoints.run_path)
                client.request("close", who=WHO)
            if recorder.wait(60.0) != 0:
                raise LinkError("the recorder did not end in order", where=endpoints.run_path)
        except BaseException:
            recorder.kill()
            raise
    finally:
        simulated.end()


def start(client: RecorderClient) -> None:
    """Permissives, ARM, START."""
    wait_for(client, lambda s: s.state is State.READY, 10.0)
    client.request("arm", who=WHO)
    client.request("start", who=WHO)


def stop(client: RecorderClient) -> None:
    """Orderly stop, acknowledged by the stand."""
    client.request("stop", who=WHO)
    wait_for(client, lambda s: s.state in (State.STANDBY, State.READY), 10.0)


def sweep_map(
    client: RecorderClient,
    speeds_rpm: Sequence[float] = MAP_SPEEDS_RPM,
    torques_nm: Sequence[float] = MAP_TORQUES_NM,
) -> None:
    """Every torque at every speed, up and down in turns so that no jump is larger than it must be."""
    torques = tuple(torques_nm)
    with progress(len(speeds_rpm) * len(torques), "map", "point") as bar:
        for speed in speeds_rpm:
            set_point(client, "speed", speed, RAMP_S)
            for torque in torques:
                set_point(client, "torque", torque, RAMP_S + DWELL_S)
                bar.update()
            torques = torques[::-1]


def sweep_propeller(client: RecorderClient, speeds_rpm: Sequence[float] = PROPELLER_SPEEDS_RPM) -> None:
    """Every speed in the order given."""
    with progress(len(speeds_rpm), "propeller", "point") as bar:
        for speed in speeds_rpm:
            set_point(client, "speed", speed, RAMP_S + DWELL_S)
            bar.update()


def set_point(client: RecorderClient, name: str, value: float, seconds: float) -> None:
    """Send a set-point and hold it for ``seconds`` of the stand."""
    client.request("set", name=name, value=value, who=WHO)
    wait(client, seconds)


def wait(client: RecorderClient, seconds: float) -> None:
    """Let ``seconds`` of the stand pass while taking what the recorder publishes."""
    until = time.monotonic() + seconds / TIME_FACTOR
    while (left := until - time.monotonic()) > 0.0:
        client.receive(left)


def wait_for(client: RecorderClient, reached: Callable[[Status], bool], timeout_s: float) -> Status:
    """Wait for a status; the time counts in host seconds."""
    until = time.monotonic() + timeout_s
    status: Status | None = None
    while (left := until - time.monotonic()) > 0.0:
        message = client.receive(left)
        if isinstance(message, Status):
            status = message
            if reached(status):
                return status
    raise LinkError(
        "the stand did not get there in time",
        got=status.state.value if status else "no status",
        expected=f"within {timeout_s:g} s",
        remedy="The events of the run say why.",
    )


if __name__ == "__main__":
    sys.exit(run(Path("demo_out"), 7))
