"""Loads that a prediction is asked for: ``[[loads]]`` of a TOML file, or the lines of a CSV file."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from benchkit.errors import UsageError, did_you_mean
from benchkit.profiles.base import Measure, Section
from benchkit.profiles.toml_files import read_toml
from benchkit.units import Quantity, to_bench

VARIABLES = {
    "current": ("current_a", Quantity.CURRENT),
    "dc_voltage": ("dc_voltage_v", Quantity.VOLTAGE),
    "switching_frequency": ("switching_frequency_hz", Quantity.FREQUENCY),
    "junction_temp": ("junction_c", Quantity.TEMPERATURE),
    "coolant_temp": ("coolant_c", Quantity.TEMPERATURE),
    "speed": ("speed_rpm", Quantity.SPEED),
    "torque": ("torque_nm", Quantity.TORQUE),
    "winding_temp": ("winding_c", Quantity.TEMPERATURE),
}
"""Key of a load -> name inside benchkit (and column of a CSV file), and its quantity."""
_COLUMNS = dict(VARIABLES.values())
MOST_LOADS = 500


@dataclass(frozen=True, slots=True)
class LoadPoints:
    """Loads by variable, in bench units; every load has every variable."""

    labels: tuple[str, ...]
    variables: dict[str, tuple[float, ...]]


class LoadSection(Section):
    """One load."""

    name: str | None = None
    current: Measure | None = None
    dc_voltage: Measure | None = None
    switching_frequency: Measure | None = None
    junction_temp: Measure | None = None
    coolant_temp: Measure | None = None
    speed: Measure | None = None
    torque: Measure | None = None
    winding_temp: Measure | None = None


class LoadFile(Section):
    """The whole file."""

    loads: Annotated[list[LoadSection], Field(min_length=1, max_length=MOST_LOADS)]


def read_load_points(path: Path) -> LoadPoints:
    """Read the loads of a ``.toml`` or a CSV file (comma-separated, names of the variables above, ``name`` optional).

    Raises:
        UsageError: the file cannot be read, a key, column, unit or number is wrong, or loads differ in what they say.
    """
    rows = _toml_rows(path) if path.suffix.lower() == ".toml" else _csv_rows(path)
    names = list(rows[0][1])
    for label, values in rows:
        if set(values) != set(names):
            raise UsageError(
                "every load must say the same things",
                where=f"{path.name}, {label}",
                got=", ".join(values),
                expected=", ".join(names),
            )
    return LoadPoints(
        tuple(label for label, _ in rows), {name: tuple(values[name] for _, values in rows) for name in names}
    )


def _toml_rows(path: Path) -> list[tuple[str, dict[str, float]]]:
    mapping, _ = read_toml(path)
    try:
        file = LoadFile.model_validate(mapping)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(
            str(first["msg"]), where=f"{path.name}: {where}", expected=f"keys of a load: name, {', '.join(VARIABLES)}"
        ) from error
    rows = []
    for index, load in enumerate(file.loads):
        values = {}
        for key, (name, quantity) in VARIABLES.items():
            measure = getattr(load, key)
            if measure is not None:
                where = f"{path.name}: loads.{index}.{key}.unit"
                values[name] = to_bench(measure.value, quantity, measure.unit, where=where)
        rows.append((load.name or f"L{index + 1}", values))
    return rows


def _csv_rows(path: Path) -> list[tuple[str, dict[str, float]]]:
    try:
        lines = [line for line in csv.reader(path.read_text(encoding="utf-8-sig").splitlines()) if line]
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError("the loads cannot be read", where=str(path), got=str(error)) from error
    header = [cell.strip() for cell in lines[0]] if lines else []
    for name in header:
        if name != "name" and name not in _COLUMNS:
            raise UsageError(
                f"{name!r} is not a variable of a load",
                where=path.name,
                expected=", ".join(("name", *_COLUMNS)),
                remedy=did_you_mean(name, _COLUMNS),
            )
    if len(lines) < 2 or len(lines) > MOST_LOADS + 1:
        raise UsageError("a file of loads has a header and 1 to 500 loads", where=path.name, got=max(len(lines) - 1, 0))
    rows = []
    for number, line in enumerate(lines[1:], 2):
        where = f"{path.name}, line {number}"
        if len(line) != len(header):
            raise UsageError("a line does not have as many cells as the header", where=where, got=len(line))
        cells = dict(zip(header, (cell.strip() for cell in line), strict=True))
        label = cells.pop("name", "") or f"L{number - 1}"
        try:
            values = {name: float(text) for name, text in cells.items()}
        except ValueError as error:
            raise UsageError("a load is made of numbers", where=where, got=",".join(line)) from error
        if not all(map(math.isfinite, values.values())):
            raise UsageError("a load is made of finite numbers", where=where, got=",".join(line))
        rows.append((label, values))
    return rows
