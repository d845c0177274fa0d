"""The simulated stand sends what such sensors send, and the profile brings it back; the lines of the docs page."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.errors import UsageError
from benchkit.model.samples import Rows
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.records import record_bytes, steady_record

PAGE = Path(__file__).resolve().parents[2] / "docs" / "howto" / "sensors.md"
LINES = re.findall(r"^calibration = .*$", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
CHANNEL_OF = {
    "pt100": "winding_temp", "pt1000": "stator_temp", "thermocouple": "case_temp", "ntc": "magnet_temp",
    "pulses": "shaft_speed", "current_loop": "air_pressure", "bridge": "thrust", "quarter_bridge": "air_humidity",
}  # fmt: skip


def stand_with(folder: Path, lines: list[str]) -> Stand:
    path = folder / "stand.toml"
    text = f'[profile]\nbase = "{shared_path("stands", "airboat.toml").as_posix()}"\n'
    for line in lines:
        kind = re.findall(r'kind = "(\w+)"', line)[0]
        text += f"[channels.{CHANNEL_OF[kind]}]\n{line}\n"
    path.write_text(text, encoding="utf-8")
    return load_stand(path).stand


@pytest.mark.parametrize("line", LINES)
def test_every_line_of_the_page_loads(line: str, tmp_path: Path) -> None:
    stand_with(tmp_path, [line])


def test_the_page_shows_every_kind() -> None:
    assert {re.findall(r'kind = "(\w+)"', line)[0] for line in LINES} == set(CHANNEL_OF)


def values_of(stand: Stand) -> np.ndarray:
    """Means in bench units of what the stand sends as text, decoded and calibrated."""
    rows, _ = steady_record(stand, Load.PROPELLER, 2000.0, 0.0, seconds=2.0, rate_hz=200.0, seed=4)
    decoder = decoder_for(stand.sources["rack"])
    decoder.feed(record_bytes(stand, rows, seed=4), 1)
    values = []
    while (event := decoder.next_event()) is not None:
        assert isinstance(event, Rows)
        values.append(event.values)
    calibrated = ChannelMap(stand.channels_of("rack"), decoder.columns).calibrate(np.concatenate(values))
    return np.asarray(calibrated.mean(axis=0))


def test_sensors_there_and_back_through_the_wire(tmp_path: Path) -> None:
    """The same seed with plain channels and with sensors: the same quantities, but for the digits that are sent."""
    plain = stand_with(tmp_path, [])
    lines = [line for line in LINES if "channel = " not in line and "gate_time" not in line and "quarter" not in line]
    mounted = stand_with(tmp_path, lines)
    names = [channel.name for channel in plain.channels_of("rack")]
    difference = dict(zip(names, np.abs(values_of(mounted) - values_of(plain)), strict=True))
    for name in ("winding_temp", "stator_temp", "case_temp", "magnet_temp"):
        assert difference[name] < 0.1, name  # K: the stand sends tenths
    assert difference["thrust"] < 0.05
    assert difference["shaft_speed"] < 0.05
    assert difference["air_pressure"] < 5.0


def test_a_simulated_cold_junction_is_refused(tmp_path: Path) -> None:
    stand = stand_with(tmp_path, [line for line in LINES if "cold_junction_channel" in line])
    with pytest.raises(UsageError, match=r"no terminals whose temperature is measured.*For a simulation use"):
        values_of(stand)
