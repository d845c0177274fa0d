"""The heartbeat of a profile: the three forms of the how-to, and what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.heartbeat import CoilOutput, ControlLine, Heartbeat, LineOutput, MessageOutput
from benchkit.profiles import load_stand, shared_path, stand_from_json
from benchkit.simulate.wire import Alive, parse_command

AIRBOAT = shared_path("stands", "airboat.toml")
RECIPE = Path(__file__).resolve().parents[2] / "docs" / "howto" / "heartbeat.md"
PLC = """
[sources.plc]
kind = "modbus"
port = "tcp://127.0.0.1:502"
unit_id = 3
stale_after = { value = 2.0, unit = "s" }
interval = { value = 0.5, unit = "s" }
timeout = { value = 0.2, unit = "s" }
registers = [{ column = "spare", table = "holding", address = 0, type = "u16", word_order = "big" }]
"""
FORMS = re.findall(r"```toml\n(.*?)```", RECIPE.read_text(encoding="utf-8"), re.DOTALL)
MESSAGE, LINE, COIL = FORMS


def load(tmp_path: Path, section: str, *changes: tuple[str, str]) -> Heartbeat | None:
    for old, new in changes:
        assert old in section, old
        section = section.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(AIRBOAT.read_text(encoding="utf-8") + PLC + section, encoding="utf-8")
    loaded = load_stand(path)
    assert stand_from_json(loaded.json) == loaded.stand  # a run carries it
    return loaded.stand.heartbeat


def test_the_forms_of_the_how_to(tmp_path: Path) -> None:
    message = MessageOutput("rack", "alive {count}", "ok alive {count}")
    assert load(tmp_path, MESSAGE) == Heartbeat(0.1, False, message)
    assert load(tmp_path, LINE) == Heartbeat(0.1, False, LineOutput("/dev/ttyUSB1", ControlLine.RTS))
    assert load(tmp_path, COIL) == Heartbeat(0.5, True, CoilOutput("plc", 12))
    assert load(tmp_path, "") is None
    assert parse_command(message.command.replace("{count}", "65535")) == Alive(65535)


@pytest.mark.parametrize(
    ("section", "change", "message"),
    [
        (MESSAGE, ('period = { value = 100.0, unit = "ms" }\n', ""), r"heartbeat\.period: .*missing"),
        (LINE, ("stop_on_trip = false\n", ""), r"heartbeat\.stop_on_trip: .*missing"),
        (MESSAGE, ('"ms"', '"rpm"'), r"heartbeat\.period\.unit: 'rpm' is not a unit of time"),
        (MESSAGE, ("100.0", "5.0"), r"heartbeat\.period\.value: .*got '0\.005 s'; expected 0\.02 s to 10 s.*a third"),
        (MESSAGE, ("100.0", "-1.0"), r"heartbeat\.period\.value: must be above zero"),
        (MESSAGE, ('"alive {count}"', '"alive"'), r"heartbeat\.command: the number of the beat is missing.*stuck"),
        (MESSAGE, ('"rack"', '"rak"'), r"heartbeat\.source: no source of that name.*Did you mean 'rack'"),
        (MESSAGE, ('"rack"', '"plc"'), r"heartbeat\.source: takes no beats as a message.*kind = 'coil'"),
        (LINE, ('"rts"', '"cts"'), r"heartbeat: .*got 'cts'; expected 'rts' or 'dtr'"),
        (COIL, ('"plc"', '"rack"'), r"heartbeat\.source: a coil belongs to a Modbus source"),
        (
            COIL,
            ("500.0", "200.0"),
            r"one answer that is missing would cost a beat.*more than the time-out of plc, 0\.2 s",
        ),
        (COIL, ("address = 12", "address = 70000"), r"heartbeat\.address: .*65535"),
        (COIL, ('"coil"', '"relay"'), r"heartbeat: .*got 'relay'; expected 'line', 'message', 'coil'"),
    ],
)
def test_what_is_refused(tmp_path: Path, section: str, change: tuple[str, str], message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        load(tmp_path, section, change)
