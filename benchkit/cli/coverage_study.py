"""How often do the stated 95 % intervals hold the truth? Many seeded points of the simulated stand, each with its own
calibration errors, taken through the same calibration, means and formulas as a recorded run.

``python -m benchkit.cli.coverage_study 400`` prints the study as JSON; it steps back behind everything else that runs.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.steady import channel_means
from benchkit.analysis.uncertainty import interval
from benchkit.cli.priority import step_back
from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import BenchkitError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.samples import Rows
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import steady_record

SECONDS, RATE_HZ = 20.0, 20.0
"""What one point of the demo delivers: 20 s of the stand at 20 rows a second."""
SPEED_RPM, TORQUE_NM = (900.0, 3400.0), (20.0, 130.0)
PROPELLER_SPEED_RPM = (1200.0, 3200.0)


@dataclass(frozen=True, slots=True)
class Checked:
    """One quantity at one seeded point: what was stated, and what is true."""

    quantity: str
    stated: Estimate
    truth: float

    @property
    def is_inside(self) -> bool:
        low, high = interval(self.stated)
        return low <= self.truth <= high


def study(points: int, first_seed: int = 1, progress: Callable[[], None] | None = None) -> dict[str, Any]:
    """Coverage of efficiencies, losses, CT, CP and FM over ``points`` seeded points, as the report takes it."""
    counts: dict[str, list[int]] = {}
    for seed in range(first_seed, first_seed + points):
        for checked in (*_drive_point(seed), *_propeller_point(seed)):
            count = counts.setdefault(checked.quantity, [0, 0])
            count[0] += checked.is_inside
            count[1] += 1
        if progress:
            progress()
    return {
        "counts": {name: {"inside": inside, "total": total} for name, (inside, total) in counts.items()},
        "seeds": f"{first_seed}-{first_seed + points - 1}",
        "stated": 0.95,
        "method": (
            "every seed draws its own calibration errors, propeller diameter, noise and operating point; "
            f"{SECONDS:g} s at {RATE_HZ:g} rows/s a point"
        ),
    }


def _drive_point(seed: int) -> Iterator[Checked]:
    stand = _stand("airboat_map.toml")
    rng = np.random.default_rng([seed, 41])
    speed, torque = float(rng.uniform(*SPEED_RPM)), float(rng.uniform(*TORQUE_NM))
    rows, truth = steady_record(stand, Load.MACHINE, speed, torque, seconds=SECONDS, rate_hz=RATE_HZ, seed=seed)
    balance = power_balance(stand, _point(stand, rows))
    yield Checked("inverter efficiency", balance.inverter_efficiency, truth.inverter_efficiency)
    yield Checked("motor efficiency", balance.motor_efficiency, truth.motor_efficiency)
    yield Checked("drive efficiency", balance.drive_efficiency, truth.drive_efficiency)
    yield Checked("drive loss", balance.drive_loss_w, truth.drive_loss_w)


def _propeller_point(seed: int) -> Iterator[Checked]:
    stand = _stand("airboat.toml")
    speed = float(np.random.default_rng([seed, 42]).uniform(*PROPELLER_SPEED_RPM))
    rows, truth = steady_record(stand, Load.PROPELLER, speed, math.nan, seconds=SECONDS, rate_hz=RATE_HZ, seed=seed)
    thrust = static_thrust(stand, _point(stand, rows))
    assert thrust is not None  # the example stand measures thrust, torque, speed and air
    yield Checked("CT", thrust.ct, truth.ct)
    yield Checked("CP", thrust.cp, truth.cp)
    yield Checked("figure of merit", thrust.figure_of_merit, truth.figure_of_merit)


def _stand(name: str, cache: dict[str, Stand] = {}) -> Stand:  # noqa: B006  read once, on purpose
    if name not in cache:
        cache[name] = load_stand(shared_path("stands", name)).stand
    return cache[name]


def _point(stand: Stand, rows: Rows) -> OperatingPoint:
    stream = stream_of(stand, rows)
    return OperatingPoint(
        index=0,
        stream=stream.source,
        row_start=0,
        row_stop=len(stream),
        time_start_s=float(stream.time_s[0]),
        time_end_s=float(stream.time_s[-1]),
        means=channel_means(stand, stream, 0, len(stream)),
    )


def stream_of(stand: Stand, rows: Rows) -> Stream:
    """The stream that a recorder would have made of these rows."""
    source = next(iter(stand.sources.values()))
    channels = stand.channels_of(source.name)
    values = ChannelMap(channels, text_format_of(source).value_columns).calibrate(rows.values)
    time_s = rows.device_time_s - rows.device_time_s[0]
    return Stream(
        source=source.name,
        channels=tuple(c.name for c in channels),
        units=tuple(c.unit for c in channels),
        time_s=time_s,
        arrival_s=time_s,
        device_time_s=rows.device_time_s,
        counter=rows.counter,
        values=values,
    )


def start_process(points: int) -> subprocess.Popen[str]:
    """The study in a process of its own; ``result_of`` waits for it."""
    command = [sys.executable, "-m", "benchkit.cli.coverage_study", str(points)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")


def result_of(process: subprocess.Popen[str]) -> dict[str, Any]:
    """Wait for a study and take its result.

    Raises:
        BenchkitError: the process ended without one.
    """
    text, _ = process.communicate()
    if process.returncode != 0:
        raise BenchkitError("the coverage study ended without a result", got=f"exit code {process.returncode}")
    result: dict[str, Any] = json.loads(text)
    return result


if __name__ == "__main__":
    step_back()
    print(json.dumps(study(int(sys.argv[1]))))
