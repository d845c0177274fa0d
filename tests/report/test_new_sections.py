"""Pages of a transfer, of the loss as heat and of a mission: words, numbers, and that they can be drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis.endurance import play_power
from benchkit.analysis.loss_terms import INVERTER, SWITCHING, separate_losses
from benchkit.analysis.transfer import check_transfer, predict
from benchkit.cli.heat_study import run as heat_run
from benchkit.model.results_heat import Calorimetry
from benchkit.report.figures import draw
from benchkit.report.model import CloudFigure, Paragraph, Table, Tone, TraceFigure
from benchkit.report.sections_endurance import endurance_section
from benchkit.report.sections_heat import calorimetry_section
from benchkit.report.sections_transfer import Transfer, transfer_section
from tests.analysis.test_battery import REAL
from tests.analysis.test_transfer import data


@pytest.fixture(scope="module")
def separated():
    return separate_losses(data(), draws=500)


def tables(section):
    return {block.id: block for block in section.blocks if isinstance(block, Table)}


def test_a_transfer_that_holds(separated):
    loads = {"current_a": [40.0, 150.0], "dc_voltage_v": [390.0] * 2, "switching_frequency_hz": [16e3] * 2}
    loads["junction_c"] = [50.0, 100.0]
    predicted = predict(separated, {k: np.array(v) for k, v in loads.items()}, ["cruise", "take-off"])
    test = check_transfer(separated, data(currents=(80.0, 140.0), frequencies=(16e3,), u=2.0, seed=3))
    section = transfer_section(Transfer("inverter", ["A"], separated, predicted, test))
    found = tables(section)
    assert [row[-1].tone for row in found["loss-prediction"].rows] == [Tone.PLAIN, Tone.CAUTION]
    assert "inside" in found["loss-prediction"].rows[0][-1].text
    words = found["loss-prediction"].rows[1][-1].text
    assert words.startswith("EXTRAPOLATED: current 150 A above 60 A (1.6 of the measured span)")
    assert "leverage" in words
    assert len(found["loss-test"].rows) == len(test.points)
    first, last = (block for block in section.blocks if isinstance(block, Paragraph))
    assert first.tone is Tone.GOOD
    assert last.tone is Tone.GOOD
    (figure,) = (block for block in section.blocks if isinstance(block, CloudFigure))
    assert draw(figure).startswith("<svg")


def test_terms_that_are_refused_say_so():
    poor = separate_losses(data(), [name for name in INVERTER if name not in SWITCHING], draws=50)
    first = transfer_section(Transfer("inverter", ["A", "B"], poor)).blocks[0]
    assert isinstance(first, Paragraph)
    assert first.tone is Tone.CAUTION
    assert "Do not predict" in first.text
    assert "switching terms are left out" in first.text


def test_loss_as_heat(full_run):
    found, _ = heat_run(5)
    wrong, _ = heat_run(5, torque_error_nm=1.0)
    section = calorimetry_section([_with(full_run, calorimetry=(found,))])
    assert section is not None
    assert section.blocks[0].tone is Tone.GOOD
    assert set(tables(section)) == {"heat-losses", "heat-paths", "heat-efficiency"}
    assert len(tables(section)["heat-losses"].rows) == len(found.points)
    assert draw(section.blocks[-1]).startswith("<svg")
    bad = calorimetry_section([_with(full_run, calorimetry=(wrong,))])
    assert bad is not None
    assert bad.blocks[0].tone is Tone.CAUTION
    assert calorimetry_section([full_run]) is None
    assert isinstance(found, Calorimetry)


def test_a_mission(full_run):
    mission = play_power(REAL, [20_000.0], [300.0], wanted_s=3600.0, trials=100)
    section = endurance_section([_with(full_run, endurance=(mission,))])
    assert section is not None
    found = tables(section)
    assert found["mission"].rows[0][1].value == mission.endurance_s.value
    assert sum(row[1].value for row in found["mission-ends"].rows) == pytest.approx(100.0)
    assert found["mission-continuous"].rows[0][1].value == mission.continuous_power_w.value
    (figure,) = (block for block in section.blocks if isinstance(block, TraceFigure))
    assert draw(figure).startswith("<svg")
    assert endurance_section([full_run]) is None
    once = play_power(REAL, [20_000.0], [300.0], repeat=False, trials=20)
    done = endurance_section([_with(full_run, endurance=(once,))])
    assert done is not None
    assert "done before a limit" in tables(done)["mission"].rows[0][1].text


def _with(run, **fields):
    return replace(run, result=replace(run.result, **fields))
