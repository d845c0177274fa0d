"""Sections of the motor and of two propellers: there with data, absent without, every number in the JSON."""

from __future__ import annotations

from dataclasses import replace

from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.results_motor import Constant, DragPart, DragPoint, MotorConstants
from benchkit.model.results_thrust import OutlierCheck, Recirculating, ThrustTests, UpAndDown, ZeroCheck, ZeroedPoint
from benchkit.report.model import ReportModel, RunReport
from benchkit.report.numbers import report_json
from benchkit.report.page import render
from benchkit.report.sections import build_report
from tests.report.conftest import thrust_at

POINT = OperatingPoint(0, "rack", 0, 100, 0.0, 10.0)
N = Estimate(1.5, 0.1, "N")
MOTOR = MotorConstants(
    "rack",
    (Constant("Flux linkage at 20 °C", Estimate(0.0548, 3e-5, "Wb"), "seven points"),),
    (DragPart("windage", 2, Estimate(1e-6, 1e-7, "N·m·s²/rad²"), is_identified=True),),
    (DragPoint(POINT, Estimate(500.0, 0.1, "rpm"), Estimate(0.8, 0.02, "N·m"), Estimate(0.81, 0.01, "N·m"), True),),
    ("Speed alone does not tell them apart.",),
)
TESTS = ThrustTests(
    (ZeroCheck("thrust", "N", N, Estimate(3.5, 0.1, "N"), Estimate(2.0, 0.14, "N"), has_moved=True),),
    (ZeroedPoint(POINT, Estimate(99.0, 0.3, "N"), None),),
    (Recirculating(POINT, Estimate(-0.03, 0.002, "1"), falls=True),),
    UpAndDown(3, Estimate(4e-4, 1e-4, "1"), 0.004, is_significant=True),
    (OutlierCheck("CT", POINT, 8, 2.9, 2.1, is_outlier=True),),
)


def ids(model: ReportModel) -> list[str]:
    return [section.id for section in model.sections]


def blocks(model: ReportModel) -> dict[str, str]:
    return {getattr(b, "id", ""): str(b) for section in model.sections for b in section.blocks}


def test_the_motor_has_its_section(bare_run: RunReport) -> None:
    assert "motor" not in ids(build_report([bare_run]))
    model = build_report([replace(bare_run, result=replace(bare_run.result, motor=(MOTOR,)))])
    assert {"motor-constants", "drag-parts", "drag-points", "drag-figure"} <= set(blocks(model))
    page = render(model)
    assert "0.000059" in page  # exact: 1.96 · 3e-5
    assert "Speed alone does not tell them apart." in page
    assert "seven points" in str(report_json(model))


def test_tests_of_static_thrust(bare_run: RunReport) -> None:
    result = replace(bare_run.result, thrust=tuple(thrust_at(k, 1500.0 + 300.0 * k) for k in range(4)))
    plain = build_report([replace(bare_run, result=result)])
    assert "thrust-tests" not in blocks(plain)
    assert "propellers" not in ids(plain)
    model = build_report([replace(bare_run, result=replace(result, thrust_tests=(TESTS,)))])
    found = blocks(model)
    for word in ("outlier", "falls", "differ"):
        assert word in found["thrust-tests"]
    assert "has moved" in found["zeros"]
    assert "not seen at rest" in found["zeroed"]


def test_two_runs_of_a_propeller_side_by_side(bare_run: RunReport) -> None:
    result = replace(bare_run.result, thrust=tuple(thrust_at(k, 1500.0 + 300.0 * k) for k in range(4)))
    two = [replace(bare_run, label=label, result=result) for label in ("A", "B")]
    model = build_report(two)
    assert "propellers" in ids(model)
    page = render(model)
    assert "Run B against run A: the same propeller" in page
    assert "taken off and put on again is not in them" in page
