"""How colours look to people with another colour vision, and how far two colours are apart.

Simulation: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A Physiologically-based Model for Simulation of Color
Vision Deficiency", IEEE Transactions on Visualization and Computer Graphics 15 (2009) 1291-1298,
doi:10.1109/TVCG.2009.113: the matrices of severity 1.0, on linear RGB, second-hand as several open programs print them.
Colour space: sRGB of IEC 61966-2-1 to CIE XYZ (D65) to CIELAB; difference: CIE 1976, ISO/CIE 11664-4.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
KINDS: dict[str, FloatArray] = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = np.array([0.9505, 1.0, 1.0890])


def lab(colour: str, kind: str = "usual") -> FloatArray:
    """L*, a*, b* of ``#RRGGBB`` as somebody with that vision sees it."""
    parts = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    seen = np.clip(KINDS[kind] @ linear, 0.0, 1.0)
    ratio = (_XYZ @ seen) / _WHITE
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


def difference(one: str, other: str, kind: str = "usual") -> float:
    """Colour difference ΔE*ab; about 2.3 is just noticed side by side."""
    return float(np.linalg.norm(lab(one, kind) - lab(other, kind)))
