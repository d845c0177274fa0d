"""The JSON: every number has its unit and its uncertainty, and nothing on the page is missing."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from benchkit.report.model import Coverage, CoverageCount, Number, ReportModel, RunReport, Table
from benchkit.report.numbers import json_text, report_json
from benchkit.report.sections import build_report


@pytest.fixture(scope="module")
def model(full_run: RunReport) -> ReportModel:
    return build_report([full_run], Coverage((CoverageCount("CT", 384, 400),)))


def naked_numbers(data: Any, path: str = "") -> Iterator[str]:
    """Paths of numbers that do not stand in an object with both ``unit`` and ``u``."""
    if isinstance(data, dict):
        has_unit = "unit" in data and "u" in data
        for key, value in data.items():
            if not (has_unit and key in ("value", "values", "u", "dof", "low95", "high95")):
                yield from naked_numbers(value, f"{path}.{key}")
    elif isinstance(data, list):
        for i, item in enumerate(data):
            yield from naked_numbers(item, f"{path}[{i}]")
    elif isinstance(data, int | float) and not isinstance(data, bool):
        yield path


def test_every_number_has_unit_and_uncertainty(model: ReportModel) -> None:
    data = json.loads(json_text(model))
    assert list(naked_numbers(data)) == []
    assert list(naked_numbers({"a": [{"value": 1.0, "unit": "W"}]})) == [".a[0].value"]  # the check can fail


def test_text_is_strict_json_and_the_same_every_time(model: ReportModel, full_run: RunReport) -> None:
    text = json_text(model)
    assert json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON")) == report_json(model)
    assert json_text(build_report([full_run], model.coverage)) == text


def test_every_number_of_the_tables_is_there(model: ReportModel) -> None:
    data = report_json(model)
    tables = {t["id"]: t for s in _list(data["sections"]) for t in _list(s.get("tables", []))}
    shown = [b for section in model.sections for b in section.blocks if isinstance(b, Table)]
    assert set(tables) == {table.id for table in shown}
    for table in shown:
        for cells, row in zip(table.rows, tables[table.id]["rows"], strict=True):
            for column, cell in zip(table.columns, cells, strict=True):
                if isinstance(cell, Number) and cell.value == cell.value:
                    assert row[column.key]["value"] == cell.value
                    assert row[column.key]["unit"] == cell.unit


def test_efficiency_is_a_ratio_with_its_budget(model: ReportModel, full_run: RunReport) -> None:
    data = report_json(model)
    (table,) = (t for s in _list(data["sections"]) for t in _list(s.get("tables", [])) if t["id"] == "losses")
    first, balance = table["rows"][0]["drive_efficiency"], full_run.result.balances[0]
    assert first["value"] == balance.drive_efficiency.value
    assert first["u"] == balance.drive_efficiency.u
    assert first["unit"] == "1"
    assert first["low95"] < first["value"] < first["high95"]
    sizes = [line["u"] for line in first["budget"]]
    assert sizes == sorted(sizes, reverse=True)


def test_runs_are_named_with_what_pins_them_down(model: ReportModel, full_run: RunReport) -> None:
    (run,) = _list(report_json(model)["runs"])
    assert run["content_sha256"] == full_run.content_sha256
    assert run["is_simulated"] is True
    assert run["seed"] == {"value": 20261103.0, "unit": "1", "u": None}
    assert run["time_factor"]["value"] == 50.0


def test_figures_carry_their_data(model: ReportModel, full_run: RunReport) -> None:
    data = report_json(model)
    figures = {f["id"]: f for s in _list(data["sections"]) for f in _list(s.get("figures", []))}
    grid = figures["map-drive-a"]["efficiency"]
    assert len(grid["values"]) == len(full_run.result.maps[0].torque_nm)
    assert grid["values"][-1][-1] is None  # outside the hull nothing is said
    assert len(grid["u"][0]) == len(full_run.result.maps[0].speed_rpm)


def test_not_measured_is_null(bare_run: RunReport) -> None:
    assert list(naked_numbers(report_json(build_report([bare_run])))) == []


def _list(value: Any) -> list[Any]:
    assert isinstance(value, list)
    return value
