"""The runs in ``sample_runs``: readable, whole, analysed as their README promises, and true to the simulated machines.

Pinned: ``expected.json`` was written by the analysis from the same file; a change of a number must be meant.
Exact: efficiencies, losses and coefficients against the closed form of the simulated stand with the seed of the run.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchkit.analysis.uncertainty import interval
from benchkit.model.results import Estimate
from benchkit.profiles import shared_path
from benchkit.report.gather import gather
from benchkit.report.model import RunReport
from benchkit.runfile.reader import open_run
from benchkit.simulate.drives import drive_of, propeller_of
from benchkit.simulate.sensors import true_propeller
from benchkit.simulate.truth import truth_at

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"
NAMES = ("small_motor", "big_motor_map", "propeller_static")


@pytest.fixture(scope="module", params=NAMES)
def sample(request: pytest.FixtureRequest) -> tuple[str, RunReport]:
    return request.param, gather([SAMPLES / request.param / "run.h5"])[0]


def numbers(report: RunReport) -> dict[str, Estimate | int]:
    """By the names that ``expected.json`` uses."""
    result = report.result
    found: dict[str, Estimate | int] = {"steady points": len(result.points)}
    found |= {f"best {m.subject} efficiency": m.best_efficiency for m in result.maps}
    found |= {f"point {i} drive loss": b.drive_loss_w for i, b in enumerate(result.balances)}
    for i, t in enumerate(result.thrust):
        found |= {f"point {i} CT": t.ct, f"point {i} CP": t.cp}
    for fit in result.heating:
        found |= {f"{fit.channel} time constant": fit.tau_s, f"{fit.channel} final": fit.final_c}
    return found


def test_the_analysis_says_what_it_said(sample: tuple[str, RunReport]) -> None:
    name, report = sample
    expected = json.loads((SAMPLES / name / "expected.json").read_text(encoding="utf-8"))
    found = numbers(report)
    assert set(found) == set(expected)
    for key, wanted in expected.items():
        got = found[key]
        if isinstance(got, Estimate):
            assert got.unit == wanted["unit"], key
            # far inside the uncertainty: another library version may round the last digits differently
            assert got.value == pytest.approx(wanted["value"], abs=0.02 * wanted["u"]), key
            assert got.u == pytest.approx(wanted["u"], rel=0.02), key
        else:
            assert got == wanted, key


def test_the_run_is_whole_and_small_and_says_that_it_is_simulated(sample: tuple[str, RunReport]) -> None:
    name, report = sample
    path = SAMPLES / name / "run.h5"
    assert path.stat().st_size < 7_000_000
    assert report.header.simulated
    with open_run(path) as run:
        assert run.is_closed
        assert run.computed_sha256() == run.content_sha256
    readme = (SAMPLES / name / "README.md").read_text(encoding="utf-8")
    assert "SIMULATED" in readme
    assert f"| seed | {report.header.seed} |" in readme
    assert shared_path("stands", f"{report.header.stand}.toml").name in readme


def test_losses_and_coefficients_hold_the_truth(sample: tuple[str, RunReport]) -> None:
    """All points of a run share its calibration errors, so a run is inside or outside nearly as a whole: the test is
    at four standard uncertainties, not at the 95 % interval."""
    _, report = sample
    drive = drive_of(report.stand)
    for balance in report.result.balances:
        if balance.torque_nm.value < 2.0:
            continue
        means = balance.point.means
        truth = truth_at(
            drive,
            balance.speed_rpm.value,
            balance.torque_nm.value,
            winding_c=means["winding_temp"].value,
            magnet_c=means["magnet_temp"].value,
            junction_c=means["junction_temp"].value,
        )
        for stated, true in (
            (balance.drive_loss_w, truth.drive_loss_w),
            (balance.inverter_efficiency, truth.inverter_efficiency),
            (balance.motor_efficiency, truth.motor_efficiency),
        ):
            assert abs(stated.value - true) < 4.0 * stated.u + 0.01 * abs(true) * (stated.unit == "W")
    for thrust in report.result.thrust:
        if report.stand.propeller is None or thrust.speed_rpm.value < 500.0:
            continue
        assert report.header.seed is not None
        true_one = true_propeller(propeller_of(report.stand), report.stand.propeller.u_diameter_m, report.header.seed)
        for stated, true in ((thrust.ct, true_one.ct), (thrust.cp, true_one.cp)):
            low, high = interval(stated, 0.9999)
            assert low < true < high


def test_together_they_stay_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) < 20_000_000
