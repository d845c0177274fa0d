"""A real heating step of a permanent-magnet motor.

Paderborn LEA dataset "Electric Motor Temperature" (W. Kirchgässner, O. Wallscheid, J. Böcker), profile 24, every fifth
row of 2 Hz data; comparison values derived from it once with an independent fit.
"""

from __future__ import annotations

import numpy as np

from benchkit.analysis.folding import fold
from benchkit.analysis.settled import change_label
from benchkit.analysis.thermal import fit_heating
from benchkit.analysis.thermal.extrapolate import is_steady, predict_steady
from benchkit.analysis.thermal.fit import fit_network
from benchkit.analysis.thermal.runs import part_of, thermal_run
from benchkit.analysis.uncertainty import interval
from benchkit.model.results import Settled
from benchkit.model.stand import ThermalSteadiness


def test_heating_rows(published, reference):
    data = np.genfromtxt(reference("pmsm/profile24_every5th.csv"), delimiter=",", names=True)
    winding = data["stator_winding"][6:1758]
    t = np.arange(winding.size) * 2.5
    one = fit_heating(t, winding, order=1)
    published("one exponential: tau min", one.tau_s.value / 60.0, "5.75")
    published("one exponential: rms K", one.residual_rms_k, "2.33")
    assert one.fast_tau_s is None
    fit = fit_heating(t, winding, channel="winding")
    assert fit.fast_tau_s is not None
    published("two exponentials: slow tau min", fit.tau_s.value / 60.0, "10.8")
    published("two exponentials: fast tau min", fit.fast_tau_s.value / 60.0, "2.04")
    published("two exponentials: end °C", fit.final_c.value, "123.43")
    # block means of 12.5 s smooth 0.01 K of the residual away
    published("two exponentials: rms K", fit.residual_rms_k, "0.51", tolerance=0.015)
    # in the last half hour under load the winding stood still to 0.043 K: the fit must end where the record ends
    assert abs(fit.final_c.value - winding[-400:].mean()) < 0.5


def test_one_kelvin_in_half_an_hour(published, reference):
    """By a rule of 1 K in 30 min (IEC 60034-1, second-hand) the winding had come to rest, the magnet had not."""
    data = np.genfromtxt(reference("pmsm/profile24_every5th.csv"), delimiter=",", names=True)
    rule = ThermalSteadiness(("winding", "magnet"), 1.0, 1800.0)
    t = np.arange(1752) * 2.5
    labels = {}
    for channel, column, change in (("winding", "stator_winding", "0.043"), ("magnet", "pm", "2.917")):
        (segment,) = fold(t, data[column][6:1758, None], 2.5, 50.0)
        # the comparison value is the difference of two single rows
        ends = change_label(segment.times, segment.means[:, 0], rule, channel=channel, end_blocks=1)
        published(f"{channel}: last 30 min K", ends.change.value, change)
        labels[channel] = change_label(segment.times, segment.means[:, 0], rule, channel=channel)
    assert labels["winding"].state is Settled.STEADY
    assert labels["magnet"].state is Settled.NOT_STEADY


def heating(reference, column):
    """One column of the heating as a run with the coolant beside it and a load that is not known but held."""
    data = np.genfromtxt(reference("pmsm/profile24_every5th.csv"), delimiter=",", names=True)
    return thermal_run(np.arange(1752) * 2.5, data[column][6:1758], data["coolant"][6:1758], 1.0, name=column)


def test_two_nodes_on_the_winding(reference):
    fit = fit_network([heating(reference, "stator_winding")], 2)
    assert fit.residual_rms_k < 0.55
    # a constant load from an unknown start does not tell the two resistances apart, and that is said
    assert fit.notes == ("1 of 6 parameters follow from the others",)


def test_end_from_the_first_twenty_minutes(reference):
    """The interval holds where the winding stood in the last quarter of an hour, and narrows with the wait."""
    run = heating(reference, "stator_winding")
    end = float(run.temp_c[-360:].mean())
    widths = []
    for minutes in (20.0, 25.0, 60.0):
        found = predict_steady(part_of(run, run.time_s <= 60.0 * minutes))
        low, high = interval(found.final_c)
        assert low <= end <= high, minutes
        widths.append(high - low)
    assert sorted(widths, reverse=True) == widths


def test_what_has_hardly_bent_has_no_end_but_by_its_load(reference):
    """The magnet at 20 min: no end at a load that is not known; the interval by the recorded current holds its end."""
    held = heating(reference, "pm")
    assert np.isnan(predict_steady(part_of(held, held.time_s <= 1200.0)).final_c.value)
    data = np.genfromtxt(reference("pmsm/profile24_every5th.csv"), delimiter=",", names=True)
    square = (data["i_d"] ** 2 + data["i_q"] ** 2)[6:1758]
    magnet = thermal_run(np.arange(1752) * 2.5, data["pm"][6:1758], data["coolant"][6:1758], square)
    found = predict_steady(part_of(magnet, magnet.time_s <= 1200.0))
    low, high = interval(found.final_c)
    # it rose by 2.917 K in the last half hour and was slowing down: its end lies between this and that much more
    last = float(magnet.temp_c[-1])
    assert low <= last
    assert last + 2.917 <= high
    assert found.pays


def test_the_end_follows_the_load_that_runs_now(reference):
    """The current squared rose by 9 % and then fell by 2 %: the interval of the end told by it holds."""
    data = np.genfromtxt(reference("pmsm/profile24_every5th.csv"), delimiter=",", names=True)
    square = (data["i_d"] ** 2 + data["i_q"] ** 2)[6:1758]
    run = thermal_run(np.arange(1752) * 2.5, data["stator_winding"][6:1758], data["coolant"][6:1758], square)
    end = float(run.temp_c[-360:].mean())
    for minutes in (35.0, 40.0):
        found = predict_steady(part_of(run, run.time_s <= 60.0 * minutes))
        low, high = interval(found.final_c)
        assert low <= end <= high, minutes
        assert abs(found.final_c.value - end) < 1.5, minutes
        assert "load that moves" in [line.name for line in found.final_c.budget]


def test_winding_and_magnet_are_judged_apart(reference):
    winding, magnet = heating(reference, "stator_winding"), heating(reference, "pm")
    assert is_steady(winding.time_s, {"winding": winding.temp_c}).state is Settled.STEADY
    both = is_steady(winding.time_s, {"winding": winding.temp_c, "magnet": magnet.temp_c})
    assert (both.state, both.channel) == (Settled.NOT_STEADY, "magnet")
