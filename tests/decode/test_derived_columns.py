"""Derived columns beside the measured ones: right values, and the same bits however the rows are cut."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.analysis.derived import with_derived
from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import UsageError
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record
from tests.profiles.derived import page_stand, section, stand_with


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Stand:
    return page_stand(tmp_path_factory.mktemp("page")).stand


CURVED = (
    ("bent", "exp(ratio) + sin(ratio) * cos(ratio) + log(abs(ratio) + 1) + (abs(ratio) + 1) ** 0.3"),
    ("ratio", "shaft_speed / top + hypot(shaft_torque, dc) / dc"),
)
CONSTANTS = (
    'constants = { top = { value = 4200.0, quantity = "speed", unit = "rpm" }, dc = { value = 7.0, unit = "N*m" } }'
)


@pytest.fixture(scope="module")
def curved(tmp_path_factory: pytest.TempPathFactory) -> Stand:
    """Formulas of functions whose last bit depends on how a library computes them."""
    sections = [section(name, text, "ratio", "1", CONSTANTS if "top" in text else "") for name, text in CURVED]
    return stand_with(tmp_path_factory.mktemp("curved"), *sections).stand


def map_of(stand: Stand) -> ChannelMap:
    return ChannelMap(stand.channels_of("rack"), text_format_of(stand.sources["rack"]).value_columns)


def stream_of(stand: Stand, values: np.ndarray, *, only_measured: bool = False) -> Stream:
    channels = [c for c in stand.channels_of("rack") if not (only_measured and c.derived)]
    time_s = np.arange(len(values)) * 0.01
    names, units = tuple(c.name for c in channels), tuple(c.unit for c in channels)
    counter = np.arange(len(values))
    return Stream("rack", names, units, time_s, time_s, time_s, counter, values[:, : len(channels)])


def test_values_in_bench_units(stand: Stand) -> None:
    channels = map_of(stand)
    columns = text_format_of(stand.sources["rack"]).value_columns
    given_ = {
        "udc": 400.0,
        "idc": 50.0,
        "n": 3000.0,
        "tq": 0.5,
        "t_winding": 90.0,
        "t_cool_in": 30.0,
        "t_cool_out": 34.0,
    }
    raw = np.array([[{**given_, "q_cool": 6.0}.get(c, math.nan) for c in columns]])
    got = dict(zip((c.name for c in channels.channels), channels.calibrate(raw)[0].tolist(), strict=True))
    assert got["dc_power"] == 20000.0  # 400 V · 50 A
    # 0.5 mV/V · 100 N·m per mV/V = 50 N·m at 3000 rpm = 100 pi rad/s: 5000 pi W
    assert got["shaft_power"] == pytest.approx(5000.0 * math.pi, rel=1e-15)
    assert got["drive_efficiency"] == pytest.approx(math.pi / 4.0, rel=1e-15)
    # 6 L/min = 1e-4 m³/s; · 1065 kg/m³ · 3400 J/(kg K) · 4 K = 1448.4 W
    assert got["coolant_heat"] == pytest.approx(1448.4, rel=1e-12)  # 34 °C - 30 °C goes through kelvin
    assert got["winding_rise"] == pytest.approx(58.0, abs=1e-12)  # 90 - (30 + 34)/2
    assert math.isnan(got["thrust"])
    assert channels.raw_names == map_of(load_stand(shared_path("stands", "airboat.toml")).stand).raw_names


def test_not_measured_stays_so(stand: Stand) -> None:
    channels = map_of(stand)
    columns = text_format_of(stand.sources["rack"]).value_columns
    raw = np.ones((3, len(columns)))
    raw[1, columns.index("idc")] = math.nan
    raw[2, columns.index("idc")] = 0.0
    got = dict(zip((c.name for c in channels.channels), channels.calibrate(raw).T.tolist(), strict=True))
    assert got["dc_power"] == [1.0, pytest.approx(math.nan, nan_ok=True), 0.0]
    assert all(math.isnan(v) for v in got["drive_efficiency"])  # 1 W is below the least power of the guard


def test_no_rows(stand: Stand) -> None:
    columns = text_format_of(stand.sources["rack"]).value_columns
    assert map_of(stand).calibrate(np.empty((0, len(columns)))).shape == (0, 29)


@given(data=st.data())
@settings(max_examples=40, deadline=None)
@pytest.mark.parametrize("which", ["stand", "curved"])
def test_blocks_and_recomputation_give_the_same_bits(
    which: str, data: st.DataObject, request: pytest.FixtureRequest
) -> None:
    stand: Stand = request.getfixturevalue(which)
    channels = map_of(stand)
    columns = text_format_of(stand.sources["rack"]).value_columns
    rows = data.draw(st.integers(1, 70))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    raw = rng.normal(0.0, 1.0, (rows, len(columns))) * 10.0 ** rng.integers(-3, 4, len(columns))
    raw[rng.random(raw.shape) < 0.05] = math.nan
    whole = channels.calibrate(raw)
    cuts = sorted(data.draw(st.sets(st.integers(1, rows), max_size=8)))
    parts = [channels.calibrate(part) for part in np.split(raw, cuts)]
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    again = with_derived(stand, stream_of(stand, whole, only_measured=True))
    assert again.channels == tuple(c.name for c in stand.channels_of("rack"))
    assert again.units == tuple(c.unit for c in stand.channels_of("rack"))
    assert again.values.tobytes() == whole.tobytes()
    assert with_derived(stand, stream_of(stand, whole)).values.tobytes() == whole.tobytes()


def test_a_stream_without_an_input_is_refused(stand: Stand) -> None:
    stream = stream_of(stand, np.ones((2, 29)))
    less = Stream(
        "rack", stream.channels[1:], stream.units[1:], *[stream.time_s] * 3, stream.counter, stream.values[:, 1:]
    )
    with pytest.raises(UsageError, match=r"derived.dc_power: channel 'dc_voltage' is not in the stream 'rack'"):
        with_derived(stand, less)


def test_the_simulated_stand_sends_what_it_sent_before(stand: Stand) -> None:
    """Derived channels are not on the wire: the same seed gives the same bytes with and without them."""
    plain = load_stand(shared_path("stands", "airboat.toml")).stand
    sent = []
    for one in (stand, plain):
        rows, _ = steady_record(one, Load.PROPELLER, 2000.0, math.nan, seconds=1.0, rate_hz=50.0, seed=3)
        sent.append(record_bytes(one, rows, seed=3))
    assert sent[0] == sent[1]


def test_stands_without_derived_channels_are_untouched() -> None:
    plain = load_stand(shared_path("stands", "airboat.toml")).stand
    stream = stream_of(plain, np.ones((2, 24)))
    again = with_derived(plain, stream)
    assert again.channels == stream.channels
    assert np.array_equal(again.values, stream.values)
