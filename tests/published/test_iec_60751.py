"""IEC 60751:2008, industrial platinum resistance thermometers: table of R(t) of Pt100 at its printed digits."""

from __future__ import annotations

import numpy as np

from benchkit.model.sensors import PlatinumResistance


def test_resistance_of_pt100(published):
    curve = PlatinumResistance(100.0)
    for t, ohm in ((100.0, "138.5055"), (-100.0, "60.2558"), (200.0, "175.856")):
        published(f"Pt100, {t:g} °C, ohm", curve.invert(np.array(t)), ohm)


def test_temperature_of_pt100(published):
    published("Pt100, 108.5 ohm, °C", PlatinumResistance(100.0).apply(np.array(108.5)), "21.8189")


def test_pt1000_is_ten_times_pt100(published):
    curve = PlatinumResistance(1000.0)
    published("Pt1000, 100 °C, ohm", curve.invert(np.array(100.0)) / 10.0, "138.5055")
    published("Pt1000, 1085 ohm, °C", curve.apply(np.array(1085.0)), "21.8189")
