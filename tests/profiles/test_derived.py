"""Derived channels of a profile: the page is right, and every fault is named with its place and remedy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import ProfileError
from benchkit.model.calibration import Accuracy
from benchkit.profiles import stand_from_json
from benchkit.units import Quantity
from tests.profiles.derived import page_stand, section, stand_with


def test_the_profile_of_the_page(tmp_path: Path) -> None:
    loaded = page_stand(tmp_path)
    stand = loaded.stand
    assert stand_from_json(loaded.json) == stand
    derived = [c for c in stand.channels.values() if c.derived]
    assert [c.name for c in derived] == ["dc_power", "shaft_power", "coolant_heat", "winding_rise", "drive_efficiency"]
    assert stand.channels_of("rack")[-5:] == tuple(derived)  # behind the measured ones
    power = stand.channels["dc_power"]
    assert power.derived is not None
    assert power.derived.inputs == ("dc_voltage", "dc_current")
    assert (power.unit, power.low, power.high, power.source) == ("W", -60000.0, 60000.0, "rack")  # written in kW
    assert stand.channels["coolant_heat"].calibration.accuracy == Accuracy(0.01, 0.0)
    assert stand.channels["winding_rise"].unit == "K"
    limit = next(x for x in stand.limit_set.limits if x.name == "dc_power_high")
    assert (limit.set_point, limit.deadband) == (45000.0, 500.0)


def test_each_comes_behind_what_it_needs_whatever_the_order_of_the_file(tmp_path: Path) -> None:
    stand = stand_with(
        tmp_path,
        section("c", "b - a"),
        section("b", "2 * a"),
        section("a", "dc_voltage * dc_current"),
    ).stand
    assert list(stand.channels)[-3:] == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("sections", "words"),
    [
        (
            [section("x", "dc_volts * dc_current")],
            r"derived\.x\.expression: character 1 \('dc_volts \* dc_cu'\): no channel or constant 'dc_volts'\. "
            r"Did you mean 'dc_voltage'\?",
        ),
        ([section("x", "dc_voltage * dc_current", "torque", "N·m")], "the result is power .W., declared is torque"),
        ([section("x", "dc_voltage * dc_current", "power", "V")], r"derived\.x\.unit: 'V' is not a unit of power"),
        ([section("x", "open(dc_voltage)")], r"derived\.x\.expression: character 1 .* no function 'open'"),
        (
            [section("x", "y + dc_voltage * dc_current"), section("y", "z"), section("z", "x")],
            r"derived\.[xyz]\.expression: derived channels need each other in a circle "
            r"\(got '(x needs y needs z needs x|y needs z needs x needs y|z needs x needs y needs z)'\)\. Break it",
        ),
        ([section("x", "x + dc_voltage * dc_current")], r"in a circle \(got 'x needs x'\)"),
        ([section("thrust", "dc_voltage * dc_current")], r"derived\.thrust: a measured channel has this name"),
        ([section("x", "2 + 2", "ratio", "1")], r"derived\.x\.expression: no channel in it \(got '2 \+ 2'\)"),
        ([section("x", "k * 2", "ratio", "1", 'constants = { k = { value = 1.0, unit = "1" } }')], "no channel in it"),
        (
            [section("x", "dc_voltage * k", more='constants = { k = { value = 1.0, unit = "kW/V" } }')],
            r"derived\.x\.constants\.k\.unit: 'kW/V' is not a product of coherent SI units",
        ),
        (
            [
                section(
                    "x", "dc_voltage * k", more='constants = { k = { value = 1.0, quantity = "current", unit = "V" } }'
                )
            ],
            r"derived\.x\.constants\.k\.unit: 'V' is not a unit of current",
        ),
        (
            [section("x", "thrust", more='constants = { thrust = { value = 1.0, unit = "W" } }')],
            r"derived\.x\.constants\.thrust: a channel has this name",
        ),
        (
            [section("x", "dc_voltage * turn", more='constants = { turn = { value = 1.0, unit = "A" } }')],
            r"derived\.x\.constants\.turn: a number that is known here anyway has this name",
        ),
        (
            [section("x", "dc_voltage * dc_current").replace("[0.0, 1.0]", "[1.0, 1.0]")],
            r"derived\.x\.range: the lower end must lie below the upper end",
        ),
        ([section("x", "dc_voltage * dc_current", more='column = "udc"')], r"derived\.x\.column: unknown key"),
        (
            [section("x", "shaft_speed * shaft_torque"), '[roles]\nac_power = "x"'],
            r"roles\.ac_power: a role goes to a measured channel, this one is derived",
        ),
        (
            [
                section("x", "dc_voltage * dc_current"),
                '[limits.y]\nchannel = "z"\nkind = "above"\nseverity = "caution"\nlatching = false\n'
                'set_point = { value = 1.0, unit = "W" }\non_delay = { value = 0.0, unit = "s" }\n'
                'off_delay = { value = 0.0, unit = "s" }\ndeadband = { value = 0.0, unit = "W" }',
            ],
            r"limits\.y\.channel: no channel of that name",
        ),
        ([section("pi", "dc_voltage * dc_current"), section("x", "pi * 2")], "'pi' is a channel and a built-in number"),
    ],
)
def test_faults(tmp_path: Path, sections: list[str], words: str) -> None:
    with pytest.raises(ProfileError, match=words) as caught:
        stand_with(tmp_path, *sections)
    assert len(caught.value.problems) == 1, caught.value.problems


def test_faults_of_several_channels_are_listed_together(tmp_path: Path) -> None:
    """And nothing is said of a channel only because one that it needs is wrong."""
    with pytest.raises(ProfileError, match="3 problems") as caught:
        stand_with(
            tmp_path,
            section("x", "dc_volts"),
            section("y", "x * 2"),
            section("z", "dc_voltage +"),
            section("t", "thrust"),
        )
    assert sorted(p.where.rsplit(": ", 1)[-1] for p in caught.value.problems) == [
        f"derived.{name}.expression" for name in "txz"
    ]


def test_channels_of_several_sources_are_refused(tmp_path: Path) -> None:
    second = (
        '[sources.dyno]\nkind = "serial_text"\nport = "x"\nbaud = 115200\n'
        'stale_after = { value = 1.0, unit = "s" }\n[sources.dyno.format]\nseparator = ","\ndecimal_mark = "."\n'
        'checksum = "none"\ncolumns = ["tq"]\n'
        '[channels.load_torque]\nlabel = "Load"\nquantity = "torque"\nunit = "N·m"\nsource = "dyno"\ncolumn = "tq"\n'
        'range = [0.0, 1.0]\ncalibration = { kind = "gain_offset", gain = 1.0, offset = 0.0 }\n'
        "accuracy = { of_reading_percent = 0.0, constant = 0.0 }\n"
    )
    with pytest.raises(
        ProfileError,
        match=r"its channels come from several sources \(got 'shaft_speed \(rack\), load_torque \(dyno\)'; expected "
        r"channels of one source\)\. Sources have their own times and rates",
    ):
        stand_with(tmp_path, second, section("x", "shaft_speed * load_torque"))
    stand = stand_with(tmp_path, second, section("x", "load_torque * 2", "torque", "N·m")).stand
    assert [c.name for c in stand.channels_of("dyno")] == ["load_torque", "x"]
    assert "x" not in [c.name for c in stand.channels_of("rack")]


def test_constants_of_a_quantity_take_its_units(tmp_path: Path) -> None:
    stand = stand_with(
        tmp_path,
        section(
            "x",
            "where(winding_temp > hot, winding_temp - hot, 0)",
            "temperature_difference",
            "K",
            'constants = { hot = { value = 212.0, quantity = "temperature", unit = "°F" } }',
        ),
    ).stand
    derived = stand.channels["x"].derived
    assert derived is not None
    # 212 °F = 100 °C by definition of the scales
    values = derived.apply({"winding_temp": np.array([90.0, 100.0, 112.5, np.nan])})
    np.testing.assert_allclose(values, [0.0, 0.0, 12.5, np.nan], atol=1e-12)
    assert stand.channels["x"].quantity is Quantity.TEMPERATURE_DIFFERENCE


def test_hostile_profiles_end_in_a_list_of_faults(tmp_path: Path) -> None:
    """200 formulas of 500 characters are the most that is looked at."""
    bomb = [section(f"x{k}", "+".join(["a"] * 250)) for k in range(200)]
    with pytest.raises(ProfileError, match="200 problems"):
        stand_with(tmp_path, *bomb)
    with pytest.raises(ProfileError, match=r"at most 200 items"):
        stand_with(tmp_path, *bomb, section("one_more", "a"))
