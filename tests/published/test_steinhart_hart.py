"""Steinhart and Hart, Deep-Sea Research 15 (1968) 497: the equation, with a common set for a 10 kohm thermistor.

A 0.001129148, B 0.000234125, C 8.76741e-8 (a widely printed set; its source is not known): 10 kohm -> 24.99967 °C.
"""

from __future__ import annotations

import numpy as np

from benchkit.model.sensors import SteinhartHart


def test_10_kohm(published):
    curve = SteinhartHart(0.001129148, 0.000234125, 8.76741e-8, 500.0, 200e3)
    published("10 kohm, °C", curve.apply(np.array(10e3)), "24.99967")
