"""A duty from a text file: one load a line, ``speed_rpm,torque_nm,time_s``."""

from __future__ import annotations

import csv
import math
from pathlib import Path

from benchkit.errors import UsageError
from benchkit.model.results_maps import Duty
from benchkit.profiles.duty_file import read_duty_toml

COLUMNS = ("speed_rpm", "torque_nm", "time_s")


def read_duty(path: Path) -> Duty:
    """Read a duty; comma-separated with a point as decimal mark and the header above, or TOML with a battery.

    Raises:
        UsageError: the file cannot be read, the header differs, or a line does not hold three numbers.
    """
    if path.suffix.lower() == ".toml":
        return read_duty_toml(path)
    try:
        lines = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError("the duty cannot be read", where=str(path), got=str(error)) from error
    header = tuple(name.strip() for name in lines[0]) if lines else ()
    if header != COLUMNS:
        raise UsageError(
            "the first line of a duty names its columns",
            where=path.name,
            got=",".join(header),
            expected=",".join(COLUMNS),
        )
    rows = [_row(path, number, line) for number, line in enumerate(lines[1:], 2) if line]
    if not rows:
        raise UsageError("the duty has no load", where=path.name, expected="one load a line")
    speed, torque, time = zip(*rows, strict=True)
    return Duty(speed, torque, time)


def _row(path: Path, number: int, line: list[str]) -> tuple[float, float, float]:
    try:
        speed, torque, time = (float(text) for text in line)
    except ValueError as error:
        raise UsageError(
            "a load of a duty is three numbers", where=f"{path.name}, line {number}", got=",".join(line)
        ) from error
    if not all(map(math.isfinite, (speed, torque, time))) or time < 0.0:
        raise UsageError(
            "a load of a duty is three finite numbers, its time not negative",
            where=f"{path.name}, line {number}",
            got=",".join(line),
        )
    return speed, torque, time
