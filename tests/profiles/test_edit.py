"""A change in a profile changes its lines and no others."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import pytest

from benchkit.errors import ProfileError, UsageError
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.edit import edit_channel, write_edit

TABLES = {
    "calibration": {"kind": "gain_offset", "gain": 501.25, "offset": -6.5},
    "accuracy": {"of_reading_percent": 0.0075, "constant": 0.0625},
    "certificate": {"id": 'WR "7"', "date": dt.date(2026, 11, 2), "due": dt.date(2027, 11, 2)},
}
AIRBOAT = shared_path("stands", "airboat.toml")


def copy_of(folder: Path, name: str = "airboat.toml", change: tuple[str, str] = ("", "")) -> Path:
    text = AIRBOAT.read_bytes().decode("utf-8")
    assert change[0] in text
    path = folder / name
    path.write_bytes(text.replace(change[0], change[1], 1).encode("utf-8") if change[0] else text.encode("utf-8"))
    return path


def test_three_lines_change_and_every_other_byte_stays(tmp_path: Path) -> None:
    path = copy_of(tmp_path)
    before = path.read_bytes().decode("utf-8").splitlines(keepends=True)
    edit = edit_channel(path, "thrust", TABLES)
    assert path.read_bytes().decode("utf-8") == "".join(before)  # nothing is written yet
    stand = write_edit(edit).stand
    after = path.read_bytes().decode("utf-8").splitlines(keepends=True)
    assert len(after) == len(before)
    changed = [i for i, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
    assert [before[i].split(" = ")[0] for i in changed] == ["calibration", "accuracy", "certificate"]
    calibration = stand.channels["thrust"].calibration
    assert (calibration.curve.gain, calibration.curve.offset) == (501.25, -6.5)
    assert calibration.accuracy.of_reading == pytest.approx(7.5e-5, rel=1e-12)
    assert calibration.certificate is not None
    assert calibration.certificate.id == 'WR "7"'
    assert sorted(p.name for p in tmp_path.iterdir()) == ["airboat.toml"]


def test_a_comment_behind_a_value_and_several_lines_of_a_value(tmp_path: Path) -> None:
    old = 'calibration = { kind = "gain_offset", gain = 500.0, offset = 0.0 }\n'
    new = 'calibration = { kind = "table", raw = [  # why # so\n  0.0, 1.0], value = [0.0, 500.0] }   # keep "#" me\n'
    path = copy_of(tmp_path, change=(old, new))
    write_edit(edit_channel(path, "thrust", TABLES))
    line = 'calibration = { kind = "gain_offset", gain = 501.25, offset = -6.5 }   # keep "#" me\n'
    assert line in path.read_text(encoding="utf-8")


def test_a_key_that_was_not_there_is_added_to_its_section(tmp_path: Path) -> None:
    path = copy_of(tmp_path)
    assert load_stand(path).stand.channels["d_current"].calibration.certificate is None
    edit = edit_channel(path, "d_current", TABLES)
    assert edit.diff.count("\n+") == 4  # three lines, and the head of the diff
    assert write_edit(edit).stand.channels["d_current"].calibration.certificate is not None


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_profile_with_a_base_gets_the_lines_that_override(newline: str, tmp_path: Path) -> None:
    base = copy_of(tmp_path)
    untouched = base.read_bytes()
    path = tmp_path / "mine.toml"
    path.write_bytes(f'[profile]{newline}base = "airboat.toml"  # ours'.encode())
    stand = write_edit(edit_channel(path, "thrust", TABLES)).stand
    assert stand.channels["thrust"].calibration.curve.gain == 501.25
    assert base.read_bytes() == untouched
    lines = path.read_bytes().decode().split(newline)
    assert lines[:4] == ["[profile]", 'base = "airboat.toml"  # ours', "", "[channels.thrust]"]
    # and again, now that the section is there
    again = {**TABLES, "accuracy": {"of_reading_percent": 0.5, "constant": 1.0}}
    write_edit(edit_channel(path, "thrust", again))
    assert tomllib.loads(path.read_bytes().decode())["channels"]["thrust"]["accuracy"]["constant"] == 1.0


def test_a_form_that_cannot_be_edited_is_left_alone_and_says_what_to_write(tmp_path: Path) -> None:
    old = 'calibration = { kind = "gain_offset", gain = 500.0, offset = 0.0 }\n'
    path = copy_of(
        tmp_path, change=(old, 'calibration.kind = "gain_offset"\ncalibration.gain = 500.0\ncalibration.offset = 0.0\n')
    )
    before = path.read_bytes()
    with pytest.raises(
        UsageError, match=r"cannot be changed without touching more.*in a text editor: calibration = \{ kind"
    ):
        edit_channel(path, "thrust", TABLES)
    assert path.read_bytes() == before


def test_a_text_that_looks_like_the_section_fools_nobody(tmp_path: Path) -> None:
    path = copy_of(
        tmp_path,
        change=(
            'title = "Airboat drive, big motor with propeller"',
            'title = """\n[channels.thrust]\naccuracy = 1\n"""',
        ),
    )
    before = path.read_bytes()
    write_edit(edit_channel(path, "thrust", TABLES))
    after = tomllib.loads(path.read_bytes().decode())
    assert after["stand"]["title"] == "[channels.thrust]\naccuracy = 1\n"
    assert after["channels"]["thrust"]["calibration"]["gain"] == 501.25
    assert len(path.read_bytes().splitlines()) == len(before.splitlines())


def test_a_change_that_breaks_the_profile_is_not_made(tmp_path: Path) -> None:
    path = copy_of(tmp_path)
    before = path.read_bytes()
    with pytest.raises(ProfileError, match="a gain of zero measures nothing"):
        edit_channel(path, "thrust", {"calibration": {"kind": "gain_offset", "gain": 0.0, "offset": 0.0}})
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["airboat.toml"]


def test_a_file_that_changed_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = copy_of(tmp_path)
    edit = edit_channel(path, "thrust", TABLES)
    path.write_bytes(path.read_bytes() + b"# mine\n")
    with pytest.raises(UsageError, match="was changed meanwhile"):
        write_edit(edit)
    assert path.read_bytes().endswith(b"# mine\n")


def test_no_such_channel(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no channel of that name.*Did you mean 'thrust'"):
        edit_channel(copy_of(tmp_path), "thurst", TABLES)
