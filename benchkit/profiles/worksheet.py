"""Read the worksheet of a calibration with masses: TOML, or a CSV of loads with the rest given beside it."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from benchkit.errors import BenchkitError, DataError, Problem, ProfileError, UsageError
from benchkit.model.calibration import Certificate
from benchkit.model.worksheet import U_GRAVITY_UNKNOWN, Method, Step, Worksheet
from benchkit.profiles.base import Finite, NonNegative, Section
from benchkit.profiles.messages import problem_from
from benchkit.profiles.schema import CertificateSection
from benchkit.units import G_N, Quantity, scale_to_bench

MAX_BYTES = 1_000_000
CSV_HEADER = ("mass_kg", "reading")


class _Known(Section):
    """A value with its standard uncertainty and unit."""

    value: Finite
    u: NonNegative
    unit: str


class WorksheetSection(Section):
    """The whole file. ``points`` holds ``[mass, reading]`` in the order in which they were taken."""

    method: Annotated[Method, Field(strict=False)]
    points: Annotated[list[Annotated[list[Finite], Field(min_length=2, max_length=2)]], Field(min_length=3)]
    mass_unit: str = "kg"
    u_mass_percent: NonNegative
    gravity: _Known | None = None
    arm: _Known | None = None
    resolution: NonNegative = 0.0
    mass_density: Annotated[float, Field(gt=100.0)] = 8000.0
    air_density: Annotated[float, Field(ge=0.0, lt=10.0)] = 1.2
    channel: str = ""
    who: str = ""
    note: str = ""
    certificate: CertificateSection | None = None


def read_worksheet(path: Path | None, given: Mapping[str, Any]) -> Worksheet:
    """The worksheet at ``path``; what is ``given`` (by options) counts before what the file says.

    Raises:
        UsageError: the file cannot be read.
        DataError: it is no TOML, or a line of the CSV is no pair of numbers.
        ProfileError: with every fault found in it.
    """
    origin = "worksheet" if path is None else str(path)
    mapping: dict[str, Any] = {}
    if path is not None:
        text = _text(path)
        mapping = {"points": _csv_points(text, origin)} if path.suffix.lower() == ".csv" else _toml(text, origin)
    mapping |= given
    try:
        section = WorksheetSection.model_validate(mapping)
    except ValidationError as error:
        raise ProfileError(origin, [problem_from(e, WorksheetSection, origin) for e in error.errors()]) from None
    return _worksheet(section, origin)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise UsageError("too large for a worksheet", where=str(path), expected=f"at most {MAX_BYTES} bytes")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UsageError(
            "cannot be read", where=str(path), got=error.strerror, remedy="Check path and rights."
        ) from error
    except UnicodeDecodeError as error:
        raise DataError("not UTF-8 text", where=str(path), got=str(error), remedy="Save it as UTF-8.") from error


def _toml(text: str, origin: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DataError("not TOML", where=origin, got=str(error), remedy="Mend the line named.") from error


def _csv_points(text: str, origin: str) -> list[list[float]]:
    rows = csv.reader(io.StringIO(text))
    points: list[list[float]] = []
    for number, row in enumerate(rows, start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if not points and tuple(cells) == CSV_HEADER:
            continue
        try:
            mass, reading = (float(cell) for cell in cells)
        except ValueError:
            raise DataError(
                "not a mass and a reading",
                where=f"{origin}, line {number}",
                got=",".join(row)[:80],
                expected=f"two numbers with decimal points under the header {','.join(CSV_HEADER)}",
            ) from None
        points.append([mass, reading])
    return points


def _worksheet(s: WorksheetSection, origin: str) -> Worksheet:
    problems: list[Problem] = []

    def bench(key: str, quantity: Quantity, unit: str) -> float:
        try:
            return scale_to_bench(quantity, unit).factor
        except BenchkitError as error:
            problems.append(Problem(f"{origin}: {key}", error.what, remedy=error.remedy))
            return 1.0

    mass = bench("mass_unit", Quantity.MASS, s.mass_unit)
    arm = bench("arm.unit", Quantity.LENGTH, s.arm.unit) if s.arm else math.nan
    if s.gravity and s.gravity.unit.replace("m/s2", "m/s²") != "m/s²":
        problems.append(Problem(f"{origin}: gravity.unit", "not the unit of gravity", s.gravity.unit, "m/s²"))
    if s.gravity and not 9.7 <= s.gravity.value <= 9.9:
        problems.append(Problem(f"{origin}: gravity.value", "no gravity on earth", s.gravity.value, "9.76 … 9.84"))
    if s.method is Method.LEVER_ARM and (s.arm is None or not s.arm.value > 0.0):
        problems.append(
            Problem(f"{origin}: arm", "a lever arm needs its length", remedy='{ value = 0.5, u = 0.0001, unit = "m" }')
        )
    if s.method is Method.DEAD_WEIGHT and s.arm is not None:
        problems.append(Problem(f"{origin}: arm", "dead weights have no arm", remedy='Use method = "lever_arm".'))
    c = s.certificate
    if c and c.due < c.date:
        problems.append(Problem(f"{origin}: certificate.due", "lies before the day of calibration", str(c.due)))
    if problems:
        raise ProfileError(origin, problems)
    return Worksheet(
        method=s.method,
        steps=tuple(Step(m * mass, reading) for m, reading in s.points),
        u_mass_relative=s.u_mass_percent / 100.0,
        gravity_mps2=s.gravity.value if s.gravity else G_N,
        u_gravity_mps2=s.gravity.u if s.gravity else U_GRAVITY_UNKNOWN,
        gravity_is_stated=s.gravity is not None,
        arm_m=s.arm.value * arm if s.arm else math.nan,
        u_arm_m=s.arm.u * arm if s.arm else math.nan,
        resolution=s.resolution,
        mass_density_kgm3=s.mass_density,
        air_density_kgm3=s.air_density,
        certificate=Certificate(c.id, c.date, c.due) if c else None,
        channel=s.channel,
        who=s.who,
        note=s.note,
    )


def parse_date(text: str) -> dt.date:
    """A day as ``2026-11-02``."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UsageError("not a day", got=text, expected="such as 2026-11-02") from None
