"""``[thermal_models.NAME]``: the example of the page loads, and every wrong value is named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.model.thermal_models import LossByCurrent
from benchkit.profiles import load_stand, stand_from_json
from tests.profiles.derived import write

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "thermal-models.md"
BASE = '[profile]\nbase = "airboat.toml"\n\n'


def example() -> str:
    found = re.search(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    return BASE + found.group(1)


def test_the_example_of_the_page(tmp_path: Path) -> None:
    loaded = load_stand(write(tmp_path, example()))
    (model,) = loaded.stand.thermal_models.values()
    assert (model.name, model.source, model.channel, model.limit) == ("winding", "rack", "winding_temp", "winding_hot")
    assert (model.tau_s, model.resistance_k_w) == ((40.0, 300.0), (0.015, 0.045))
    assert model.loss == LossByCurrent("phase_u_current", 0.08, 0.00393, 50.0)
    # exact: 0.08·100²·(1 + 0.00393·100) + 50
    assert model.loss.loss_w(100.0**2, 120.0) == pytest.approx(1164.4)
    assert (model.scatter_k, model.memory_s, model.u_k) == (0.2, 5.0, 1.0)
    assert stand_from_json(loaded.json).thermal_models == loaded.stand.thermal_models


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('channel = "winding_temp"', 'channel = "shaft_torque"', "'shaft_torque' measures torque"),
        ('reference = "coolant_inlet_temp"', 'reference = "winding_temp"', "no reference of itself"),
        ('limit = "winding_hot"', 'limit = "winding_hut"', "no limit of that name"),
        ('limit = "winding_hot"', 'limit = "magnet_hot"', "watches another channel"),
        ("[40.0, 300.0]", "[300.0, 40.0]", "time constants are above zero and rise"),
        ("[40.0, 300.0]", "[40.0]", "as many resistances as time constants"),
        ("[0.015, 0.045]", "[-0.1, 0.045]", "their sum must be above zero"),
        ('channel = "phase_u_current"', 'channel = "dc_voltage"', "'dc_voltage' measures voltage"),
        ("value = 50.0", "value = -1.0", "a loss cannot be negative"),
        ("value = 0.2", "value = 0.0", "must be above zero"),
        ("value = 1.0", "value = -1.0", "an uncertainty cannot be negative"),
        ('kind = "current"', 'kind = "curent"', "current"),
        ("w_per_a2 = 0.08", "w_per_a = 0.08", "w_per_a"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, old: str, new: str, told: str) -> None:
    text = example()
    assert old in text
    with pytest.raises(ProfileError, match=re.escape(told)):
        load_stand(write(tmp_path, text.replace(old, new)))


def test_one_model_a_channel(tmp_path: Path) -> None:
    text = example()
    second = text.removeprefix(BASE).replace("[thermal_models.winding]", "[thermal_models.again]")
    with pytest.raises(ProfileError, match="'winding' describes this channel, too"):
        load_stand(write(tmp_path, f"{text}\n{second}"))
