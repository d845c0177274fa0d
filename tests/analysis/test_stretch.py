"""A stretch that a person chose is averaged as a steady stretch is."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis import steady, stretch
from benchkit.analysis.steady import operating_points
from benchkit.analysis.stretch import HAS_GAPS, stretch_point
from benchkit.errors import UsageError
from benchkit.model.results import Settled
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path

RATE_HZ = 20.0


@pytest.fixture(scope="module")
def stand() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


@pytest.fixture(scope="module")
def stream(stand: Stand) -> Stream:
    """A minute at one set-point, then a minute of a ramp; ten seconds missing near the end."""
    t = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    t = t[(t < 100.0) | (t >= 112.0)]
    channels = stand.channels_of("rack")
    rng = np.random.default_rng(3)
    levels = {"shaft_speed": 2000.0 + 20.0 * np.maximum(t - 60.0, 0.0), "shaft_torque": np.full(t.size, 60.0)}
    values = np.stack([levels.get(c.name, np.full(t.size, 10.0)) for c in channels], axis=1)
    values = values + 0.1 * rng.standard_normal(values.shape)
    names, units = tuple(c.name for c in channels), tuple(c.unit for c in channels)
    return Stream("rack", names, units, t, t, t, np.arange(t.size), values)


def test_a_steady_stretch_says_what_the_operating_point_says(stand: Stand, stream: Stream) -> None:
    point = operating_points(stand, stream.rows(0, 1200))[0]
    chosen = stretch_point(stand, stream, point.row_start, point.row_stop)
    assert chosen.means == point.means
    assert (chosen.time_start_s, chosen.time_end_s) == (point.time_start_s, point.time_end_s)
    assert chosen.electrical is not None
    assert chosen.electrical.state is Settled.STEADY


def test_the_mean_is_the_mean_and_its_u_holds_scatter_and_calibration(stand: Stand, stream: Stream) -> None:
    found = stretch_point(stand, stream, 0, 1000).means["shaft_torque"]
    column = stream.column("shaft_torque")[:1000]
    # exact: independent readings, so u² is s²/n and the square of the calibration's u, within what tau may add
    accuracy = stand.channels["shaft_torque"].calibration.accuracy.standard_uncertainty(float(column.mean()))
    assert found.value == pytest.approx(column.mean(), rel=1e-12)
    assert found.u >= 0.99 * np.hypot(accuracy, column.std(ddof=1) / np.sqrt(1000))
    assert found.u <= np.hypot(accuracy, 3.0 * column.std(ddof=1) / np.sqrt(1000))


def test_a_ramp_is_averaged_and_labelled(stand: Stand, stream: Stream) -> None:
    found = stretch_point(stand, stream, 1300, 1900)
    assert found.electrical is not None
    assert found.electrical.state is Settled.NOT_STEADY
    assert "shaft_speed" in found.electrical.reason


def test_a_long_stretch_is_averaged_by_blocks(stand: Stand, stream: Stream, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = stretch_point(stand, stream, 0, 1200)
    monkeypatch.setattr(stretch, "ROWS_AT_ONCE", 500)
    blocks = stretch_point(stand, stream, 0, 1200)
    assert "averaged by blocks" in blocks.periods_note
    for name, mean in whole.means.items():
        assert blocks.means[name].value == pytest.approx(mean.value, rel=1e-12)
        assert blocks.means[name].u == pytest.approx(mean.u, rel=0.5)
    assert steady.ROWS_AT_ONCE == 50_000


def test_a_gap_is_averaged_over_and_said(stand: Stand, stream: Stream, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = len(stream)
    found = stretch_point(stand, stream, rows - 300, rows)
    assert found.electrical is None
    assert found.periods_note == HAS_GAPS
    monkeypatch.setattr(stretch, "ROWS_AT_ONCE", 100)
    blocks = stretch_point(stand, stream, rows - 300, rows)
    assert blocks.means["shaft_torque"].value == pytest.approx(found.means["shaft_torque"].value, rel=1e-12)
    assert blocks.periods_note.endswith(HAS_GAPS)


def test_a_stretch_without_two_rows_is_refused(stand: Stand, stream: Stream) -> None:
    with pytest.raises(UsageError, match="at least two rows"):
        stretch_point(stand, stream, 7, 8)
