"""CSV files that claim, flood or deceive: refused, or read as the little they are."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.profiles import shared_path
from benchkit.profiles.load import load_stand
from tests.hostile.conftest import Attempt

NAMES = ",".join(load_stand(shared_path("stands", "airboat.toml")).stand.sources["rack"].format.columns).encode()
WIDE = NAMES.count(b",") + 1

CASES: dict[str, tuple[Callable[[], bytes], str]] = {
    "one endless line": (lambda: NAMES + b"\n" + b"7" * 60_000_000, "no line is a good row.*no line end within"),
    "endless line of names": (lambda: b"a," * 20_000_000, "no line end within"),
    "NUL flood": (lambda: NAMES + b"\n" + b"\0" * 50_000_000, "no line end within|NUL"),
    "lines of NUL": (lambda: NAMES + b"\n" + b"\0\n" * 1_000_000, "NUL byte"),
    "line ends only": (lambda: NAMES + b"\n" * 30_000_000, "holds no rows"),
    "separators only": (lambda: NAMES + b"\n" + (b"," * 3000 + b"\n") * 8_000, "no line is a good row"),
    "claims of rows": (lambda: b"# rows: 1000000000\n" + NAMES + b"\n", "none of the declared columns|does not"),
    "formulas": (
        lambda: NAMES + b"\n" + (b'=HYPERLINK("x")' + b",1" * (WIDE - 1) + b"*0000\n") * 20_000,
        "check value|not a n",
    ),
    "numbers of 4000 digits": (lambda: NAMES + b"\n" + (b"9" * 4000 + b"\n") * 5_000, "no line is a good row"),
    "random bytes": (lambda: bytes(range(256)) * 100_000, "line 1: "),
    "compressed file": (lambda: b"PK\x03\x04" + bytes(range(256)) * 1_000, "line 1: "),
}


@pytest.mark.parametrize("name", CASES)
def test_refused(name: str, refused: Attempt, tmp_path: Path) -> None:
    make, match = CASES[name]
    path, out = tmp_path / "hostile.csv", tmp_path / "out"
    path.write_bytes(make())
    outcome = refused("import", "airboat", path, "--out", out)
    assert re.search(match, outcome.err), outcome.err
    assert list(out.iterdir()) == []


@pytest.mark.parametrize("name", CASES)
def test_preview(name: str, attempt: Attempt, tmp_path: Path) -> None:
    path = tmp_path / "hostile.csv"
    path.write_bytes(CASES[name][0]())
    outcome = attempt("import", "airboat", path, "--preview")
    assert outcome.code in (0, 4), outcome.err
    assert "unexpected fault" not in outcome.err
