"""The pinned versions fit the declared ranges on every Python, name everything, and name no place to fetch from."""

from __future__ import annotations

import platform
import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
PYTHONS = ("3.11", "3.12", "3.13")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
DECLARED = [Requirement(line) for line in [*PROJECT["dependencies"], *EXTRAS["gui"], *EXTRAS["dev"]]]
PIN_LINES = [
    line
    for line in (ROOT / "shared" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
PINS = [Requirement(line) for line in PIN_LINES]


def holds(requirement: Requirement, python: str, extra: str = "") -> bool:
    environment = {"python_version": python, "python_full_version": f"{python}.0", "extra": extra}
    return requirement.marker is None or requirement.marker.evaluate(environment)


def pinned(python: str) -> dict[str, str]:
    """Canonical name -> version that holds on one Python."""
    pins = [pin for pin in PINS if holds(pin, python)]
    versions = {canonicalize_name(pin.name): next(iter(pin.specifier)).version for pin in pins}
    assert len(versions) == len(pins), f"a package is pinned twice on Python {python}"
    return versions


def test_a_pin_is_a_name_a_version_and_a_marker_and_nothing_else() -> None:
    assert len(PIN_LINES) > 20
    for line in PIN_LINES:
        assert re.fullmatch(r"[\w.-]+==[\w.!+]+(; python_version [<>=]+ '3\.\d+'( and .*)?)?", line), line


def test_the_file_names_no_index_host_or_path() -> None:
    text = (ROOT / "shared" / "constraints.txt").read_text(encoding="utf-8")
    assert not re.search(r"https?:|file:|--|^-|\s@\s|[/\\]", text, flags=re.MULTILINE)


@pytest.mark.parametrize("python", PYTHONS)
def test_declared_ranges_admit_the_pinned_versions(python: str) -> None:
    versions = pinned(python)
    for requirement in DECLARED:
        if holds(requirement, python):
            version = versions[canonicalize_name(requirement.name)]
            assert version in requirement.specifier, f"{requirement} on Python {python}: {version} is pinned"


def test_every_python_in_the_declared_range_is_covered() -> None:
    assert PROJECT["requires-python"] == ">=3.11,<3.14"


def test_everything_an_installation_brings_is_pinned() -> None:
    named = {canonicalize_name(pin.name) for pin in PINS}
    seen: set[tuple[str, str]] = set()
    waiting = [(canonicalize_name(requirement.name), "") for requirement in DECLARED if holds(requirement, here())]
    while waiting:
        name, extra = waiting.pop()
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        for line in metadata.requires(name) or ():
            needed = Requirement(line)
            if needed.marker is None or needed.marker.evaluate({"extra": extra}):
                waiting += [(canonicalize_name(needed.name), each) for each in ("", *needed.extras)]
    brought = {name for name, _ in seen}
    assert len(brought) > len(DECLARED)
    assert brought <= named


def here() -> str:
    return ".".join(platform.python_version_tuple()[:2])


def test_every_declared_library_has_its_reason_in_the_docs() -> None:
    text = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")
    rows = {canonicalize_name(name) for name in re.findall(r"^\| `([\w.-]+)` \|", text, flags=re.MULTILINE)}
    assert rows == {canonicalize_name(requirement.name) for requirement in DECLARED}
