"""Sensor kinds in a profile: what they become, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import ProfileError
from benchkit.model.calibration import AnyCurve, GainOffset
from benchkit.model.sensors import (
    Corrected,
    CurrentLoop,
    PlatinumResistance,
    QuarterBridge,
    SteinhartHart,
    Thermocouple,
    ThermocoupleType,
)
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path, stand_from_json

BASE = shared_path("stands", "airboat.toml").as_posix()


def stand_with(folder: Path, **calibrations: str) -> Stand:
    path = folder / "stand.toml"
    lines = [f'[profile]\nbase = "{BASE}"']
    lines += [f"[channels.{name}]\ncalibration = {text}" for name, text in calibrations.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    loaded = load_stand(path)
    assert stand_from_json(loaded.json) == loaded.stand  # a run carries the curve
    return loaded.stand


KINDS: list[tuple[str, str, AnyCurve]] = [
    ("winding_temp", '{ kind = "pt100" }', PlatinumResistance(100.0)),
    ("winding_temp", '{ kind = "pt1000", raw_gain = 1000.0 }', Corrected(PlatinumResistance(1000.0), raw_gain=1e3)),
    (
        "winding_temp",
        '{ kind = "pt100", correction = { gain = 1.001, offset = -0.05 } }',
        Corrected(PlatinumResistance(100.0), 1.001, -0.05),
    ),
    (
        "stator_temp",
        '{ kind = "thermocouple", type = "K", cold_junction = { value = 77.0, unit = "°F" } }',
        Thermocouple(ThermocoupleType.K, 25.0),
    ),
    (
        "stator_temp",
        '{ kind = "thermocouple", type = "N", cold_junction_channel = "air_temp" }',
        Thermocouple(ThermocoupleType.N, cold_junction_channel="air_temp"),
    ),
    (
        "magnet_temp",
        '{ kind = "ntc", a = 0.001129148, b = 0.000234125, c = 8.76741e-8, raw_range = [500.0, 200000.0] }',
        SteinhartHart(0.001129148, 0.000234125, 8.76741e-8, 500.0, 200e3),
    ),
    # the channel's unit is hPa: 800 … 1200 hPa over 16 mA
    ("air_pressure", '{ kind = "current_loop", at_4_ma = 800.0, at_20_ma = 1200.0 }', CurrentLoop(8e4, 12e4)),
    # 1000 N at 2 mV/V with 0.01 mV/V at no load: 500 N per mV/V
    (
        "thrust",
        '{ kind = "bridge", rated_output = 2.0, rated_value = 1000.0, zero_output = 0.01 }',
        GainOffset(500.0, -5.0),
    ),
    ("air_humidity", '{ kind = "quarter_bridge", gauge_factor = 2.1 }', QuarterBridge(2.1)),
    # 60 / 60 rpm per Hz; 60 / (60 · 0.1 s) rpm per count
    ("shaft_speed", '{ kind = "pulses", pulses_per_revolution = 60.0 }', GainOffset(1.0)),
    (
        "shaft_speed",
        '{ kind = "pulses", pulses_per_revolution = 60.0, gate_time = { value = 100.0, unit = "ms" } }',
        GainOffset(10.0),
    ),
]


@pytest.mark.parametrize(("channel", "text", "curve"), KINDS, ids=[k[1][10:34] for k in KINDS])
def test_what_a_kind_becomes(channel: str, text: str, curve: AnyCurve, tmp_path: Path) -> None:
    got = stand_with(tmp_path, **{channel: text}).channels[channel].calibration.curve
    assert type(got) is type(curve)
    if isinstance(curve, GainOffset):
        assert isinstance(got, GainOffset)
        assert (got.gain, got.offset) == pytest.approx((curve.gain, curve.offset), rel=1e-14)
    elif isinstance(curve, Thermocouple):
        assert isinstance(got, Thermocouple)
        assert got.cold_junction_c == pytest.approx(curve.cold_junction_c, abs=1e-12)
        assert (got.type, got.cold_junction_channel) == (curve.type, curve.cold_junction_channel)
    else:
        assert got == curve


def test_a_correction_is_a_line_in_the_unit_of_the_channel(tmp_path: Path) -> None:
    """Exact: 50 °C is 122 °F, corrected 1.5 · 122 - 10 = 173 °F = 78.333 °C."""
    path = tmp_path / "stand.toml"
    text = Path(BASE).read_text(encoding="utf-8")
    start = text.index("[channels.stator_temp]")
    stop = text.index("[channels.magnet_temp]")
    section = (
        text[start:stop]
        .replace('"°C"', '"°F"')
        .replace('"gain_offset", gain = 1.0, offset = 0.0', '"pt100", correction = { gain = 1.5, offset = -10.0 }')
    )
    path.write_text(text[:start] + section + text[stop:], encoding="utf-8")
    curve = load_stand(path).stand.channels["stator_temp"].calibration.curve
    ohm = PlatinumResistance(100.0).invert(np.array([50.0]))
    assert curve.apply(ohm) == pytest.approx([(173.0 - 32.0) / 1.8], abs=1e-9)


REFUSED = [
    ("thrust", '{ kind = "pt100" }', r"thrust\.calibration\.kind: 'pt100' measures temperature"),
    ("winding_temp", '{ kind = "pt100", raw_gain = 0.0 }', r"raw_gain: a gain of zero"),
    ("winding_temp", '{ kind = "pt100", correction = { gain = 0.0, offset = 0.0 } }', r"correction\.gain: a gain of"),
    ("winding_temp", '{ kind = "thermocouple", type = "K" }', r"has one cold junction.*ice bath"),
    (
        "winding_temp",
        '{ kind = "thermocouple", type = "K", cold_junction = { value = 298.0, unit = "°C" } }',
        r"no place for a cold junction",
    ),
    (
        "winding_temp",
        '{ kind = "thermocouple", type = "K", cold_junction_channel = "airtemp" }',
        r"cold_junction_channel: no channel of that name.*Did you mean 'air_temp'",
    ),
    (
        "winding_temp",
        '{ kind = "thermocouple", type = "K", cold_junction_channel = "thrust" }',
        r"channel 'thrust' measures force.*expected temperature",
    ),
    (
        "winding_temp",
        '{ kind = "thermocouple", type = "K", cold_junction_channel = "winding_temp" }',
        r"itself needs a cold junction",
    ),
    ("winding_temp", '{ kind = "thermocouple", type = "Q", cold_junction_channel = "air_temp" }', r"calibration\.type"),
    ("winding_temp", '{ kind = "ntc", a = 1e-3, b = 2e-4, c = 9e-8, raw_range = [5e3, 1e3] }', r"raw_range: the lower"),
    ("winding_temp", '{ kind = "ntc", a = 1e-3, b = -2e-4, c = 9e-8, raw_range = [1e3, 5e3] }', r"calibration\.b"),
    ("air_pressure", '{ kind = "current_loop", at_4_ma = 1.0, at_20_ma = 1.0 }', r"the same value at both ends"),
    ("thrust", '{ kind = "bridge", rated_output = 0.0, rated_value = 1.0, zero_output = 0.0 }', r"measures nothing"),
    (
        "shaft_speed",
        '{ kind = "pulses", pulses_per_revolution = 60.0, gate_time = { value = 0.0, unit = "s" } }',
        r"gate_time\.value: must be above zero",
    ),
]


@pytest.mark.parametrize(("channel", "text", "message"), REFUSED, ids=[f"{i}" for i in range(len(REFUSED))])
def test_what_is_refused(channel: str, text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=message):
        stand_with(tmp_path, **{channel: text})


def test_the_cold_junction_of_each_row_is_taken(tmp_path: Path) -> None:
    stand = stand_with(
        tmp_path, stator_temp='{ kind = "thermocouple", type = "K", cold_junction_channel = "air_temp" }'
    )
    columns = decoder_for(stand.sources["rack"], joined_midway=False).columns
    mapped = ChannelMap(stand.channels_of("rack"), columns)
    raw = np.zeros((3, len(columns)))
    raw[:, columns.index("t_air")] = [0.0, 25.0, np.nan]
    names = [c.name for c in mapped.channels]
    got = mapped.calibrate(raw)[:, names.index("stator_temp")]
    # exact: no voltage, so the tip is as warm as the terminals
    assert got[:2] == pytest.approx([0.0, 25.0], abs=1e-9)
    assert np.isnan(got[2])
    assert "t_stator" in mapped.raw_names
