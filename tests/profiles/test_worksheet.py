"""Worksheets are read strictly, and say where they are wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import BenchkitError, DataError, ProfileError, UsageError
from benchkit.model.worksheet import U_GRAVITY_UNKNOWN, Method
from benchkit.profiles.worksheet import parse_date, read_worksheet

GOOD = """\
method = "lever_arm"
mass_unit = "g"
u_mass_percent = 0.01
gravity = { value = 9.8127, u = 0.0001, unit = "m/s2" }
arm = { value = 500.0, u = 0.1, unit = "mm" }
certificate = { id = "WR-1", date = 2026-11-02, due = 2027-11-02 }
points = [[0, 0.1], [5000.0, 0.2], [-5000.0, 0.0]]
"""


def write(folder: Path, text: str, name: str = "sheet.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_units_are_taken_to_si(tmp_path: Path) -> None:
    sheet = read_worksheet(write(tmp_path, GOOD.replace("[0,", "[0.0,")), {})
    assert [step.mass_kg for step in sheet.steps] == [0.0, 5.0, -5.0]
    assert (sheet.arm_m, sheet.u_arm_m) == pytest.approx((0.5, 1e-4), rel=1e-15)
    assert sheet.u_mass_relative == pytest.approx(1e-4, rel=1e-15)
    assert (sheet.method, sheet.gravity_mps2, sheet.gravity_is_stated) == (Method.LEVER_ARM, 9.8127, True)
    assert sheet.certificate is not None


def test_options_count_before_the_file_and_csv_has_the_points(tmp_path: Path) -> None:
    path = write(tmp_path, "\ufeff# bench 2\nmass_kg,reading\n0, 0.1\n\n10,0.2\n0,0.1\n", "points.csv")
    sheet = read_worksheet(path, {"method": "dead_weight", "u_mass_percent": 0.01})
    assert [step.reading for step in sheet.steps] == [0.1, 0.2, 0.1]
    assert (sheet.gravity_mps2, sheet.u_gravity_mps2) == (9.80665, U_GRAVITY_UNKNOWN)
    assert not sheet.gravity_is_stated


@pytest.mark.parametrize(
    ("old", "new", "kind", "message"),
    [
        ("u_mass_percent = 0.01\n", "", ProfileError, r"u_mass_percent: missing"),
        ("mass_unit", "mas_unit", ProfileError, r"mas_unit: unknown key.*Did you mean 'mass_unit'"),
        ('"g"', '"stone"', ProfileError, r"mass_unit: 'stone' is not a unit of mass"),
        ("9.8127", "98.127", ProfileError, r"gravity\.value: no gravity on earth"),
        ("m/s2", "ft/s2", ProfileError, r"gravity\.unit: not the unit of gravity"),
        ('arm = { value = 500.0, u = 0.1, unit = "mm" }\n', "", ProfileError, r"arm: a lever arm needs its length"),
        ('"lever_arm"', '"dead_weight"', ProfileError, r"arm: dead weights have no arm"),
        ('"lever_arm"', '"lever"', ProfileError, r"method: not one of the known words.*lever_arm"),
        ("[5000.0, 0.2]", "[5000.0]", ProfileError, r"points\.1"),
        ("[5000.0, 0.2]", "[5000.0, nan]", ProfileError, r"points\.1\.1"),
        ("due = 2027", "due = 2025", ProfileError, r"certificate\.due: lies before"),
        ("points = [", "points = ", DataError, r"not TOML"),
    ],
)
def test_faults_are_named(old: str, new: str, kind: type[BenchkitError], message: str, tmp_path: Path) -> None:
    assert old in GOOD
    with pytest.raises(kind, match=message):
        read_worksheet(write(tmp_path, GOOD.replace("[0,", "[0.0,").replace(old, new, 1)), {})


def test_a_bad_line_of_a_csv_is_named(tmp_path: Path) -> None:
    path = write(tmp_path, "mass_kg,reading\n0,0.1\n10;0,2\n", "points.csv")
    with pytest.raises(DataError, match=r"points\.csv, line 3: not a mass and a reading.*'10;0,2'"):
        read_worksheet(path, {})


def test_a_missing_or_foreign_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_worksheet(tmp_path / "none.toml", {})
    (tmp_path / "x.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(DataError, match="not UTF-8"):
        read_worksheet(tmp_path / "x.toml", {})
    with pytest.raises(UsageError, match=r"not a day.*2026-11-02"):
        parse_date("2.11.2026")
