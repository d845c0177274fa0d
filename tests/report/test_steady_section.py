"""The report says how steady a point was. The records are SIMULATED."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from benchkit.model.results import Estimate, Settled, SteadyLabel
from benchkit.report.gather import gather
from benchkit.report.model import RunReport, Table, Text
from benchkit.report.sections_steady import steady_section

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs" / "propeller_static" / "run.h5"


@pytest.fixture(scope="module")
def report() -> RunReport:
    return gather([SAMPLE])[0]


def tables(run: RunReport) -> dict[str, Table]:
    section = steady_section([run])
    assert section is not None
    return {block.id: block for block in section.blocks if isinstance(block, Table)}


def test_every_point_has_a_row_and_no_thermal_table_without_a_rule(report: RunReport) -> None:
    found = tables(report)
    assert set(found) == {"steady-electrical"}
    rows = found["steady-electrical"].rows
    assert len(rows) == len(report.result.points) > 3
    states = [row[2].text for row in rows if isinstance(row[2], Text)]
    assert all(state.startswith(tuple(s.value for s in Settled)) for state in states)
    assert states.count("steady") > len(states) / 2


def test_a_thermal_label_has_its_own_table(report: RunReport) -> None:
    change = Estimate(2.917, 0.05, "K", 40.0)
    slope = Estimate(2.917 / 1800.0, 0.05 / 1800.0, "K/s", 40.0)
    label = SteadyLabel(Settled.NOT_STEADY, "magnet_temp", "drift", slope, change, 0.1, 1.0, 1800.0, "It drifts.")
    first = dataclasses.replace(report.result.points[0], thermal=label)
    result = dataclasses.replace(report.result, points=(first, *report.result.points[1:]))
    (row,) = tables(dataclasses.replace(report, result=result))["steady-thermal"].rows
    assert [cell.text for cell in row[:3] if isinstance(cell, Text)] == ["P1", "not steady", "magnet_temp"]


def test_without_points_there_is_no_section(report: RunReport) -> None:
    empty = dataclasses.replace(report, result=dataclasses.replace(report.result, points=()))
    assert steady_section([empty]) is None
