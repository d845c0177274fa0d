"""CAN databases that want to exhaust or to escape, named by a profile that is checked from the command line."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from benchkit.profiles import shared_path
from tests.decode.test_can_database import HEAD, HOSTILE, message
from tests.hostile.conftest import Attempt

ROOT = Path(__file__).resolve().parents[2]


def stand(folder: Path, database: str, name: str = "marsh_inverter.dbc") -> Path:
    """The profile of ``docs/howto/can.md`` with another database."""
    page = (ROOT / "docs" / "howto" / "can.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    shutil.copy(shared_path("stands", "airboat.toml"), folder)
    (folder / "marsh_inverter.dbc").write_text(database, encoding="utf-8")
    path = folder / "stand.toml"
    path.write_text(example.replace('"marsh_inverter.dbc"', f'"{name}"'), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_database(name: str, refused: Attempt, tmp_path: Path) -> None:
    assert "sources.inverter.dbc" in refused("check", stand(tmp_path, HOSTILE[name][0])).err


@pytest.mark.parametrize("name", ["/etc/passwd", "../secret.dbc", "/dev/zero", "can/../../secret.dbc"])
def test_a_way_out(name: str, refused: Attempt, tmp_path: Path) -> None:
    folder = tmp_path / "stand"
    folder.mkdir()
    (tmp_path / "secret.dbc").write_text("password")
    assert "must lie in the folder of the profile" in refused("check", stand(folder, "", name)).err


def test_the_largest_that_is_read(refused: Attempt, tmp_path: Path) -> None:
    signals = [f"A{j} : {8 * j}|8@1+" for j in range(8)]
    text = HEAD + "".join(message(i + 2**31, f"M{i}", "8", *signals) for i in range(3000))
    outcome = refused("check", stand(tmp_path, text))  # it is sound, but is not the database of this profile
    assert "the database has no message of that name" in outcome.err
