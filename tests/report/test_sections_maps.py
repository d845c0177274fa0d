"""What the report says of maps, duties and thrust per electrical watt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchkit.model.results import Estimate
from benchkit.model.results_maps import Hysteresis, LackOfFit
from benchkit.report.model import Number, RunReport, Table, Text, Tone
from benchkit.report.numbers import show
from benchkit.report.sections_maps import map_section, propulsion_section


def tables(run: RunReport, section=map_section) -> dict[str, Table]:
    found = section([run])
    assert found is not None
    return {block.id: block for block in found.blocks if isinstance(block, Table)}


def words(table: Table, row: int) -> list[str]:
    return [cell.text if isinstance(cell, Text) else show(cell) for cell in table.rows[row]]


def test_best_points_of_both_flows(full_run):
    best = tables(full_run)["map-best"]
    assert [words(best, k)[:2] for k in range(2)] == [["drive", "motoring"], ["drive", "generating"]]
    assert words(best, 0)[-1] == "shaft_torque gain"
    assert words(best, 1)[-1] == "not stated"


def test_what_a_map_rests_on_in_words(full_run):
    trust = tables(full_run)["map-trust"]
    row = trust.rows[0]
    assert words(trust, 0)[1] == "do not suffice, against the scatter of the means"
    assert isinstance(row[1], Text)
    assert row[1].tone is Tone.CAUTION
    assert words(trust, 0)[4] == "no difference shown (9 from below, 6 from above)"


@pytest.mark.parametrize(
    ("fit", "side", "expected"),
    [
        (
            LackOfFit("replicates", 1.0, 5, 18, 0.4, 2.0),
            Hysteresis("pairs", 9, 9, Estimate(8.0, 1.0, "W", 8.0), 0.0001),
            ("suffice, against repeated points", "matters (by pairs)"),
        ),
        (
            LackOfFit("not tested", float("nan"), 5, 0, float("nan"), 2.0),
            Hysteresis("not tested", 0, 9, None, float("nan"), "one way only"),
            ("not tested: no scatter of the points is known", "not tested: one way only"),
        ),
    ],
)
def test_other_verdicts(full_run, fit, side, expected):
    changed = replace(full_run.result.maps[0], lack_of_fit=fit, hysteresis=side)
    run = replace(full_run, result=replace(full_run.result, maps=(changed,)))
    found = words(tables(run)["map-trust"], 0)
    assert (found[1], found[4]) == expected


def test_a_duty_names_what_it_refuses(full_run):
    found = tables(full_run)
    assert words(found["duty"], 0)[0] == "drive"
    loss = found["duty"].rows[0][4]
    assert isinstance(loss, Number)
    assert (loss.value, loss.unit, loss.u) == (924.0, "kJ", 7.2)
    assert words(found["duty-loads"], 2)[-1] == "refused: outside the measured points"


def test_no_duty_no_table(full_run):
    run = replace(full_run, result=replace(full_run.result, duties=()))
    assert not {"duty", "duty-loads"} & set(tables(run))


def test_thrust_per_watt_is_no_efficiency(full_run, bare_run):
    table = tables(full_run, propulsion_section)["propulsion"]
    assert "is no efficiency" in table.note
    assert len(table.rows) == 3
    assert propulsion_section([bare_run]) is None
