"""The derived channels of the page docs/howto/derived-channels.md, and small stands with other ones."""

from __future__ import annotations

import re
from pathlib import Path

from benchkit.profiles import LoadedStand, load_stand, shared_path

PAGE = Path(__file__).resolve().parents[2] / "docs" / "howto" / "derived-channels.md"


def page_profile() -> str:
    """The profile on the page."""
    found = re.search(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    return found.group(1)


def write(folder: Path, text: str) -> Path:
    """The example stand and a profile that builds on it."""
    base = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")
    (folder / "airboat.toml").write_text(base, encoding="utf-8")
    path = folder / "stand.toml"
    path.write_text(text, encoding="utf-8")
    return path


def page_stand(folder: Path) -> LoadedStand:
    """The stand of the page."""
    return load_stand(write(folder, page_profile()))


def section(name: str, expression: str, quantity: str = "power", unit: str = "W", more: str = "") -> str:
    """One ``[derived.NAME]``."""
    return (
        f'[derived.{name}]\nlabel = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\nrange = [0.0, 1.0]\n'
        f'expression = "{expression}"\n{more}\n'
    )


def stand_with(folder: Path, *sections: str) -> LoadedStand:
    """The example stand with these sections added."""
    return load_stand(write(folder, "\n".join(['[profile]\nbase = "airboat.toml"\n', *sections])))
