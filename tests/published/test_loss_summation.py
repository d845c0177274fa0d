"""Loss summation of an 18.5 kW cage motor.

A. Haumer, C. Kral, H. Kapeller, T. Bäuml, J. V. Gragger, "The AdvancedMachines Library: Loss Models for Electric
Machines", Modelica Conference 2009; Modelica Standard Library, example IMC_withLosses (losses, torque, speed and the
measured table of 14 loads).
"""

from __future__ import annotations

import csv
import math

from benchkit.analysis.power import efficiency, efficiency_from_losses, shaft_power

LOSSES = [770.13, 410.00, 481.60, 102.22, 180.00]


def test_efficiency_from_losses(published):
    published("sum of losses W", sum(LOSSES), "1943.95")
    published("efficiency", efficiency_from_losses(18500.0, LOSSES), "0.904913")
    # torque is printed to 0.01 N·m and speed to 0.1 rpm: 1.7 W of power
    published("shaft power W", shaft_power(1462.5, 120.79), "18500", tolerance=1.7)


def test_measured_loads(published, reference):
    rows = list(csv.DictReader(reference("motor_maps/im_18k5_400v_measured.csv").read_text().splitlines()))
    assert len(rows) == 14
    for row in rows[1:]:
        electrical = math.sqrt(3.0) * 400.0 * float(row["i_line_a"]) * float(row["power_factor"])
        eta = efficiency(electrical, float(row["p_mech_w"]))
        # the printed power factor has 3 digits: the table agrees with itself to 0.0031
        published(f"efficiency at {row['p_mech_w']} W", eta, row["efficiency"], tolerance=0.0032)
