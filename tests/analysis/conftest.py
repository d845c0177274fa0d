"""Streams made here by hand, so that the answer is known without the code under test."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path


@pytest.fixture(scope="session")
def stand() -> Stand:
    """The example stand: motor with propeller, all roles measured."""
    return load_stand(shared_path("stands", "airboat.toml")).stand


@pytest.fixture
def stream_of(stand: Stand) -> Callable[..., Stream]:
    """Make a stream of the example stand: columns by channel name, everything else a quiet standstill."""

    def make(t: np.ndarray, columns: dict[str, np.ndarray | float], **arrays: np.ndarray) -> Stream:
        channels = stand.channels_of("rack")
        quiet = {"air_pressure": 101325.0, "air_temp": 20.0, "air_humidity": 0.5, "dc_voltage": 400.0}
        unknown = set(columns) - {c.name for c in channels}
        assert not unknown, unknown
        values = np.stack(
            [np.broadcast_to(columns.get(c.name, quiet.get(c.name, 1.0)), t.shape) for c in channels], axis=1
        ).astype(float)
        given = {
            "time_s": t,
            "arrival_s": t,
            "device_time_s": t,
            "counter": np.arange(t.size) % 65536,
            "values": values,
        } | arrays
        return Stream("rack", tuple(c.name for c in channels), tuple(c.unit for c in channels), **given)

    return make
