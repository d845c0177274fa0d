"""NIST StRD, analysis of variance, dataset AtmWtAg (L. J. Powell et al., NBS J. Res. 87 (1982) 9).

Seven leading digits are the same in all data: the difficulty of this set.
"""

from __future__ import annotations

import numpy as np

from benchkit.analysis.fitting import fit_linear

INSTRUMENT_1_TEXT = """
107.8681568 107.8681465 107.8681572 107.8681785 107.8681446 107.8681903 107.8681526 107.8681494
107.8681616 107.8681587 107.8681519 107.8681486 107.8681419 107.8681569 107.8681508 107.8681672
107.8681385 107.8681518 107.8681662 107.8681424 107.8681360 107.8681333 107.8681610 107.8681477
"""
INSTRUMENT_1 = np.array(INSTRUMENT_1_TEXT.split(), dtype=float)
INSTRUMENT_2_TEXT = """
107.8681079 107.8681344 107.8681513 107.8681197 107.8681604 107.8681385 107.8681642 107.8681365
107.8681151 107.8681082 107.8681517 107.8681448 107.8681198 107.8681482 107.8681334 107.8681609
107.8681101 107.8681512 107.8681469 107.8681360 107.8681254 107.8681261 107.8681450 107.8681368
"""
INSTRUMENT_2 = np.array(INSTRUMENT_2_TEXT.split(), dtype=float)


def test_between_and_within(published):
    y = np.concatenate([INSTRUMENT_1, INSTRUMENT_2])
    assert y.size == 48
    second = np.repeat([0.0, 1.0], 24)
    fit = fit_linear(np.stack([np.ones(48), second], axis=1), y)
    within = fit.residual_sd
    # two groups: F is the square of the step over its standard uncertainty (exact)
    F = (fit.parameters[1] / fit.u[1]) ** 2
    published("residual standard deviation", within, "1.51048314446410E-05", tolerance=1e-12)
    # all but 9 of the 16 digits of a double are spent on the constant leading digits
    published("F statistic", F, "1.59467335677930E+01", tolerance=2e-6)
