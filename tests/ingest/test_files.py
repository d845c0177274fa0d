"""Odd files from the field: refused or counted, with file, line and remedy, never read wrongly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import DataError, LinkError
from benchkit.ingest.csv_read import REMEDIES, Imported, read_csv
from benchkit.model.samples import BadFrameReason
from benchkit.model.sources import TextFormat
from tests.ingest.test_declared import DECLARED, WITH_UNITS
from tests.ingest.test_declared import REFUSED as REFUSED_AS_DECLARED

FILES = Path(__file__).parent.parent / "files"
FORMAT = TextFormat(columns=("t_ms", "udc", "idc"), device_time_column="t_ms")
NAN = float("nan")

GOOD = [(400.0, 12.5), (399.5, 12.75), (399.0, 13.0), (398.5, 13.25)]

# file: rows that come through (index into GOOD, or values), refused lines
COUNTED: dict[str, tuple[list[int | tuple[float, float]], list[tuple[int, BadFrameReason]]]] = {
    "good.csv": ([0, 1, 2, 3], []),
    "byte_order_mark_crlf.csv": ([0, 1, 2, 3], []),
    "other_order.csv": ([0, 1], []),
    "not_measured.csv": ([(NAN, 12.5), (NAN, 12.5), 2], []),
    "one_decimal_comma.csv": ([0, 2, 3], [(3, BadFrameReason.FIELD_COUNT)]),
    "nul_byte.csv": ([0, 2, 3], [(3, BadFrameReason.NUL_BYTE)]),
    "nul_block.csv": ([0, 3], [(3, BadFrameReason.NUL_BYTE)]),
    "cut_last_line.csv": ([0, 1, 2], [(5, BadFrameReason.PARTIAL)]),
    "cut_in_the_middle.csv": ([0, 3], [(3, BadFrameReason.FIELD_COUNT)]),
    "units_row.csv": ([0, 1, 2, 3], [(2, BadFrameReason.NOT_TEXT)]),
    "thousands.csv": ([2], [(2, BadFrameReason.FIELD_COUNT), (3, BadFrameReason.NOT_A_NUMBER)]),
    "overflow_text.csv": ([3], [(n, BadFrameReason.NOT_A_NUMBER) for n in (2, 3, 4, 5)]),
    "time_goes_back.csv": ([0, 1, 1, 0, 2], []),
}

REFUSED = {
    "decimal_comma.csv": r"decimal_comma\.csv: line 2: no line is a good row; 4 of 4 fail as this one does: 6 fields, "
    r"expected 3 .*a decimal comma gives too many",
    "decimal_comma_semicolon.csv": r"line 1: none of the declared columns is named .*Check the separator",
    "missing_column.csv": r"missing_column\.csv: line 1: column 'idc' is missing .*Mend the names in the file",
    "misspelt_column.csv": r"line 1: column 'udc' is missing; column 'u_dc' is not declared .*Did you mean 'udc'\?",
    "extra_column.csv": r"line 1: column 'vib' is not declared .*declare its columns",
    "no_names.csv": r"line 1: none of the declared columns is named",
    "names_only.csv": r"names_only\.csv: the file holds no rows\. Check",
    "empty.csv": r"empty\.csv: line 1: the file is empty",
    "utf16.csv": r"utf16\.csv: line 1: the file is UTF-16 text\. Save it again as CSV",
    "old_line_ends.csv": r"line 1: byte 0x0D at byte 13 of the line is not ASCII text",
}


def _values(imported: Imported) -> list[list[float]]:
    return imported.rows.values.tolist()


def test_every_file_is_tried() -> None:
    tried = set(COUNTED) | set(REFUSED) | set(DECLARED) | set(REFUSED_AS_DECLARED) | WITH_UNITS
    assert {path.name for path in FILES.glob("*.csv")} == tried


@pytest.mark.parametrize("name", COUNTED)
def test_counted(name: str) -> None:
    rows, bad = COUNTED[name]
    imported = read_csv(FILES / name, FORMAT)
    assert imported.columns == ("udc", "idc")
    np.testing.assert_equal(_values(imported), [list(GOOD[r] if isinstance(r, int) else r) for r in rows])
    assert [(line.line_no, line.reason) for line in imported.bad] == bad
    for line in imported.bad:
        assert str(line).startswith(f"{FILES / name}: line {line.line_no}: ")
        assert str(line).endswith(line.remedy)


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    with pytest.raises(DataError, match=REFUSED[name]):
        read_csv(FILES / name, FORMAT)


def test_declared_decimal_comma_is_read() -> None:
    comma = replace(FORMAT, separator=";", decimal_mark=",")
    assert _values(read_csv(FILES / "decimal_comma_semicolon.csv", comma)) == [list(row) for row in GOOD]


def test_device_time_and_names_apart() -> None:
    imported = read_csv(FILES / "no_names.csv", FORMAT, has_header=False)
    np.testing.assert_array_equal(imported.rows.device_time_s, np.array([0.0, 1.0, 2.0, 3.0]) * 1e-3)
    assert imported.rows.arrival_ns.tolist() == [0, 0, 0, 0]


def test_wrong_separator_is_refused_even_without_names() -> None:
    with pytest.raises(DataError, match=r"line 1: no line is a good row; 4 of 4 .*1 fields, expected 3"):
        read_csv(FILES / "no_names.csv", replace(FORMAT, separator=";"), has_header=False)


def test_gaps_and_answers_of_a_captured_link(tmp_path: Path) -> None:
    path = tmp_path / "capture.txt"
    path.write_bytes(b"1,10\n2,20\n>ok arm\n5,50\n")
    text_format = TextFormat(columns=("count", "udc"), counter_column="count")
    imported = read_csv(path, text_format, has_header=False)
    assert imported.rows.counter.tolist() == [1, 2, 5]
    assert [(g.missing, g.frame) for g in imported.gaps] == [(2, 4)]
    assert [r.text for r in imported.replies] == ["ok arm"]


def test_long_file_in_pieces(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    lines = [b"%d.0,%d,1\n" % (i, i) for i in range(150_000)]
    lines[41_234] = b"broken\n"
    path.write_bytes(b"t_ms,udc,idc\n" + b"".join(lines))
    seen: list[tuple[int, int]] = []
    imported = read_csv(path, FORMAT, progress=lambda done, total: seen.append((done, total)))
    assert imported.rows.values[:, 0].tolist() == [float(i) for i in range(150_000) if i != 41_234]
    assert [line.line_no for line in imported.bad] == [41_236]
    size = path.stat().st_size
    assert len(seen) > 2
    assert seen[-1] == (size, size)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match=r"none\.csv: cannot open the file"):
        read_csv(tmp_path / "none.csv", FORMAT)


def test_every_reason_has_a_remedy() -> None:
    of_text = {"field_count", "not_a_number", "checksum", "nul_byte", "not_text", "too_long", "partial"}
    assert set(REMEDIES) == {BadFrameReason(reason) for reason in of_text}
