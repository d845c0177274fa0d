"""Make the sample runs again: ``python sample_runs/make.py [--expected] [NAME]``.

Each is recorded by a real recorder from the simulated stand over a pseudo-terminal or TCP socket, so the bytes differ
a little from time to time (host times do), while seed, stand and set-points are the same. ``expected.json`` holds what
the analysis says of the file that lies beside it. All data are SIMULATED.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchkit.cli.demo import (
    DWELL_S,
    RAMP_S,
    TIME_FACTOR,
    recording,
    set_point,
    start,
    stop,
    sweep_map,
    sweep_propeller,
)
from benchkit.model.results import Estimate, RunResult
from benchkit.report.gather import gather
from benchkit.runfile.pack import pack
from benchkit.session.client import RecorderClient

HERE = Path(__file__).resolve().parent
RATE_HZ = 500.0
"""Lines a second on the link; at 60 times real time that is 8 rows a second of the stand."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample run: stand, seed, and what is done."""

    stand: str
    seed: int
    do: Callable[[RecorderClient], None]
    title: str
    story: str


def small_motor(client: RecorderClient) -> None:
    sweep_map(client, (900.0, 1700.0, 2500.0, 3300.0), (5.0, 12.0, 20.0, 28.0, 35.0))


def big_motor_map(client: RecorderClient) -> None:
    sweep_map(client)


def propeller_static(client: RecorderClient) -> None:
    sweep_propeller(client, (1200.0, 1600.0, 2000.0, 2400.0, 2800.0, 3200.0, 2600.0, 1800.0))
    set_point(client, "speed", 3000.0, 960.0)


SAMPLES = {
    "small_motor": Sample(
        "airboat_small", 21, small_motor, "The inverter on the small motor", "20 set-points on the load machine."
    ),
    "big_motor_map": Sample(
        "airboat_map", 22, big_motor_map, "The big motor on the load machine", "25 set-points for the efficiency map."
    ),
    "propeller_static": Sample(
        "airboat", 23, propeller_static, "The propeller", "Eight speeds up and down, then a heat run of 16 min."
    ),
}


COMPARED = "firmware_ab"
"""Eight runs for a comparison: firmware A (B.14) and B (C.02) in the order ABBA BAAB, the same instruments."""
COMPARED_ORDER = "ABBABAAB"
COMPARED_STANDS = {"A": "airboat_map", "B": "airboat_map_c02"}
COMPARED_SEED, COMPARED_RATE_HZ = 31, 250.0
COMPARED_SPEEDS_RPM, COMPARED_TORQUES_NM = (1200.0, 2200.0, 3200.0), (30.0, 75.0, 120.0)
COMPARED_REFERENCE = (2200.0, 75.0)
COMPARED_README = """# Two firmwares of the inverter, four runs each

SIMULATED data of an invented workshop that develops the drive of a wetland-rescue airboat. Firmware B.14 (`a1` … `a4`)
and C.02 (`b1` … `b4`) on the big motor and the load machine, in the order ABBA BAAB: nine set-points, a reference point
(2200 rpm, 75 N·m) at the beginning and the end of each run. The instruments, and so the errors of their calibrations,
are the same in all runs. C.02 of the simulated inverter takes 6 W more at rest and 0.5 W less an ampere.

| | |
|---|---|
| runs | `a1.h5` … `a4.h5`, `b1.h5` … `b4.h5` |
| stands | `shared/stands/airboat_map.toml`, `shared/stands/airboat_map_c02.toml` |
| seeds | calibrations 31, noise 41 … 48 |
| made by | `python sample_runs/make.py firmware_ab` |
| look at it | `benchkit compare sample_runs/firmware_ab/a?.h5 --against sample_runs/firmware_ab/b?.h5` |

What a test compares is in `tests/cli/test_compare_command.py`.
"""


