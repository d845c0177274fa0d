"""Odd files read with a declared format: only what is declared is done, and what does not fit is refused with its line.

The stand is the example with two of its columns: ``udc`` in V, ``idc`` in A, both without calibration.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import DataError, ProfileError, UsageError
from benchkit.ingest.csv_import import RunSummary, import_csv
from benchkit.ingest.csv_preview import preview_csv
from benchkit.ingest.csv_read import read_csv
from benchkit.model.events import EventKind
from benchkit.model.samples import BadFrameReason
from benchkit.profiles import LoadedStand, load_stand, shared_path
from benchkit.profiles.file_format import file_format_from_toml, load_file_format
from benchkit.runfile.reader import open_run

FILES = Path(__file__).parent.parent / "files"
GOOD = [[400.0, 12.5], [399.5, 12.75], [399.0, 13.0], [398.5, 13.25]]

BASE = """
[file]
separator = "{separator}"
decimal_mark = "{mark}"
columns = ["{time}", "udc", "idc"]
{more}
[file.time]
column = "{time}"
{kind}
"""


def toml(
    *, separator: str = ",", mark: str = ".", time: str = "t_ms", more: str = "", kind: str = 'kind="number"\nunit="ms"'
) -> str:
    return BASE.format(separator=separator, mark=mark, time=time, more=more, kind=kind)


ISO = 'kind = "iso8601"'
BAD = BadFrameReason

# file: declaration, rows that come through, their times [s] since the first, refused lines
DECLARED: dict[str, tuple[str, list[int], list[float], list[tuple[int, BadFrameReason]]]] = {
    "iso_time.csv": (toml(time="t", kind=ISO), [0, 1, 2, 3], [0.0, 0.5, 1.0, 1.5], []),
    "iso_time_without_zone.csv": (
        toml(separator=";", mark=",", time="t", kind=ISO + '\nzone = "+01:00"'),
        [0, 1],
        [0.0, 1801.0],
        [(4, BAD.NOT_A_NUMBER), (5, BAD.NOT_A_NUMBER), (6, BAD.NOT_A_NUMBER)],
    ),
    "quoted.csv": (toml(more="quoted = true"), [0, 2], [0.0, 0.002], [(3, BAD.NOT_A_NUMBER)]),
    "quoted_decimal_comma.csv": (toml(mark=",", more="quoted = true"), [0, 1], [0.0, 0.001], []),
    "words_before.csv": (toml(more="lines_before = 3"), [0, 1], [0.0, 0.001], []),
    "mixed_line_ends.csv": (toml(), [0, 1, 2], [0.0, 0.001, 0.002], []),
    "device_ticks.csv": (
        toml(separator="\\t", time="ticks", kind='kind = "number"\nseconds_per_tick = 1.6e-5'),
        [0, 1, 2],
        [0.0, 1.0, 2.0],
        [],
    ),
    "formula_text.csv": (toml(), [2], [0.0], [(2, BAD.NOT_A_NUMBER), (3, BAD.NOT_A_NUMBER), (5, BAD.NOT_A_NUMBER)]),
    "byte_order_mark_quoted.csv": (
        toml(separator=";", mark=",", more='quoted = true\nencoding = "utf-8-sig"'),
        [0],
        [0.0],
        [(3, BAD.PARTIAL)],
    ),
    "units_row_utf8.csv": (toml(more="units_row = true"), [0], [0.0], []),
    "endless_line.csv": (toml(), [0, 1], [0.0, 0.001], [(3, BAD.TOO_LONG)]),
    "units_row.csv": (toml(more='units_row = true\nencoding = "latin-1"'), [0, 1, 2, 3], [0.0, 1e-3, 2e-3, 3e-3], []),
    "decimal_comma_semicolon.csv": (toml(separator=";", mark=","), [0, 1, 2, 3], [0.0, 1e-3, 2e-3, 3e-3], []),
}

REFUSED = {
    "names_twice.csv": (toml(), r"line 1: column 'idc' is missing"),
    "units_row_short.csv": (toml(more="units_row = true"), r"line 2: the line of units .*got '2 fields'.*3 fields"),
    "units_row.csv": (toml(more="units_row = true"), r"line 2: byte 0xC5 at byte 6 .*is not utf-8.*Declare the enc"),
    "iso_time_without_zone.csv": (
        toml(separator=";", mark=",", time="t", kind=ISO),
        r"no line is a good row.*names no zone and none is declared",
    ),
    "quoted.csv": (toml(), r"line 1: none of the declared columns is named .*'\"t_ms\" "),
    "words_before.csv": (toml(), r"line 1: none of the declared columns is named"),
    "utf16.csv": (toml(), r"line 1: the file is UTF-16 text"),
}

WITH_UNITS = {"units_other.csv", "units_wrong_kind.csv"}


@pytest.mark.parametrize("name", DECLARED)
def test_declared(name: str) -> None:
    text, rows, times_s, bad = DECLARED[name]
    imported = read_csv(FILES / name, file_format_from_toml(text, "format"))
    assert imported.columns == ("udc", "idc")
    np.testing.assert_array_equal(imported.rows.values, [GOOD[i] for i in rows])
    since = imported.rows.device_time_s - imported.rows.device_time_s[0]
    np.testing.assert_allclose(since, times_s, atol=1e-9)
    assert [(line.line_no, line.reason) for line in imported.bad] == bad
    lines = (FILES / name).read_bytes().splitlines()
    for line in imported.bad:
        assert lines[line.line_no - 1].decode("latin-1").startswith(line.text[:30])


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    text, match = REFUSED[name]
    with pytest.raises(DataError, match=match):
        read_csv(FILES / name, file_format_from_toml(text, "format"))


def test_what_is_wrong_with_a_time_is_said() -> None:
    text = DECLARED["iso_time_without_zone.csv"][0]
    imported = read_csv(FILES / "iso_time_without_zone.csv", file_format_from_toml(text, "format"))
    assert [line.detail for line in imported.bad] == [
        "field 1 (t): '2026-03-29 24:00:00' is not a date and time: hour must be in 0..23",
        "field 1 (t): '2026-02-30 03:00:01' is not a date and time: day is out of range for month",
        "field 1 (t): '29.03.2026 03:00:02' is not an ISO 8601 date and time such as 2026-03-02T08:30:00.5Z",
    ]


# ---------------------------------------------------------------- units, with the profile


CHANNELS = ("dc_voltage", "dc_current", "shaft_torque")


@pytest.fixture(scope="module")
def stand() -> LoadedStand:
    """The example stand, of whose channels only two plain ones and the torque flange are left."""
    loaded = load_stand(shared_path("stands", "airboat.toml"))
    kept = {name: loaded.stand.channels[name] for name in CHANNELS}
    return replace(loaded, stand=replace(loaded.stand, channels=kept))


def run_of(tmp_path: Path, stand: LoadedStand, data: bytes, text: str) -> tuple[RunSummary, Path]:
    source, out = tmp_path / "a.csv", tmp_path / "run.h5"
    source.write_bytes(data)
    return import_csv(source, stand, "rack", out, text_format=file_format_from_toml(text, "format")), out


def with_torque(more: str = "", units: str = "") -> str:
    return toml(more=more).replace('"idc"]', '"idc", "tq"]') + units


ROWS = b"0.0,0.4,12500,1.5\n1.0,0.3995,12750,1.25\n"


def test_declared_units_are_converted_and_logged(tmp_path: Path, stand: LoadedStand) -> None:
    text = with_torque("units_row = true", '[file.units]\nudc = "kV"\nidc = "mA"\n')
    data = b"t_ms,udc,idc,tq\nms,kV,mA,mV/V\n" + ROWS
    _, out = run_of(tmp_path, stand, data, text)
    with open_run(out) as run:
        stream = run.stream("rack")
        notes = [e.message for e in run.events() if e.kind is EventKind.NOTE]
        assert run.raw_bytes("rack") == data
    np.testing.assert_allclose(stream.column("dc_voltage"), [400.0, 399.5], rtol=1e-15)
    np.testing.assert_allclose(stream.column("dc_current"), [12.5, 12.75], rtol=1e-15)
    np.testing.assert_array_equal(stream.column("shaft_torque"), [150.0, 125.0])  # 100 N·m per mV/V
    assert notes == [
        "column 'udc' taken from kV to V: times 1000",
        "column 'idc' taken from mA to A: times 0.001",
    ]


@pytest.mark.parametrize(
    ("row", "units", "match"),
    [
        ("ms,kV,A,", "", r"column 'udc' is in kV, channel 'dc_voltage' takes V: a factor of 1000 .*units.udc = 'kV'"),
        ("ms,V,bar,", "", r"column 'idc' is in 'bar', which is no unit of current .*expected A, the unit of channel"),
        ("ms,V,A,N·m", "", r"column 'tq' is in N·m, a unit of torque, but the profile calibrates it.*no calibration"),
        ("ms,kV,A,", '[file.units]\nudc = "mV"\n', r"'udc': the file's line of units .*got 'kV'; expected mV"),
    ],
)
def test_units_that_do_not_fit(tmp_path: Path, stand: LoadedStand, row: str, units: str, match: str) -> None:
    data = f"t_ms,udc,idc,tq\n{row}\n".encode() + ROWS
    with pytest.raises(DataError, match=match):
        run_of(tmp_path, stand, data, with_torque("units_row = true", units))
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_raw_numbers_of_a_calibrated_channel_may_carry_its_unit(tmp_path: Path, stand: LoadedStand) -> None:
    text = with_torque("units_row = true", '[file.units]\ntq = "N·m"\n')
    _, out = run_of(tmp_path, stand, b"t_ms,udc,idc,tq\nms,V,A,Nm\n" + ROWS, text)
    with open_run(out) as run:
        np.testing.assert_array_equal(run.stream("rack").column("shaft_torque"), [150.0, 125.0])


def test_declared_unit_of_another_quantity(tmp_path: Path, stand: LoadedStand) -> None:
    with pytest.raises(UsageError, match=r"units\.udc: 'bar' is not a unit of voltage"):
        run_of(tmp_path, stand, b"t_ms,udc,idc,tq\n" + ROWS, with_torque(units='[file.units]\nudc = "bar"\n'))


@pytest.mark.parametrize("name", sorted(WITH_UNITS))
def test_files_with_other_units(name: str, tmp_path: Path, stand: LoadedStand) -> None:
    match = {"units_other.csv": "is in kV, channel", "units_wrong_kind.csv": "is in 'bar', which is no unit"}[name]
    data = (
        (FILES / name).read_bytes().replace(b"idc\n", b"idc,tq\n").replace(b"mA\n", b"mA,\n").replace(b"r]\n", b"r],\n")
    )
    with pytest.raises(DataError, match=match):
        run_of(tmp_path, stand, data.replace(b"5\n", b"5,1\n"), with_torque("units_row = true"))


def test_stamps_give_the_start_of_the_run(tmp_path: Path, stand: LoadedStand) -> None:
    text = toml(time="t", kind=ISO + '\nzone = "+02:00"').replace('"idc"]', '"idc", "tq"]')
    data = b"t,udc,idc,tq\n2026-06-01T10:00:00.25,400,12.5,1\n2026-06-01T10:00:00.75,400,12.5,1\n"
    summary, out = run_of(tmp_path, stand, data, text)
    assert summary.duration_s == pytest.approx(0.5, abs=1e-9)
    with open_run(out) as run:
        assert run.header.started_utc == "2026-06-01T08:00:00.250000+00:00"
        assert "not known" not in run.header.note


# ---------------------------------------------------------------- declarations that do not hold


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (toml(kind=ISO + '\nunit = "ms"'), r"file\.time\.unit: a date and time has no scale"),
        (toml(kind='kind = "number"'), r"file\.time: either unit or seconds_per_tick"),
        (toml(kind='kind = "number"\nunit = "V"'), r"file\.time\.unit: 'V' is not a unit of time"),
        (toml(kind=ISO + '\nzone = "Europe/Berlin"'), r"file\.time\.zone"),
        (toml(time="t").replace('column = "t"', 'column = "time"'), r"file\.time\.column: no column of that name"),
        (toml(mark=","), r"file\.decimal_mark: separator and decimal mark are the same"),
        (toml(more="names = false\nunits_row = true"), r"file\.units_row: a line of units stands behind"),
        (toml(more='encodng = "utf-8"'), r"file\.encodng"),
        (toml(more='encoding = "cp1252"'), r"file\.encoding"),
    ],
)
def test_declarations_that_do_not_hold(text: str, match: str) -> None:
    with pytest.raises(ProfileError, match=match):
        file_format_from_toml(text, "format.toml")


def test_format_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.toml: cannot be read"):
        load_file_format(tmp_path / "none.toml")
    path = tmp_path / "deep.toml"
    path.write_text("a = " + "[" * 50_000)
    with pytest.raises(UsageError, match=r"deep\.toml: (nested too deeply|not TOML)"):
        load_file_format(path)


# ---------------------------------------------------------------- the proposal


@pytest.mark.parametrize("name", sorted({*DECLARED} - {"formula_text.csv", "byte_order_mark_quoted.csv"}))
def test_proposal_reads_the_file_once_its_blanks_are_filled(name: str, stand: LoadedStand) -> None:
    preview = preview_csv(FILES / name, stand, "rack")
    filled = preview.toml.replace('# zone = "UTC"', 'zone = "+01:00"').replace("# unit =", "unit =")
    imported = read_csv(FILES / name, file_format_from_toml(filled, "proposal"))
    np.testing.assert_array_equal(imported.rows.values, [GOOD[i] for i in DECLARED[name][1]])
    assert preview.rows == len(imported.rows)
    assert preview.refused == len(imported.bad)


def test_proposal_of_a_file_with_everything(stand: LoadedStand, tmp_path: Path) -> None:
    path = tmp_path / "all.csv"
    path.write_bytes("remark\nt_ms;udc;rpm\n[ms];[V];[1/min]\n0,0;400,5;-3\n10,0;;7\n20,0;401,5;x\n".encode("latin-1"))
    preview = preview_csv(path, stand, "rack")
    assert (preview.dialect.separator, preview.dialect.decimal_mark, preview.dialect.lines_before) == (";", ",", 1)
    assert preview.dialect.units == ("[ms]", "[V]", "[1/min]")
    assert preview.lacking == ("idc", "tq")
    assert preview.rows_per_s == pytest.approx(100.0, rel=1e-12)
    assert (preview.rows, preview.refused, preview.bad[0].line_no) == (2, 1, 6)
    udc, rpm = preview.columns
    assert (udc.unit_in_file, udc.unit_in_profile, udc.low, udc.high, udc.missing) == ("[V]", "V", 400.5, 400.5, 1)
    assert (rpm.unit_in_profile, rpm.low, rpm.high) == ("", -3.0, 7.0)
    assert preview.first_lines[1] == "t_ms;udc;rpm"


@pytest.mark.parametrize(
    ("name", "doubt"),
    [
        ("decimal_comma.csv", "3 names but 6 fields"),
        ("names_twice.csv", "names that come twice: udc"),
        ("iso_time_without_zone.csv", "without a zone"),
        ("no_names.csv", "no column looks like the time"),
        ("device_ticks.csv", "what one count of it is has to be declared"),
    ],
)
def test_doubts_are_told(name: str, doubt: str, stand: LoadedStand) -> None:
    assert any(doubt in text for text in preview_csv(FILES / name, stand, "rack").doubts)


@pytest.mark.parametrize("name", sorted(path.name for path in FILES.glob("*.csv")))
def test_preview_of_every_odd_file(name: str, stand: LoadedStand) -> None:
    if name in ("empty.csv", "names_only.csv", "old_line_ends.csv", "utf16.csv"):
        with pytest.raises(DataError, match=rf"{name}: "):
            preview_csv(FILES / name, stand, "rack")
        return
    assert preview_csv(FILES / name, stand, "rack").columns
