"""Drive efficiency table of a 33 kW permanent-magnet drive.

P. Mauracher, "Modellbildung und Verbundoptimierung bei Elektrostraßenfahrzeugen", Aachener Beiträge des ISEA 17, 1996,
pp. 95 and 171, as carried in a public vehicle-simulation data file. Fill values (0.2) are dropped.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from benchkit.analysis.efficiency_table import table_losses
from benchkit.analysis.losses import fit_losses, loss_at
from benchkit.analysis.power import efficiency, shaft_power
from benchkit.errors import UsageError


def test_best_cell(published):
    out = shaft_power(5000.0, 30.0)
    published("shaft power W", out, "15707.96")
    published("input power W", out / 0.891, "17629.59")
    published("loss W", out / 0.891 - out, "1921.63")
    published("efficiency", efficiency(out / 0.891, out), "0.891")


def test_loss_model_describes_the_measured_table(reference):
    rows = list(csv.DictReader(reference("motor_maps/pm33_drive_efficiency.csv").read_text().splitlines()))
    kept = [
        r for r in rows if r["is_fill_value"] == "0" and float(r["torque_nm"]) <= float(r["max_torque_nm_at_speed"])
    ]
    n, T, eta = (np.array([float(r[k]) for r in kept]) for k in ("speed_rpm", "torque_nm", "efficiency"))
    assert n.size > 60
    out = shaft_power(n, T)
    loss = out / eta - out
    # the table is printed to 0.001 to 0.01: 0.005 of efficiency is the scatter of the loss
    fit = fit_losses(n, T, loss, 0.005 * out / eta**2)
    predicted = out / (out + loss_at(fit.model, n, T))
    usual = np.sqrt(np.mean((predicted - eta) ** 2))
    assert usual < 0.012
    # and the model finds cells it was not fitted to: every fourth one left out in turn
    for k in range(4):
        out_of = np.arange(n.size) % 4 == k
        part = fit_losses(n[~out_of], T[~out_of], loss[~out_of], (0.005 * out / eta**2)[~out_of])
        guess = out[out_of] / (out[out_of] + loss_at(part.model, n[out_of], T[out_of]))
        assert np.sqrt(np.mean((guess - eta[out_of]) ** 2)) < 0.025
    with pytest.raises(UsageError, match="is not a loss term"):
        fit_losses(n, T, loss, loss, terms=["1", "n^9"])


def test_fill_values_are_dropped_with_their_reason(published, reference):
    """117 cells, marked as fill in the file where the speed or the torque is zero."""
    rows = list(csv.DictReader(reference("motor_maps/pm33_drive_efficiency.csv").read_text().splitlines()))
    n, T, eta, most = (
        np.array([float(r[k]) for r in rows])
        for k in ("speed_rpm", "torque_nm", "efficiency", "max_torque_nm_at_speed")
    )
    marked = np.array([r["is_fill_value"] == "1" for r in rows])
    found = table_losses(n, T, eta, most_torque_nm=most)
    assert np.array_equal(found.dropped["no power"] | found.dropped["fill value"], marked)
    assert not np.any(found.efficiency == 0.2)
    best = int(np.argmax(found.efficiency))
    assert (found.speed_rpm[best], found.torque_nm[best]) == (5000.0, 30.0)
    published("loss of the best cell W", found.loss_w[best], "1921.63")
    # a fill value among the measured cells is found by its number
    spoiled = np.where((n == 5000.0) & (T == 40.0), 0.2, eta)
    again = table_losses(n, T, spoiled, most_torque_nm=most)
    assert int(again.dropped["fill value"].sum()) == int(found.dropped["fill value"].sum()) + 1
    assert again.loss_w.size == found.loss_w.size - 1
    with pytest.raises(UsageError, match="differ in length"):
        table_losses([1.0], [1.0, 2.0], [0.5])
