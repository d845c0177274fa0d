"""The nomenclature page names every numeric field of a result, every role and every bench unit."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

from benchkit.model import (
    battery,
    results,
    results_endurance,
    results_heat,
    results_maps,
    results_motor,
    results_thermal,
    results_thrust,
)
from benchkit.model.stand import Role
from benchkit.units import BENCH_UNIT

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "nomenclature.md").read_text(encoding="utf-8")
NAMES = set(re.findall(r"`([^`]+)`", PAGE))
PLAIN = {"name", "unit", "index", "stream", "channel", "subject", "model", "terms", "covariance", "severity", "code"}
CONTAINERS = {"point", "points", "balances", "thrust", "maps", "heating", "ratings", "findings", "means", "message"}
CONTAINERS |= {"propulsion", "duties", "contours", "lack_of_fit", "hysteresis", "method", "reason"}
CONTAINERS |= {"heat_balances", "square_laws", "looked_at", "text", "motor", "thrust_tests", "constants", "estimate"}
CONTAINERS |= {"how", "notes", "zeros", "zeroed", "up_and_down", "outliers", "recirculation", "drag_parts"}
CONTAINERS |= {"drag_points", "power", "a", "b", "coefficient", "mission", "calorimetry", "endurance", "thermal"}
CONTAINERS |= {"verdict"}


def test_fields_of_results():
    modules = (
        results,
        results_maps,
        results_motor,
        results_thrust,
        results_heat,
        results_endurance,
        results_thermal,
        battery,
    )
    classes = [
        c for m in modules for c in vars(m).values() if dataclasses.is_dataclass(c) and c.__module__ == m.__name__
    ]
    assert len(classes) >= 10
    fields = {f.name for c in classes for f in dataclasses.fields(c)} - PLAIN - CONTAINERS
    assert fields - NAMES - {"efficiency"} == set()


def test_roles():
    assert {role.value for role in Role} - NAMES == set()


def test_bench_units():
    for quantity, unit in BENCH_UNIT.items():
        assert f"| {quantity.value} | {unit} |" in PAGE
