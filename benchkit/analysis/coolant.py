"""Density and specific heat of the coolant: water, or water with ethylene glycol.

Source: nodes computed with the library CoolProp (water: IAPWS-95; mixtures: its incompressible fluid MEG by mass, after
Å. Melinder, *Properties of Secondary Working Fluids for Indirect Systems*, IIR 2010) at 101 325 Pa, water at 100 °C as
saturated liquid. Between them polynomials through the nearest eight temperatures and four mixtures: within 0.001 % of
the library at a mixture of the table, within 0.01 % (density) and 0.1 % (specific heat) between. A loop at 2 bar has
0.005 % more density. Outside 0 … 100 °C and 0 … 60 % NaN.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

U_PROPERTIES = 0.005
"""Relative standard uncertainty of density times specific heat beyond that of the mixture (from memory: correlations
of glycol mixtures agree within about 1 %)."""
_GLYCOL = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
_TEMP_C = np.arange(0.0, 101.0, 10.0)
_SHARES, _TEMPS = _GLYCOL.tolist(), _TEMP_C.tolist()
# rows: temperature as in _TEMP_C; columns: glycol by mass
_DENSITY = np.array([
    (999.8438, 1013.6178, 1029.0646, 1044.9718, 1060.3864, 1074.6236, 1087.8543),
    (999.7025, 1012.5173, 1026.9422, 1041.8127, 1056.3875, 1070.0209, 1082.7493),
    (998.2072, 1010.5789, 1024.1038, 1038.0455, 1051.8607, 1064.9287, 1077.1378),
    (995.6495, 1007.8420, 1020.5803, 1033.6986, 1046.8378, 1059.3882, 1071.0765),
    (992.2164, 1004.3457, 1016.4024, 1028.8002, 1041.3504, 1053.4408, 1064.6221),
    (988.0350, 1000.1293, 1011.6008, 1023.3786, 1035.4304, 1047.1276, 1057.8313),
    (983.1958, 995.2320, 1006.2064, 1017.4621, 1029.1096, 1040.4900, 1050.7609),
    (977.7646, 989.6930, 1000.2499, 1011.0789, 1022.4198, 1033.5692, 1043.4676),
    (971.7904, 983.5517, 993.7620, 1004.2575, 1015.3927, 1026.4064, 1036.0080),
    (965.3096, 976.8471, 986.7735, 997.0260, 1008.0602, 1019.0430, 1028.4389),
    (958.3491, 969.6185, 979.3153, 989.4127, 1000.4539, 1011.5201, 1020.8169),
])  # fmt: skip
_HEAT = np.array([
    (4219.4102, 4037.3635, 3860.8368, 3658.0889, 3434.2103, 3202.8765, 2966.9317),
    (4195.1589, 4040.5254, 3878.2960, 3688.5101, 3477.3133, 3258.4108, 3033.6514),
    (4184.0509, 4045.8587, 3896.1986, 3718.2510, 3519.0195, 3312.0419, 3097.9742),
    (4179.8197, 4053.0709, 3914.3988, 3747.2271, 3559.2199, 3363.5504, 3159.4849),
    (4179.4148, 4061.8693, 3932.7510, 3775.3537, 3597.8053, 3412.7172, 3217.7686),
    (4181.3423, 4071.9614, 3951.1093, 3802.5463, 3634.6667, 3459.3230, 3272.4101),
    (4184.9533, 4083.0546, 3969.3280, 3828.7203, 3669.6949, 3503.1485, 3322.9945),
    (4190.0671, 4094.8564, 3987.2614, 3853.7910, 3702.7810, 3543.9745, 3369.1067),
    (4196.7533, 4107.0743, 4004.7637, 3877.6740, 3733.8158, 3581.5818, 3410.3317),
    (4205.2056, 4119.4156, 4021.6892, 3900.2846, 3762.6902, 3615.7512, 3446.2543),
    (4215.6736, 4131.5878, 4037.8921, 3921.5383, 3789.2951, 3646.2634, 3476.4597),
])  # fmt: skip


def coolant_density(temp_c: npt.ArrayLike, glycol: npt.ArrayLike = 0.0) -> FloatArray:
    """Density [kg/m³] at a temperature [°C] of water with a mass fraction ``glycol`` [1] of ethylene glycol.

    >>> round(float(coolant_density(65.0, 0.5)), 2)
    1037.06
    """
    return _interpolated(_DENSITY, temp_c, glycol)


def coolant_specific_heat(temp_c: npt.ArrayLike, glycol: npt.ArrayLike = 0.0) -> FloatArray:
    """Specific heat [J/(kg K)] at a temperature [°C] of water with a mass fraction ``glycol`` [1].

    >>> round(float(coolant_specific_heat(65.0, 0.5)), 1)
    3524.0
    """
    return _interpolated(_HEAT, temp_c, glycol)


def _interpolated(nodes: FloatArray, temp_c: npt.ArrayLike, glycol: npt.ArrayLike) -> FloatArray:
    t, x = np.asarray(temp_c, dtype=np.float64), np.asarray(glycol, dtype=np.float64)
    if t.ndim == 0 == x.ndim:  # a propagation asks for thousands of single values
        return np.asarray(_at(nodes, t.item(), x.item()))
    t, x = np.broadcast_arrays(t, x)
    inside = (t >= _TEMP_C[0]) & (t <= _TEMP_C[-1]) & (x >= _GLYCOL[0]) & (x <= _GLYCOL[-1])
    column, across = _lagrange(_GLYCOL, x, 4)
    row, along = _lagrange(_TEMP_C, t, 8)
    value = np.zeros(t.shape)
    for i, share in enumerate(across):
        for j, part in enumerate(along):
            value += share * part * nodes[row + j, column + i]
    return np.asarray(np.where(inside, value, np.nan))


def _lagrange(nodes: FloatArray, z: FloatArray, count: int) -> tuple[npt.NDArray[np.intp], list[FloatArray]]:
    """First of the ``count`` evenly spaced nodes round each value, and their weights."""
    first = np.clip(np.searchsorted(nodes, z, side="right") - count // 2, 0, nodes.size - count)
    s = (z - nodes[first]) / (nodes[1] - nodes[0])
    weights = []
    for i in range(count):
        weight = np.ones(s.shape)
        for j in range(count):
            if j != i:
                weight = weight * (s - j) / (i - j)
        weights.append(weight)
    return first, weights


def _at(nodes: FloatArray, t: float, x: float) -> float:
    """The same for one pair of numbers, in plain numbers: quicker by far."""
    if not (_TEMPS[0] <= t <= _TEMPS[-1] and _SHARES[0] <= x <= _SHARES[-1]):
        return float("nan")
    column, across = _weights(_SHARES, x, 4)
    row, along = _weights(_TEMPS, t, 8)
    value = 0.0
    for i, share in enumerate(across):  # in the order of the arrays, to the last bit
        for j, part in enumerate(along):
            value += share * part * nodes.item(row + j, column + i)
    return value


def _weights(nodes: list[float], z: float, count: int) -> tuple[int, list[float]]:
    """:func:`_lagrange` for one number."""
    first = min(max(bisect_right(nodes, z) - count // 2, 0), len(nodes) - count)
    s = (z - nodes[first]) / (nodes[1] - nodes[0])
    weights = []
    for i in range(count):
        weight = 1.0
        for j in range(count):
            if j != i:
                weight = weight * (s - j) / (i - j)
        weights.append(weight)
    return first, weights
