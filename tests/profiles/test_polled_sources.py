"""Modbus and SCPI sources in a stand profile."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.sources import (
    ByteOrder,
    ModbusRegister,
    ModbusSetPoint,
    ModbusSource,
    ModbusTable,
    NumberType,
    Parity,
    ScpiQuery,
    ScpiReply,
    ScpiSource,
)
from benchkit.profiles import load_stand, shared_path, stand_from_json

AIRBOAT = shared_path("stands", "airboat.toml")
RECIPE = Path(__file__).resolve().parents[2] / "docs" / "howto" / "modbus-and-scpi.md"


def fragment() -> str:
    """The part of a profile that the recipe prints."""
    found = re.search(r"```toml\n(.*?)```", RECIPE.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    return found.group(1)


def write(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = fragment()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(AIRBOAT.read_text(encoding="utf-8") + "\n" + text, encoding="utf-8")
    return path


def test_the_recipe_loads(tmp_path: Path) -> None:
    loaded = load_stand(write(tmp_path))
    chiller = loaded.stand.sources["chiller"]
    assert isinstance(chiller, ModbusSource)
    assert (chiller.unit_id, chiller.interval_s, chiller.timeout_s, chiller.largest_gap) == (17, 0.5, 0.2, 4)
    assert (chiller.parity, chiller.stop_bits) == (Parity.EVEN, 1)
    assert chiller.registers[0] == ModbusRegister("t_out", ModbusTable.INPUT, 8, NumberType.I16, gain=0.1)
    assert chiller.registers[2].word_order is ByteOrder.LITTLE
    assert chiller.set_point_command == "write {name} {value}"
    assert chiller.set_points == (ModbusSetPoint("coolant", 200, NumberType.U16, gain=0.1),)
    analyser = loaded.stand.sources["analyser"]
    assert isinstance(analyser, ScpiSource)
    assert analyser.columns == ("udc", "pu", "pv", "pw")
    assert analyser.queries[1] == ScpiQuery("FETC:POW?", ("pu", "pv", "pw"), ScpiReply.BLOCK, NumberType.F32)
    assert analyser.set_point_command is None
    assert loaded.stand.channels["analyser_dc_voltage"].source == "analyser"
    assert stand_from_json(loaded.json) == loaded.stand


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('type = "u32"', 'type = "u8"', r"sources\.chiller\.registers\.2\.type: a register holds 16 bits"),
        ("address = 100", "address = 65535", r"registers\.2\.address: reaches beyond the last register, 65535"),
        ("address = 100", "address = 65536", r"registers\.2\.address"),
        ("gain = 0.1 },\n    { column", "gain = 0.0 },\n    { column", r"registers\.0\.gain: a gain of zero"),
        ('{ name = "coolant"', '{ name = "Coolant"', r"set_points\.0\.name"),
        ("unit_id = 17", "unit_id = 0", r"sources\.chiller\.unit_id: unit 0 is all units at once"),
        ('parity = "even"', 'parity = "some"', r"sources\.chiller\.\S*parity"),
        ("stop_bits = 1", "stop_bits = 3", r"sources\.chiller\.\S*stop_bits"),
        ('table = "holding"', 'table = "coils"', r"registers\.2\.table"),
        ("stop_bits = 1", 'set_point_command = "set {name} {value}"', r"set_point_command: Modbus takes one form"),
        ('column = "t_in"', 'column = "t_out"', r"columns named twice: t_out"),
        ('reply = "numbers"', 'reply = "words"', r"sources\.analyser\.\S*queries\.0\.reply"),
        ('columns = ["udc"]', "columns = []", r"sources\.analyser\.\S*queries\.0\.columns"),
        ('command = "MEAS:VOLT:DC?"', 'command = "MEAS:VOLT:DC"', r"queries\.0\.command: must be a question"),
        ('command = "MEAS:VOLT:DC?"', 'command = "MEAS?\\nOUTP ON;?"', r"queries\.0\.command: must be a question"),
        ("{ value = 150.0", "{ value = 0.0", r"sources\.analyser\.timeout\.value: must be above zero"),
    ],
)
def test_faults_are_named(tmp_path: Path, old: str, new: str, told: str) -> None:
    with pytest.raises(ProfileError, match=told):
        load_stand(write(tmp_path, (old, new)))


def test_set_points_without_registers_are_not_written(tmp_path: Path) -> None:
    text = fragment()
    start, stop = text.index("set_points = ["), text.index("[sources.analyser]")
    path = write(tmp_path, (text[start:stop], 'set_point_command = "write {name} {value}"\n\n'))
    with pytest.raises(ProfileError, match=r"set_point_command: .* writes only what set_points names"):
        load_stand(path)


def test_unit_0_may_be_asked_over_tcp(tmp_path: Path) -> None:
    path = write(tmp_path, ('port = "/dev/ttyUSB1"', 'port = "tcp://192.0.2.17"'), ("unit_id = 17", "unit_id = 0"))
    assert load_stand(path).stand.sources["chiller"].port == "tcp://192.0.2.17"


def test_blocks_that_no_record_holds(tmp_path: Path) -> None:
    many = ", ".join(f'"x{i}"' for i in range(4095))
    change = ('columns = ["pu", "pv", "pw"]', f"columns = [{many}]")
    with pytest.raises(ProfileError, match=r"sources\.analyser\.queries: .*65535 bytes"):
        load_stand(write(tmp_path, change))
