"""``[steadiness]``: what was always there, the time of stabilisation, the thermal rule, the role of the frequency."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.stand import Role, Stand, ThermalSteadiness
from benchkit.profiles import load_stand, shared_path, stand_from_json

BAND = 'torque_band = { value = 1.5, unit = "N·m" }\n'
RULE = """stabilise = { value = 3.0, unit = "min" }

[steadiness.thermal]
channels = ["winding_temp", "magnet_temp"]
change = { value = 1.0, unit = "K" }
over = { value = 30.0, unit = "min" }
"""
AIRBOAT = shared_path("stands", "airboat.toml").read_text(encoding="utf-8")


def loaded(tmp_path: Path, *changes: tuple[str, str]) -> Stand:
    text = AIRBOAT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "stand.toml"
    path.write_text(text, encoding="utf-8")
    found = load_stand(path)
    assert stand_from_json(found.json) == found.stand
    return found.stand


def test_without_them_nothing_is_asked_for(tmp_path: Path) -> None:
    rules = loaded(tmp_path).steadiness
    assert rules.stabilise_s == 0.0
    assert rules.thermal is None


def test_the_rules_come_in_bench_units(tmp_path: Path) -> None:
    rules = loaded(tmp_path, (BAND, BAND + RULE)).steadiness
    assert rules.stabilise_s == 180.0
    assert rules.thermal == ThermalSteadiness(("winding_temp", "magnet_temp"), 1.0, 1800.0)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"magnet_temp"]', '"magnet_tmp"]', r"steadiness\.thermal\.channels\.1: .*magnet_tmp"),
        ('"magnet_temp"]', '"shaft_speed"]', "'shaft_speed' measures speed"),
        ('change = { value = 1.0, unit = "K" }', 'change = { value = 0.0, unit = "K" }', "must be above zero"),
        ('change = { value = 1.0, unit = "K" }', 'change = { value = 1.0, unit = "bar" }', "'bar' is not a unit"),
        ('over = { value = 30.0, unit = "min" }\n', "", r"steadiness\.thermal\.over"),
        ("value = 3.0", "value = -3.0", "cannot be negative"),
    ],
)
def test_faults_are_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        loaded(tmp_path, (BAND, BAND + RULE.replace(old, new)))


def test_the_frequency_has_a_role(tmp_path: Path) -> None:
    role = 'electrical_frequency = "electrical_frequency"\n'
    stand = loaded(tmp_path, (role, role))
    channel = stand.channel_for(Role.ELECTRICAL_FREQUENCY)
    assert channel is not None
    assert channel.unit == "Hz"
    with pytest.raises(ProfileError, match="measures speed"):
        loaded(tmp_path, (role, 'electrical_frequency = "shaft_speed"\n'))