def make_compared() -> None:
    """Record the runs of the comparison."""
    folder = HERE / COMPARED
    folder.mkdir(exist_ok=True)
    (folder / "README.md").write_text(COMPARED_README, encoding="utf-8")
    made = {"A": 0, "B": 0}
    for index, side in enumerate(COMPARED_ORDER):
        made[side] += 1
        stand, target = COMPARED_STANDS[side], folder / f"{side.lower()}{made[side]}.h5"
        with tempfile.TemporaryDirectory() as temporary:
            with recording(
                stand, Path(temporary), 41 + index, rate_hz=COMPARED_RATE_HZ, calibration_seed=COMPARED_SEED
            ) as (client, _, path):
                start(client)
                visit_reference(client)
                sweep_map(client, COMPARED_SPEEDS_RPM, COMPARED_TORQUES_NM)
                visit_reference(client)
                stop(client)
            target.unlink(missing_ok=True)
            pack(path, target)


def visit_reference(client: RecorderClient) -> None:
    """Hold the reference point."""
    speed, torque = COMPARED_REFERENCE
    set_point(client, "speed", speed, RAMP_S)
    set_point(client, "torque", torque, RAMP_S + DWELL_S)


def make(name: str) -> None:
    """Record one sample run."""
    sample = SAMPLES[name]
    folder = HERE / name
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        with recording(sample.stand, Path(temporary), sample.seed, rate_hz=RATE_HZ) as (client, _, path):
            start(client)
            sample.do(client)
            stop(client)
        (folder / "run.h5").unlink(missing_ok=True)
        pack(path, folder / "run.h5")


def write_expected(name: str) -> None:
    """Write what the analysis says of the run that is there; ``--expected`` does only this."""
    sample, folder = SAMPLES[name], HERE / name
    result = gather([folder / "run.h5"])[0].result
    expected = json.dumps(key_numbers(result), indent=2, ensure_ascii=False)
    (folder / "expected.json").write_text(expected + "\n", encoding="utf-8")
    (folder / "README.md").write_text(readme(name, sample, result), encoding="utf-8")


def key_numbers(result: RunResult) -> dict[str, Any]:
    """What a reader of the run should get: value, standard uncertainty and unit of each number."""
    numbers: dict[str, Any] = {"steady points": len(result.points)}
    for m in result.maps:
        numbers[f"best {m.subject} efficiency"] = _plain(m.best_efficiency)
    for i, b in enumerate(result.balances):
        numbers[f"point {i} drive loss"] = _plain(b.drive_loss_w)
    for i, t in enumerate(result.thrust):
        numbers[f"point {i} CT"], numbers[f"point {i} CP"] = _plain(t.ct), _plain(t.cp)
    for fit in result.heating:
        numbers[f"{fit.channel} time constant"] = _plain(fit.tau_s)
        numbers[f"{fit.channel} final"] = _plain(fit.final_c)
    return numbers


def _plain(estimate: Estimate) -> dict[str, float | str]:
    return {"value": estimate.value, "u": estimate.u, "unit": estimate.unit}


def readme(name: str, sample: Sample, result: RunResult) -> str:
    """The page beside the run."""
    return f"""# {sample.title}

SIMULATED data of an invented workshop that develops the drive of a wetland-rescue airboat. {sample.story}

| | |
|---|---|
| run | `run.h5` |
| stand | `shared/stands/{sample.stand}.toml` |
| seed | {sample.seed} |
| made by | `python sample_runs/make.py {name}` |
| look at it | `benchkit info sample_runs/{name}/run.h5`, `benchkit analyse …`, `benchkit report …` |
| expected | `expected.json`: {len(result.points)} steady points, key numbers with value, standard uncertainty, unit |

The recorder read the simulated stand over a real link, {TIME_FACTOR:g} times faster than real time. What a test
compares is in `tests/sample_runs`.
"""


if __name__ == "__main__":
    names = [argument for argument in sys.argv[1:] if argument != "--expected"] or [*SAMPLES, COMPARED]
    for wanted in names:
        if wanted == COMPARED:
            if "--expected" not in sys.argv:
                make_compared()
            continue
        if "--expected" not in sys.argv:
            make(wanted)
        write_expected(wanted)
