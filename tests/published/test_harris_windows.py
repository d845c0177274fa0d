"""Figures of windows: F. J. Harris, Proc. IEEE 66 (1978) 51, table I (values from memory).

Rectangle: coherent gain 1.00, noise bandwidth 1.00 bins, scallop loss 3.92 dB. Hann: 0.50, 1.50, 1.42.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.signals.spectrum import Window, scalloping, spectrum


@pytest.mark.parametrize(
    ("window", "gain", "bandwidth", "loss"),
    [(Window.NONE, "1.00", "1.00", "3.92"), (Window.HANN, "0.50", "1.50", "1.42")],
)
def test_table_i(published, window, gain, bandwidth, loss):
    found = spectrum(np.sin(np.arange(1000.0)), 1000.0, window)
    published(f"coherent gain, {window}", found.coherent_gain, gain)
    published(f"noise bandwidth, {window}", found.noise_bandwidth_bins, bandwidth)
    published(f"scallop loss, {window}", -20.0 * math.log10(scalloping(window)), loss)
