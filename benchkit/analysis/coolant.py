"""Density and specific heat of the coolant: water, or water with ethylene glycol.

Nodes computed with the library CoolProp (water: IAPWS-95; mixtures: its incompressible fluid MEG by mass) at 2 bar;
between the nodes straight in both axes, which is within 0.1 % of it. Outside 0 … 100 °C and 0 … 60 % NaN.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

U_PROPERTIES = 0.005
"""Relative standard uncertainty of density times specific heat beyond that of the mixture (from memory: correlations
of glycol mixtures agree within about 1 %)."""
_GLYCOL = np.array([0.0, 0.2, 0.3, 0.4, 0.5, 0.6])
_TEMP_C = np.arange(0.0, 101.0, 10.0)
_SHARES, _TEMPS = _GLYCOL.tolist(), _TEMP_C.tolist()
# rows: glycol by mass as in _GLYCOL; columns: temperature
_DENSITY = np.array([
    (999.89, 999.75, 998.25, 995.69, 992.26, 988.08, 983.24, 977.81, 971.83, 965.35, 958.40),
    (1029.06, 1026.94, 1024.10, 1020.58, 1016.40, 1011.60, 1006.21, 1000.25, 993.76, 986.77, 979.32),
    (1044.97, 1041.81, 1038.05, 1033.70, 1028.80, 1023.38, 1017.46, 1011.08, 1004.26, 997.03, 989.41),
    (1060.39, 1056.39, 1051.86, 1046.84, 1041.35, 1035.43, 1029.11, 1022.42, 1015.39, 1008.06, 1000.45),
    (1074.62, 1070.02, 1064.93, 1059.39, 1053.44, 1047.13, 1040.49, 1033.57, 1026.41, 1019.04, 1011.52),
    (1087.85, 1082.75, 1077.14, 1071.08, 1064.62, 1057.83, 1050.76, 1043.47, 1036.01, 1028.44, 1020.82),
])  # fmt: skip
_HEAT = np.array([
    (4219.0, 4194.8, 4183.7, 4179.6, 4179.2, 4181.1, 4184.7, 4189.9, 4196.5, 4205.0, 4215.4),
    (3860.8, 3878.3, 3896.2, 3914.4, 3932.8, 3951.1, 3969.3, 3987.3, 4004.8, 4021.7, 4037.9),
    (3658.1, 3688.5, 3718.3, 3747.2, 3775.4, 3802.5, 3828.7, 3853.8, 3877.7, 3900.3, 3921.5),
    (3434.2, 3477.3, 3519.0, 3559.2, 3597.8, 3634.7, 3669.7, 3702.8, 3733.8, 3762.7, 3789.3),
    (3202.9, 3258.4, 3312.0, 3363.6, 3412.7, 3459.3, 3503.1, 3544.0, 3581.6, 3615.8, 3646.3),
    (2966.9, 3033.7, 3098.0, 3159.5, 3217.8, 3272.4, 3323.0, 3369.1, 3410.3, 3446.3, 3476.5),
])  # fmt: skip


def coolant_density(temp_c: npt.ArrayLike, glycol: npt.ArrayLike = 0.0) -> FloatArray:
    """Density [kg/m³] at a temperature [°C] of water with a mass fraction ``glycol`` [1] of ethylene glycol.

    >>> round(float(coolant_density(65.0, 0.5)), 1)
    1037.0
    """
    return _interpolated(_DENSITY, temp_c, glycol)


def coolant_specific_heat(temp_c: npt.ArrayLike, glycol: npt.ArrayLike = 0.0) -> FloatArray:
    """Specific heat [J/(kg K)] at a temperature [°C] of water with a mass fraction ``glycol`` [1].

    >>> round(float(coolant_specific_heat(20.0)))
    4184
    """
    return _interpolated(_HEAT, temp_c, glycol)


def _interpolated(nodes: FloatArray, temp_c: npt.ArrayLike, glycol: npt.ArrayLike) -> FloatArray:
    given: tuple[object, ...] = (temp_c, glycol)
    single = [x for x in given if isinstance(x, float)]
    if len(single) == len(given):  # a propagation asks for thousands of single values
        return np.asarray(_at(nodes, single[0], single[1]))
    t, x = np.broadcast_arrays(np.asarray(temp_c, dtype=np.float64), np.asarray(glycol, dtype=np.float64))
    inside = (t >= _TEMP_C[0]) & (t <= _TEMP_C[-1]) & (x >= _GLYCOL[0]) & (x <= _GLYCOL[-1])
    i = np.clip(np.searchsorted(_GLYCOL, x, side="right") - 1, 0, _GLYCOL.size - 2)
    j = np.clip(np.searchsorted(_TEMP_C, t, side="right") - 1, 0, _TEMP_C.size - 2)
    a = (x - _GLYCOL[i]) / (_GLYCOL[i + 1] - _GLYCOL[i])
    b = (t - _TEMP_C[j]) / (_TEMP_C[j + 1] - _TEMP_C[j])
    low = (1.0 - b) * nodes[i, j] + b * nodes[i, j + 1]
    high = (1.0 - b) * nodes[i + 1, j] + b * nodes[i + 1, j + 1]
    return np.asarray(np.where(inside, (1.0 - a) * low + a * high, np.nan))


def _at(nodes: FloatArray, t: float, x: float) -> float:
    """The same for one pair of numbers."""
    if not (_TEMPS[0] <= t <= _TEMPS[-1] and _SHARES[0] <= x <= _SHARES[-1]):
        return float("nan")
    i = min(bisect_right(_SHARES, x) - 1, len(_SHARES) - 2)
    j = min(bisect_right(_TEMPS, t) - 1, len(_TEMPS) - 2)
    a = (x - _SHARES[i]) / (_SHARES[i + 1] - _SHARES[i])
    b = (t - _TEMPS[j]) / (_TEMPS[j + 1] - _TEMPS[j])
    low = (1.0 - b) * nodes.item(i, j) + b * nodes.item(i, j + 1)
    high = (1.0 - b) * nodes.item(i + 1, j) + b * nodes.item(i + 1, j + 1)
    return float((1.0 - a) * low + a * high)
