"""Wanted values through the exact way back of a calibration, onto the wire, and through the decoder of the source."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.decode.build import decoder_for
from benchkit.model.calibration import Calibration, GainOffset, Polynomial, Table
from benchkit.model.samples import BadFrame, Rows
from benchkit.model.sensors import PlatinumResistance
from benchkit.model.sources import (
    ByteOrder,
    Framing,
    ModbusRegister,
    ModbusSource,
    ModbusTable,
    NumberType,
    PacketCheck,
    PacketField,
    PacketFormat,
    SerialPacketSource,
    SerialTextSource,
    TextFormat,
)
from benchkit.model.stand import Channel, Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.session.inject import BYTES, ROWS, Injector
from benchkit.simulate.frames import PacketFrames, TextFrames
from benchkit.units import Quantity

T = NumberType
FIELDS = (PacketField("n", T.U16), PacketField("t", T.U32), PacketField("a", T.F32), PacketField("b", T.I16))


def packets(framing: Framing, check: PacketCheck, order: ByteOrder) -> PacketFormat:
    head = b"\xa5\x5a" if framing is Framing.LENGTH else b""
    return PacketFormat(FIELDS, framing, check, order, head, counter_column="n", device_time_column="t")


@pytest.mark.parametrize("framing", [Framing.COBS, Framing.LENGTH])
@pytest.mark.parametrize("check", list(PacketCheck))
@pytest.mark.parametrize("order", list(ByteOrder))
def test_packets_come_out_of_their_own_decoder(framing: Framing, check: PacketCheck, order: ByteOrder) -> None:
    wire = packets(framing, check, order)
    frames, decoder = PacketFrames(wire), decoder_for(SerialPacketSource("s", "", 1, wire, 1.0))
    for k, (a, b) in enumerate([(0.0, 0), (1.5, -300), (-2.25, 32767), (0.0, 256)], start=65534):
        decoder.feed(frames.frame(k, k * 1e-3, (a, b)), k)
    events = list(iter(decoder.next_event, None))
    assert not [event for event in events if isinstance(event, BadFrame)]
    values = np.concatenate([event.values for event in events if isinstance(event, Rows)])
    assert values.tolist() == [[0.0, 0.0], [1.5, -300.0], [-2.25, 32767.0], [0.0, 256.0]]


@pytest.mark.parametrize("mark", [".", ","])
def test_lines_come_out_of_their_own_decoder(mark: str) -> None:
    wire = TextFormat(("n", "t", "a", "b"), ";", mark, counter_column="n", counter_modulus=10, device_time_column="t")
    frames, decoder = TextFrames(wire), decoder_for(SerialTextSource("s", "", 1, wire, 1.0))
    for k in range(8, 13):
        decoder.feed(frames.frame(k, k * 0.01, (k / 8.0, math.nan)), k)
    events = list(iter(decoder.next_event, None))
    values = np.concatenate([event.values for event in events if isinstance(event, Rows)])
    assert all(isinstance(event, Rows) for event in events)
    assert values[:, 0].tolist() == [1.0, 1.125, 1.25, 1.375, 1.5]
    assert np.isnan(values[:, 1]).all()


@pytest.fixture(scope="module")
def airboat() -> Stand:
    return load_stand(shared_path("stands", "airboat.toml")).stand


CURVES = {
    "straight": GainOffset(-0.25, 3.0),
    "polynomial": Polynomial((1.0, 2.0, 0.01), 0.0, 100.0),
    "table": Table((0.0, 10.0, 40.0), (-5.0, 80.0, 90.0)),
    "pt100": PlatinumResistance(100.0),
}


def stand_with(airboat: Stand, spec: SerialTextSource | ModbusSource, curves: dict[str, object]) -> Stand:
    channels = {
        name: Channel(name, name, Quantity.TEMPERATURE, "s", name, -10.0, 85.0, Calibration(curve))  # type: ignore[arg-type]
        for name, curve in curves.items()
    }
    return replace(airboat, sources={"s": spec}, channels=channels)


@pytest.mark.parametrize("value", [0.5, 42.0, 84.5])
def test_a_value_arrives_as_wanted_through_every_curve(airboat: Stand, value: float) -> None:
    spec = SerialTextSource("s", "", 1, TextFormat(tuple(CURVES)), 1.0)
    subject = Injector(stand_with(airboat, spec, dict(CURVES)), "s", tuple(CURVES), np.array([1.0, 2.0, 3.0, 100.0]))
    assert subject.level == BYTES
    for index, name in enumerate(CURVES):
        if name == "polynomial" and value < 1.0:
            assert math.isnan(subject.reach(name, value))  # its curve begins at 1
            continue
        assert subject.reach(name, value) == pytest.approx(value, abs=1e-6)
        _, values = subject.take(5, subject.make(5, {name: value}))
        assert values[0, index] == pytest.approx(value, abs=1e-6)
        others = [i for i in range(4) if i != index]
        assert values[0, others] == pytest.approx(np.array(list(subject.base.values()))[others], abs=1e-6)


def test_what_no_frame_can_say_is_not_reached(airboat: Stand) -> None:
    spec = SerialTextSource("s", "", 1, TextFormat(("table",)), 1.0)
    subject = Injector(stand_with(airboat, spec, {"table": CURVES["table"]}), "s", ("table",), np.array([1.0]))
    assert math.isnan(subject.reach("table", 95.0))  # a table is not extrapolated


def test_a_polled_source_is_injected_behind_its_decoder(airboat: Stand) -> None:
    registers = (ModbusRegister("straight", ModbusTable.INPUT, 0, T.U16),)
    spec = ModbusSource("s", "", 1, 1, 0.1, 0.1, registers, 1.0)
    subject = Injector(stand_with(airboat, spec, {"straight": CURVES["straight"]}), "s", ("straight",), np.array([4.0]))
    assert subject.level == ROWS
    assert subject.base == {"straight": 2.0}
    assert subject.take(7, subject.make(7, {"straight": 50.0}))[1].tolist() == [[50.0]]


DERIVED = """
[profile]
base = "airboat.toml"
[derived.shaft_power]
label = "Shaft power"
quantity = "power"
unit = "kW"
range = [-60.0, 60.0]
expression = "shaft_speed * shaft_torque"
[channels.coolant_inlet_temp]
calibration = { kind = "thermocouple", type = "K", cold_junction_channel = "case_temp" }
"""


def test_formulas_and_compensated_thermocouples_are_searched(airboat: Stand, tmp_path: Path) -> None:
    (tmp_path / "airboat.toml").write_bytes(shared_path("stands", "airboat.toml").read_bytes())
    (tmp_path / "derived.toml").write_text(DERIVED, encoding="utf-8")
    stand = load_stand(tmp_path / "derived.toml").stand
    columns = stand.sources["rack"].format.value_columns  # type: ignore[union-attr]
    frame = np.full(len(columns), 20.0)
    frame[[columns.index("n"), columns.index("tq")]] = 0.01, 0.0001
    subject = Injector(stand, "rack", columns, frame)
    # at rest neither speed nor torque alone makes 30 kW: both are moved
    assert subject.reach("shaft_power", 30_000.0) == pytest.approx(30_000.0, rel=1e-6)
    assert subject.reach("coolant_inlet_temp", 61.0) == pytest.approx(61.0, abs=1e-4)
    assert math.isnan(subject.reach("shaft_power", 1e9))
