"""Columns to channels: order, calibration, raw columns."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import UsageError
from benchkit.model.calibration import Calibration, GainOffset, Polynomial, Table
from benchkit.model.stand import Channel
from benchkit.profiles import load_stand, shared_path
from benchkit.units import Quantity

Curve = GainOffset | Polynomial | Table


AS_SENT = GainOffset()


def channel(name: str, column: str, curve: Curve = AS_SENT) -> Channel:
    return Channel(name, name, Quantity.FORCE, "rack", column, -1e9, 1e9, Calibration(curve))


COLUMNS = ("a", "b", "c")
SQUARE = Polynomial((0.0, 0.0, 1.0), 0.0, 10.0)
TABLE = Table((0.0, 1.0, 2.0), (0.0, 10.0, 40.0))


def test_straight_lines_and_order() -> None:
    mapped = ChannelMap([channel("x", "c", GainOffset(2.0, 1.0)), channel("y", "a")], COLUMNS)
    raw = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, np.nan]])
    # x = 2 c + 1, y = a; NaN stays NaN
    np.testing.assert_array_equal(mapped.calibrate(raw), [[7.0, 1.0], [np.nan, 4.0]])
    assert mapped.raw_names == ("c",)
    np.testing.assert_array_equal(mapped.raw(raw), [[3.0], [np.nan]])


def test_curves_beside_straight_lines() -> None:
    mapped = ChannelMap(
        [channel("x", "a", SQUARE), channel("y", "b", GainOffset(3.0)), channel("z", "c", TABLE)], COLUMNS
    )
    raw = np.array([[2.0, 1.0, 1.5], [11.0, 1.0, 3.0]])
    # 2² = 4; 3·1; halfway from 10 to 40. Outside their points polynomial and table say NaN.
    np.testing.assert_allclose(mapped.calibrate(raw), [[4.0, 3.0, 25.0], [np.nan, 3.0, np.nan]], rtol=1e-15)
    assert mapped.raw_names == ("a", "b", "c")


def test_one_column_for_two_channels_is_kept_raw_once() -> None:
    mapped = ChannelMap([channel("x", "b", GainOffset(2.0)), channel("y", "b", GainOffset(3.0))], COLUMNS)
    assert mapped.raw_names == ("b",)
    assert mapped.calibrate(np.array([[0.0, 5.0, 0.0]])).tolist() == [[10.0, 15.0]]


@settings(deadline=None, max_examples=50)
@given(
    gains=st.lists(st.floats(-1e3, 1e3).filter(bool), min_size=3, max_size=3),
    offsets=st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=3),
    raw=st.lists(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=3), min_size=1, max_size=5),
)
def test_all_at_once_equals_one_by_one(gains: list[float], offsets: list[float], raw: list[list[float]]) -> None:
    channels = [channel(c, c, GainOffset(g, o)) for c, g, o in zip(COLUMNS, gains, offsets, strict=True)]
    values = np.array(raw)
    got = ChannelMap(channels, COLUMNS).calibrate(values)
    for index, one in enumerate(channels):
        np.testing.assert_array_equal(got[:, index], one.calibration.curve.apply(values[:, index]))


def test_input_is_left_as_it_was() -> None:
    values = np.ones((2, 3))
    ChannelMap([channel("x", "a", GainOffset(2.0, 1.0)), channel("y", "b"), channel("z", "c")], COLUMNS).calibrate(
        values
    )
    assert values.tolist() == [[1.0] * 3] * 2


def test_no_rows() -> None:
    assert ChannelMap([channel("x", "a", SQUARE)], COLUMNS).calibrate(np.empty((0, 3))).shape == (0, 1)


def test_unknown_column() -> None:
    with pytest.raises(
        UsageError, match=r"channels\.x\.column: column 'thrus' is not in the frames.*Did you mean 'thrust'\?"
    ):
        ChannelMap([channel("x", "thrus")], ("thrust", "udc"))


def test_width_is_checked() -> None:
    with pytest.raises(UsageError, match=r"do not fit the columns.*got \(1, 2\); expected \(n, 3\)"):
        ChannelMap([channel("x", "a")], COLUMNS).calibrate(np.ones((1, 2)))


def test_example_stand() -> None:
    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    columns = stand.sources["rack"].format.columns[2:]
    mapped = ChannelMap(stand.channels_of("rack"), columns)
    values = mapped.calibrate(np.ones((1, len(columns))))[0]
    named = dict(zip((c.name for c in mapped.channels), values.tolist(), strict=True))
    # From the profile: 100 N·m and 500 N per mV/V; kW and hPa and % to their bench units.
    assert named["shaft_torque"] == pytest.approx(100.0, rel=1e-15)
    assert named["thrust"] == pytest.approx(500.0, rel=1e-15)
    assert named["ac_power"] == pytest.approx(1000.0, rel=1e-15)
    assert named["air_pressure"] == pytest.approx(100.0, rel=1e-15)
    assert named["air_humidity"] == pytest.approx(0.01, rel=1e-15)
    assert named["dc_voltage"] == 1.0
