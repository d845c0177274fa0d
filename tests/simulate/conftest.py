"""The example stand, and the drives that can be mounted on it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Drive, drive_of


@pytest.fixture(scope="session")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


@pytest.fixture(scope="session")
def small_stand(stand: Stand) -> Stand:
    motor = replace(stand.motor, id="WREN-12", pole_pairs=8, rated_torque_nm=40.0, rated_current_a=47.0)
    return replace(stand, motor=motor)


@pytest.fixture(scope="session")
def drive(stand: Stand) -> Drive:
    return drive_of(stand)


@pytest.fixture(scope="session")
def conditions() -> Conditions:
    return Conditions()
