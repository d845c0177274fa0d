"""NIST StRD, nonlinear regression: all 27 datasets from both starts (data second-hand, as the file beside this says).

Parameters to a relative 1e-7, standard deviations to 1e-5.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.fitting import fit_nonlinear
from tests.published.nist_strd import MODELS, datasets

DATASETS = list(datasets())
# Residuals of 9e-14 at readings of 2.5: a double holds these readings to 2e-16, the residuals so to about a thousandth.
ROUNDED = {"Lanczos1": 2e-3}


def test_all_are_there():
    assert len(DATASETS) == 27
    assert {data.name for data in DATASETS} == set(MODELS)


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
@pytest.mark.parametrize("data", DATASETS, ids=lambda data: data.name)
def test_certified_values(data, start, published):
    model = MODELS[data.name]
    with np.errstate(all="ignore"):  # start 1 of several sets is far away on purpose
        fit = fit_nonlinear(lambda b: model(b, data.x), data.starts[start], data.y)
    allowed = ROUNDED.get(data.name, 1e-5)
    for i, (value, sd) in enumerate(zip(data.certified, data.deviations, strict=True)):
        published(f"{data.name} b{i + 1}", fit.parameters[i], value, tolerance=1e-7 * abs(float(value)))
        published(f"{data.name} sd of b{i + 1}", fit.u[i], sd, tolerance=allowed * float(sd))
    residual_sd = data.residual_sd
    published(f"{data.name} residual sd", fit.residual_sd, residual_sd, tolerance=allowed * float(residual_sd))
    assert fit.dof == data.y.size - fit.parameters.size
