"""The offset of two time bases from a common edge. Exact: the true offset is put in first."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.decode.common_edge import offset_between
from benchkit.errors import UsageError


def steps(time_s: np.ndarray, at: tuple[float, ...]) -> np.ndarray:
    """One for half a second from each edge on."""
    return np.any([(time_s >= t) & (time_s < t + 0.5) for t in at], axis=0).astype(float)


@pytest.mark.parametrize("offset_s", [-0.120, 0.0, 0.0373])
def test_the_offset_is_found_within_its_uncertainty(offset_s: float) -> None:
    edges = (1.03, 2.0171, 3.305)
    true_a, true_b = np.arange(0.0, 5.0, 0.01), np.arange(0.0007, 5.0, 0.001)
    found = offset_between(true_a, 3.0 + 40.0 * steps(true_a, edges), true_b + offset_s, steps(true_b, edges))
    assert found.edges == 3
    assert found.u_s < 0.005
    assert abs(found.offset_s - offset_s) < 2.0 * found.u_s


def test_one_edge_between_samples_10_ms_and_1_ms_apart() -> None:
    """Exact: sqrt(10² + 1²) / sqrt(12) ms."""
    a, b = np.arange(0.0, 3.0, 0.01), np.arange(0.0, 3.0, 0.001)
    found = offset_between(a, steps(a, (1.0,)), b, steps(b, (1.0,)))
    assert found.u_s == pytest.approx(np.sqrt(101.0 / 12.0) * 1e-3)


def test_signals_without_a_common_edge_are_refused() -> None:
    time_s = np.arange(0.0, 5.0, 0.01)
    with pytest.raises(UsageError, match=r"no common edges.*1 and 2 rising edges"):
        offset_between(time_s, steps(time_s, (1.0,)), time_s, steps(time_s, (1.0, 3.0)))
    often = (1.0, 2.0, 3.0)
    with pytest.raises(UsageError, match=r"which edge belongs to which.*edges 1 s apart, times 0.6 s apart"):
        offset_between(time_s, steps(time_s, often), time_s + 0.6, steps(time_s, often))
    with pytest.raises(UsageError, match="0 and 1 rising edges"):
        offset_between(time_s, np.full(500, np.nan), time_s, steps(time_s, (1.0,)))
