"""One small run and one signed pack of it for all tests here. The data are SIMULATED."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.session.signing import make_key
from tests.report.test_gather import write_run


@pytest.fixture(scope="session")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a closed run, a key, a plan and the loads of a mission."""
    folder = tmp_path_factory.mktemp("evidence")
    write_run(folder / "propeller.h5")
    make_key(folder / "key.pem")
    (folder / "plan.md").write_text("Three speeds, twice.\n", encoding="utf-8")
    (folder / "loads.csv").write_text("speed_rpm,torque_nm,time_s\n2000,40,600\n", encoding="utf-8")
    return folder


def arguments(inputs: Path, out: Path) -> list[str]:
    """A call of ``benchkit evidence`` with everything."""
    given = {"--plan": "plan.md", "--duty": "loads.csv", "--sign": "key.pem", "--attach": "plan.md"}
    options = [word for option, name in given.items() for word in (option, str(inputs / name))]
    return ["evidence", str(inputs / "propeller.h5"), "--out", str(out), *options]


@pytest.fixture(scope="session")
def pack(inputs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pack as the command writes it."""
    out = tmp_path_factory.mktemp("packs") / "pack.zip"
    assert main(arguments(inputs, out)) == 0
    return out
