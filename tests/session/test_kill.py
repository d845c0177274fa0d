"""A recorder that is killed loses nothing that was flushed, and at most half a second of the rest."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from benchkit.session.process import start_simulated_stand
from tests.session.kill import kill_once

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")


def kill_many(count: int, tmp_path: Path) -> None:
    stand = start_simulated_stand("airboat", seed=3)
    rng = random.Random(20260504)
    try:
        for turn in range(count):
            after = kill_once(stand.address, tmp_path / f"kill{turn}", rng)
            assert after.rows >= after.flushed, after
            assert after.published_missing == 0, after
            assert after.wrong == 0, after
            assert after.lost_s <= 0.5, after
            assert after.unfitted_s <= 0.5, after
            assert after.untold_gaps == 0, after
    finally:
        stand.end()


def test_five_kills(tmp_path: Path) -> None:
    kill_many(5, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_a_hundred_kills(tmp_path: Path) -> None:
    kill_many(100, tmp_path)
