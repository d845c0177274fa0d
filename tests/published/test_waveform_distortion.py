"""THD of ideal waveforms, all harmonics counted: square wave 48.34 %, triangle 12.12 %.

Closed forms √(π²/8 - 1) and √(π⁴/96 - 1), from the Fourier series 4/π Σ sin((2k+1)x)/(2k+1) and
8/π² Σ (-1)^k sin((2k+1)x)/(2k+1)²: handbook values, for example Total harmonic distortion in I. V. Blagouchine and
E. Moreau, IEEE Trans. Commun. 59 (2011) 2478, doi:10.1109/TCOMM.2011.061511.100749 (closed forms; second-hand).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.analysis.signals.harmonics import Fundamental, harmonics
from benchkit.analysis.signals.spectrum import Window, spectrum

N = 20_000
"""Samples a period: sampling makes the fundamental of a square wave larger by π²/6N², far below the last digit."""
PHASE = (np.arange(4 * N) + 0.5) / N


def square() -> np.ndarray:
    return np.where(PHASE % 1.0 < 0.5, 1.0, -1.0)


def triangle() -> np.ndarray:
    return 2.0 * np.abs(2.0 * (PHASE % 1.0) - 1.0) - 1.0


@pytest.mark.parametrize(("wave", "printed"), [(square(), "48.34"), (triangle(), "12.12")])
def test_all_harmonics(published, wave, printed):
    lines = spectrum(wave, float(N), Window.NONE)  # 4 periods of 1 Hz: lines every 0.25 Hz, no leakage
    first = lines.amplitude[4] / math.sqrt(2.0)
    published("THD in percent", 100.0 * math.sqrt(lines.rms**2 - first**2) / first, printed)


@pytest.mark.parametrize(
    ("wave", "amplitude"),
    [
        (square(), lambda k: 1.0 / math.sin(math.pi * k / N)),
        (triangle(), lambda k: math.cos(math.pi * k / N) / math.sin(math.pi * k / N) ** 2),
    ],
)
def test_harmonics_of_a_band(wave, amplitude):
    """Exact: the sampled square wave has odd harmonics 1/sin(πk/N) of one amplitude (its discrete transform is a
    geometric series). The differences of the sampled triangle are means of two neighbours of such a wave, for its
    corners lie between two samples: cos(πk/N)/sin²(πk/N)."""
    found = harmonics(wave, float(N), 40.0, tracked=Fundamental(1.0, 0.0, 0.0, 4.0))
    odd = [amplitude(k) for k in range(1, 41, 2)]
    assert found.thd == pytest.approx(math.sqrt(sum(a * a for a in odd[1:])) / odd[0], rel=1e-9)
