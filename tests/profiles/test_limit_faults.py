"""A profile whose limits are wrong: each fault with what to do, all of them at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import ProfileError
from benchkit.profiles import load_stand, shared_path

COMMON = """
on_delay = { value = 0.0, unit = "s" }
off_delay = { value = 0.0, unit = "s" }
latching = true
"""
TRIP = f'severity = "trip"\naction = "ramp_down"\n{COMMON}'
WIDTH = 'deadband = { value = 0.0, unit = "A" }\n'
AMPERE = 'set_point = { value = 100.0, unit = "A" }\n'


def faults(tmp_path: Path, *limits: str) -> list[str]:
    (tmp_path / "airboat.toml").write_bytes(shared_path("stands", "airboat.toml").read_bytes())
    profile = tmp_path / "stand.toml"
    profile.write_text("\n".join(['[profile]\nbase = "airboat.toml"', *limits]), encoding="utf-8")
    try:
        load_stand(profile)
    except ProfileError as error:
        return [str(p).removeprefix(f"{profile}: ") for p in error.problems]
    return []


def one(kind: str, rest: str, channel: str = "phase_u_current") -> str:
    return f'[limits.x]\nchannel = "{channel}"\nkind = "{kind}"\n{TRIP}{rest}'


@pytest.mark.parametrize(
    ("limit", "text"),
    [
        (one("above", 'set_point = { value = 100.0 }\n' + WIDTH), "limits.x.set_point.unit: missing. Add this key"),
        (one("above", AMPERE + WIDTH, "phase_x_current"), "limits.x.channel: no channel of that name (got 'phase_x_"),
        (
            one("above", AMPERE + 'deadband = { value = 301.0, unit = "A" }'),
            "limits.x.deadband: the limit could never clear (got 301.0; expected a return between 0 and 300 A",
        ),
        (
            one("above", 'set_point = { value = 100.0, unit = "V" }\n' + WIDTH),
            "limits.x.set_point.unit: 'V' is not a unit of current. Use A, mA or kA.",
        ),
        (one("spread", AMPERE + WIDTH), "limits.x.partners: missing. Add this key; it has no default."),
        (
            one(
                "rate",
                AMPERE + 'deadband = { value = 0.0, unit = "A/s" }\ndirection = "rise"\n'
                'window = { value = 1.0, unit = "s" }',
            ),
            "limits.x.set_point.unit: 'A' is not a change of current per time. Use A/s or A/min.",
        ),
        (
            one("deviation", AMPERE + WIDTH + 'partner = "shaft_speed"'),
            "limits.x.partner: channel 'shaft_speed' measures speed (expected current, as 'phase_u_current'). Compare",
        ),
        (
            one("thermal_replica", AMPERE + 'deadband = { value = 0.0, unit = "1" }\nk = 1.05\n'
                'heating_time_constant = { value = 8.0, unit = "min" }\n'
                'cooling_time_constant = { value = 8.0, unit = "min" }\n'),
            "limits.x.initial_share: missing. Add this key; it has no default.",
        ),
        (
            one("i2t", 'set_point = { value = 100.0, unit = "A" }\ndeadband = { value = 0.0, unit = "A²·s" }\n'
                'continuous = { value = 8.0, unit = "A" }\ninitial_share = "cold"\n'),
            "limits.x.set_point.unit: 'A' is not a unit of i2t. Use A²·s or kA²·s",
        ),
        (
            one("energy_in_time", 'set_point = { value = 100.0, unit = "J" }\ndeadband = { value = 0.0, unit = "J" }\n'
                'window = { value = 8.0, unit = "s" }\n'),
            "limits.x.channel: energy_in_time needs a channel of power (got 'phase_u_current (current)').",
        ),
        (
            one("above", 'set_point = { at_rest = "of", starting = 1.0, running = 1.0, stopping = 1.0, unit = "A" }\n'
                + WIDTH),
            "limits.x.set_point.at_rest: Input should be a valid number (got 'of'; expected a number)",
        ),
        (
            one("above", 'set_point = { at_rest = "off", starting = 90.0, running = 9.0, stopping = 9.0, unit = "A" }\n'
                + WIDTH),
            "limit_set.starting_time: missing, and 'x' has set points by phase",
        ),
        (
            one("above", 'set_point = { along = "coolant_outlet_temp", along_unit = "°C", '
                'points = [[0.0, 90.0], [80.0, 50.0]], unit = "A" }\n' + WIDTH),
            "limits.x.set_point.points: the line does not cover the range of coolant_outlet_temp (got '0 to 80 °C';",
        ),
        (one("abov", AMPERE + WIDTH), "limits.x: not one of the known words (got 'abov';"),
    ],
)  # fmt: skip
def test_one_fault(tmp_path: Path, limit: str, text: str) -> None:
    (found,) = faults(tmp_path, limit)
    assert found.startswith(text)


def test_all_at_once(tmp_path: Path) -> None:
    """A missing unit, an unknown channel, a deadband larger than the span, a caution beyond its trip."""
    wide = one("above", AMPERE + 'deadband = { value = 301.0, unit = "A" }').replace("limits.x", "limits.wide")
    nowhere = one("above", AMPERE + WIDTH, "phase_x_current").replace("limits.x", "limits.nowhere")
    no_unit = one("above", "set_point = { value = 100.0 }\n" + WIDTH).replace("limits.x", "limits.no_unit")
    late = (
        f'[limits.late]\nchannel = "winding_temp"\nkind = "above"\nseverity = "caution"\n{COMMON}'
        'set_point = { value = 150.0, unit = "°C" }\ndeadband = { value = 1.0, unit = "K" }\n'
    )
    found = faults(tmp_path, wide, nowhere, no_unit, late)
    assert [text.partition(":")[0] for text in sorted(found)] == [
        "limits.late.set_point",
        "limits.no_unit.set_point.unit",
        "limits.nowhere.channel",
        "limits.wide.deadband",
    ]
    assert all("expected" in text or "Add this key" in text or "Did you mean" in text for text in found)
