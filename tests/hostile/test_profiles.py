"""Profiles and format files that want to exhaust or to escape."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.profiles import shared_path
from tests.hostile.conftest import Attempt


def _airboat() -> str:
    return shared_path("stands", "airboat.toml").read_text("utf-8")


def _many_keys(_: Path) -> str:
    return "".join(f"k{i}=1\n" for i in range(90_000))


def _many_keys_in_a_section(_: Path) -> str:
    return _airboat() + "\n[extra]\n" + "".join(f"k{i}=1\n" for i in range(100_000))


def _many_channels(_: Path) -> str:
    return _airboat() + "".join(f"\n[channels.c{i}]\nunit=1\n" for i in range(30_000))


def _many_wrong_values(_: Path) -> str:
    return re.sub(r"gain = [\d.]+", 'gain = "x"', _airboat())


def _bases(folder: Path) -> str:
    # Every profile takes the one before as its base and doubles nothing, but reads it again: a chain without end.
    for i in range(40):
        (folder / f"b{i}.toml").write_text(f'[profile]\nbase = "b{(i + 1) % 40}.toml"\n[x{i}]\n' + "a=1\n", "utf-8")
    return '[profile]\nbase = "b0.toml"\n'


def _fat_bases(folder: Path) -> str:
    for i in range(8):
        keys = "".join(f"k{i}_{j}={j}\n" for j in range(30_000))
        base = f'[profile]\nbase = "f{i + 1}.toml"\n' if i < 7 else ""
        (folder / f"f{i}.toml").write_text(base + f"[x{i}]\n" + keys, "utf-8")
    return '[profile]\nbase = "f0.toml"\n'


def _outside(folder: Path) -> str:
    (folder.parent / "secret.toml").write_text("password = 1\n")
    return '[profile]\nbase = "../secret.toml"\n'


def _absolute(_: Path) -> str:
    return '[profile]\nbase = "/etc/passwd"\n'


def _link_outside(folder: Path) -> str:
    (folder.parent / "secret.toml").write_text("password = 1\n")
    (folder / "inside.toml").symlink_to(folder.parent / "secret.toml")
    return '[profile]\nbase = "inside.toml"\n'


def _device(folder: Path) -> str:
    os.mkfifo(folder / "pipe.toml")
    return '[profile]\nbase = "pipe.toml"\n'


CASES: dict[str, tuple[Callable[[Path], str], str]] = {
    "arrays in arrays": (lambda _: "a = " + "[" * 100_000, "nested too deeply|not TOML"),
    "tables in tables": (lambda _: "a" + ".a" * 100_000 + " = 1", "nested too deeply|not TOML"),
    "inline tables": (lambda _: "a = " + "{a=" * 50_000, "nested too deeply|not TOML"),
    "sections in sections": (lambda _: "[" + "a." * 20_000 + "a]\nb=1", "nested too deeply|not TOML"),
    "many keys": (_many_keys, "too many keys"),
    "many keys in a section": (_many_keys_in_a_section, "too many keys"),
    "many channels": (_many_channels, "too many keys"),
    "many wrong keys": (
        lambda _: "".join(f"k{i}=1\n" for i in range(15_000)),
        "more faults are not listed",
    ),
    "many wrong values": (_many_wrong_values, "problems"),
    "number of a million digits": (lambda _: "a = " + "9" * 900_000, "not TOML"),
    "number of 4000 digits": (lambda _: _airboat().replace("baud = 921600", "baud = " + "9" * 4000), "baud"),
    "number without end": (lambda _: _airboat().replace("gain = 1.0", "gain = 1e999"), "gain"),
    "too large": (lambda _: "#" * 1_100_000, "too large for a profile"),
    "bases in a circle": (_bases, "build on each other in a circle"),
    "fat bases": (_fat_bases, "too many keys"),
    "base outside": (_outside, r"profile\.base: lies outside the folder of the profile"),
    "base by absolute path": (_absolute, r"profile\.base: lies outside the folder"),
    "base by a link to elsewhere": (_link_outside, r"profile\.base: lies outside the folder"),
    "base that is a pipe": (_device, r"not a file"),
    "calls in a name": (lambda _: _airboat() + "\n[channels.__import__('os')]\n", "not TOML"),
}


@pytest.mark.parametrize("name", CASES)
def test_refused(name: str, refused: Attempt, tmp_path: Path) -> None:
    make, match = CASES[name]
    folder = tmp_path / "stands"
    folder.mkdir()
    path = folder / "hostile.toml"
    path.write_text(make(folder), "utf-8")
    outcome = refused("check", path)
    assert re.search(match, outcome.err), outcome.err[:2000]
    assert "password" not in outcome.err


def test_device_in_place_of_a_profile(refused: Attempt) -> None:
    assert "not a file" in refused("check", "/dev/zero").err


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("a = " + "[" * 100_000, "nested too deeply|not TOML"),
        ("a" + ".a" * 50_000 + " = 1", "nested too deeply|not TOML|problem"),
        ("[file]\n" + "".join(f"k{i}=1\n" for i in range(15_000)), "problems"),
        ("x = " + "9" * 100_000, "not TOML"),
        ("#" * 300_000, "too large for a format"),
    ],
)
def test_format_files(text: str, match: str, refused: Attempt, tmp_path: Path) -> None:
    path, data = tmp_path / "format.toml", tmp_path / "a.csv"
    path.write_text(text)
    data.write_text("a,b\n1,2\n")
    outcome = refused("import", "airboat", data, "--format", path, "--out", tmp_path / "out")
    assert re.search(match, outcome.err), outcome.err[:2000]
