"""A CAN database is read beside its profile, checked with it, and carried by the run."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.sources import CanSource
from benchkit.profiles import load_stand, shared_path, stand_from_json
from benchkit.profiles.load import LoadedStand

DBC = Path(__file__).resolve().parents[1] / "files" / "marsh_inverter.dbc"
SECTIONS = """
[profile]
base = "airboat.toml"

[sources.inverter]
kind = "can"
interface = "virtual"
port = "marsh"
bitrate = 500000
dbc = "marsh_inverter.dbc"
row_message = "InverterStatus"
stale_after = { value = 100.0, unit = "ms" }
set_point_command = "BenchCommand.{name}Set={value}"
signals = [
  { column = "udc_can", message = "InverterStatus", signal = "DcVoltage" },
  { column = "state", message = "InverterStatus", signal = "State" },
]

[stop_actions.can_stop]
source = "inverter"
command = "BenchCommand.Mode=Stop,SpeedSet=0,TorqueSet=0"
acknowledged_by = "InverterStatus.State=Stopped"
timeout = { value = 500.0, unit = "ms" }
stop_category = 1
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "stand"
    folder.mkdir()
    shutil.copy(shared_path("stands", "airboat.toml"), folder)
    shutil.copy(DBC, folder)
    return folder


def load(folder: Path, *changes: tuple[str, str]) -> LoadedStand:
    text = SECTIONS
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "stand.toml"
    path.write_text(text, encoding="utf-8")
    return load_stand(path)


def change_database(folder: Path, old: str, new: str) -> None:
    text = DBC.read_text(encoding="utf-8")
    assert old in text
    (folder / DBC.name).write_text(text.replace(old, new, 1), encoding="utf-8")


def test_the_run_carries_the_database(folder: Path) -> None:
    loaded = load(folder)
    spec = loaded.stand.sources["inverter"]
    assert isinstance(spec, CanSource)
    assert spec.dbc == DBC.read_text(encoding="utf-8") == loaded.texts["marsh_inverter.dbc"]
    assert spec.columns == ("udc_can", "state")
    shutil.rmtree(folder)
    assert stand_from_json(loaded.json) == loaded.stand


def test_a_folder_below_and_the_code_page_of_windows(folder: Path) -> None:
    (folder / "can").mkdir()
    (folder / "can" / "umlaut.dbc").write_bytes(
        DBC.read_bytes().replace(b'"degC"', "\u00b0C".join('""').encode("cp1252"))
    )
    spec = load(folder, ('dbc = "', 'dbc = "can/umlaut.dbc" # "')).stand.sources["inverter"]
    assert isinstance(spec, CanSource)
    assert '"\u00b0C"' in spec.dbc


def test_a_base_names_a_file_of_its_own_folder(folder: Path, tmp_path: Path) -> None:
    load(folder)
    path = tmp_path / "child.toml"
    path.write_text('[profile]\nbase = "stand/stand.toml"\n', encoding="utf-8")
    assert isinstance(load_stand(path).stand.sources["inverter"], CanSource)


@pytest.mark.parametrize(
    "name",
    [
        "../marsh_inverter.dbc",
        "/etc/hostname",
        "can/../../x.dbc",
        "C:/x.dbc",
        "C:x.dbc",
        "//server/x.dbc",
        ".",
        "a\\\\b.dbc",
    ],
)
def test_a_way_out_of_the_folder_is_refused(folder: Path, tmp_path: Path, name: str) -> None:
    shutil.copy(DBC, tmp_path)
    with pytest.raises(ProfileError, match=r"sources\.inverter\.dbc: must lie in the folder of the profile"):
        load(folder, ("marsh_inverter.dbc", name))


@pytest.mark.skipif(os.name == "nt", reason="links need rights of their own on Windows")
def test_a_link_out_of_the_folder_is_refused(folder: Path, tmp_path: Path) -> None:
    shutil.move(folder / DBC.name, tmp_path)
    (folder / DBC.name).symlink_to(tmp_path / DBC.name)
    with pytest.raises(ProfileError, match="is a link out of the folder of the profile"):
        load(folder)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"x" * 1_000_001, r"sources\.inverter\.dbc: too large .*at most 1000000 bytes"),
        (b"\x81\x8d", "is no text"),
        (b'VERSION "\0"', "marsh_inverter.dbc: holds NUL bytes"),
        (b"hello", "marsh_inverter.dbc: cannot be read: Invalid syntax at line 1"),
        (b"", r"sources\.inverter\.dbc: holds nothing"),
    ],
)
def test_a_foreign_file_is_refused(folder: Path, content: bytes, message: str) -> None:
    (folder / DBC.name).write_bytes(content)
    with pytest.raises(ProfileError, match=message):
        load(folder)


def test_a_file_that_is_not_there_and_every_other_fault_are_listed_together(folder: Path) -> None:
    (folder / DBC.name).unlink()
    with pytest.raises(ProfileError, match="2 problems") as caught:
        load(folder, ('source = "inverter"', 'source = "invertor"'))
    text = str(caught.value)
    assert "sources.inverter.dbc: cannot be read: No such file" in text
    assert "stop_actions.can_stop.source: no source of that name" in text


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'row_message = "InverterStatus"',
            'row_message = "InverterState"',
            r"row_message: .*Did you mean 'InverterStatus'",
        ),
        (
            'message = "InverterStatus", signal = "State"',
            'message = "Inverter", signal = "State"',
            r"signals\.1\.message",
        ),
        ('signal = "DcVoltage"', 'signal = "DcVolts"', r"signals\.0\.signal: .*Did you mean 'DcVoltage'"),
        ("Mode=Stop,SpeedSet=0", "Mode=Halt,SpeedSet=0", r"can_stop\.command: not a value of BenchCommand.Mode"),
        ("Mode=Stop,SpeedSet=0,", "SpeedSet=0,", r'can_stop\.command: cannot be encoded: .*"Mode" is required'),
        (
            "State=Stopped",
            "State=Stoped",
            r"acknowledged_by: is never told .*Did you mean 'InverterStatus.State=Stopped'",
        ),
        ("BenchCommand.{name}Set", "BenchComand.{name}Set", r"set_point_command: .*Did you mean 'BenchCommand'"),
        ("BenchCommand.{name}Set={value}", "set {name} {value}", r"set_point_command: not a command to this bus"),
        (
            'port = "marsh"',
            'port = "marsh"\ndbc_text = "x"',
            r"sources\.inverter\.dbc_text: is not written in a profile",
        ),
    ],
)
def test_a_name_that_the_database_does_not_know(folder: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        load(folder, (old, new))


def test_a_fault_of_the_database_names_file_and_reason(folder: Path) -> None:
    change_database(folder, "SG_ DcCurrent : 16|", "SG_ DcCurrent : 8|")
    with pytest.raises(
        ProfileError, match=r"dbc: marsh_inverter\.dbc: cannot be read: .*overlapping in message Inverter"
    ):
        load(folder)
    change_database(folder, "0|16@1+", "0|1000000000@1+")
    with pytest.raises(
        ProfileError, match=r"dbc: marsh_inverter\.dbc: signal InverterStatus.DcVoltage .* 1000000000 bits"
    ):
        load(folder)


def test_json_of_a_run_without_its_database_is_refused(folder: Path) -> None:
    mapping = json.loads(load(folder).json)
    del mapping["sources"]["inverter"]["dbc_text"]
    with pytest.raises(ProfileError, match=r"sources\.inverter\.dbc: holds nothing"):
        stand_from_json(json.dumps(mapping))
