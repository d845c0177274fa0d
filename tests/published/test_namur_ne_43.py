"""NAMUR recommendation NE 43: value 3.8 … 20.5 mA, failure below 3.6 mA or above 21 mA; 12 mA is half of the span."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.model.sensors import CurrentLoop, LoopState, loop_states


def test_half_of_the_span(published):
    published("12 mA of 0 … 100 %", CurrentLoop(0.0, 100.0).apply(np.array(12.0)), "50")


@pytest.mark.parametrize(
    ("current", "state"),
    [
        (3.59, LoopState.FAULT_LOW),
        (3.6, LoopState.BELOW_RANGE),
        (3.79, LoopState.BELOW_RANGE),
        (3.8, LoopState.VALID),
        (4.0, LoopState.VALID),
        (20.5, LoopState.VALID),
        (20.51, LoopState.ABOVE_RANGE),
        (21.0, LoopState.ABOVE_RANGE),
        (21.01, LoopState.FAULT_HIGH),
        (np.nan, LoopState.NOT_MEASURED),
    ],
)
def test_states(current, state):
    assert LoopState(int(loop_states(np.array([current]))[0])) is state
    value = CurrentLoop(0.0, 100.0).apply(np.array([current]))[0]
    assert np.isnan(value) == (state is not LoopState.VALID)
