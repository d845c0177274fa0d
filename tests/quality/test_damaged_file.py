"""A damaged file, from its bytes to the words of the report: imported, analysed, named with its count."""

from __future__ import annotations

from pathlib import Path

from benchkit.ingest.csv_import import import_csv
from benchkit.profiles import load_stand, shared_path
from benchkit.report.gather import gather
from tests.decode.text_cases import checked

LINES, DAMAGED, CUT = 400, (50, 90, 91, 200, 300), (20, 120, 220, 321, 350, 390)


def test_damaged_and_cut_lines_of_an_imported_file_are_told_apart(tmp_path: Path) -> None:
    stand = load_stand(shared_path("stands", "airboat.toml"))
    rack = stand.stand.sources["rack"].format
    lines = [
        checked(f"{n},{10.0 * n}," + ",".join(str(k + 0.01 * (n % 7)) for k in range(1, 25)), rack)
        for n in range(LINES)
    ]
    for n in DAMAGED:
        lines[n] = lines[n].replace(b"5", b"9", 1) if b"5" in lines[n] else lines[n].replace(b"1", b"9", 1)
    for n in CUT:
        lines[n] = lines[n][:40] + b"\n"
    source = tmp_path / "capture.txt"
    source.write_bytes(b"".join(lines))
    summary = import_csv(source, stand, "rack", tmp_path / "run.h5", has_header=False)
    assert summary.rows == LINES - len(DAMAGED) - len(CUT)
    (report,) = gather([tmp_path / "run.h5"])
    found = {f.code: (f.severity, f.message.split()[0]) for f in report.result.findings}
    assert found["damaged_lines"] == ("caution", str(len(DAMAGED)))
    assert found["partial_lines"] == ("caution", str(len(CUT)))
    assert "rows_missing" in found
