"""Air: density of moist air, the standard atmosphere, viscosity, speed of sound.

All functions take arrays and broadcast; a scalar comes back as a 0-d array or float. Where a state is impossible
the answer is NaN. Where a state is possible but outside the range for which a formula was agreed, it is computed,
and :func:`in_range` says no.

Sources: CIPM-2007 for moist air, ICAO Doc 7488/3 for the standard atmosphere; in full at each function. Speed of sound:
ideal gas mixture (derived).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.uncertainty import propagate
from benchkit.model.results import Estimate

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

ZERO_CELSIUS_K = 273.15
STANDARD_DENSITY = 1.225
"""kg/m³ at sea level, ICAO standard atmosphere (Doc 7488/3)."""
U_FORMULA = 22e-6
"""Relative standard uncertainty of the density formula itself (Picard et al. 2008, section 4)."""

_R = 8.314472  # J/(mol K), CODATA 2006 as the formula was agreed with
_R_DRY = 287.05287  # J/(kg K), ICAO Doc 7488/3
_KAPPA = 1.4
_EARTH_RADIUS_M = 6356766.0
_M_VAPOUR = 18.01528e-3  # kg/mol
_M_DRY = 28.96546e-3  # kg/mol at 400 ppm CO2


def moist_air_density(
    temp_c: npt.ArrayLike,
    pressure_pa: npt.ArrayLike,
    relative_humidity: npt.ArrayLike = 0.0,
    co2: npt.ArrayLike = 400e-6,
) -> FloatArray:
    """Density of moist air [kg/m³] after CIPM-2007.

    ``rho = p M_a / (Z R T) [1 - x_v (1 - M_v / M_a)]`` (1), ``x_v = h f p_sv / p`` (2).

    Args:
        temp_c: air temperature [°C].
        pressure_pa: absolute pressure [Pa].
        relative_humidity: [1], 0 dry, 1 saturated. A sensor at an end of its range may read a little beyond it, so
            -0.1 to 1.1 is computed (and is not in range); NaN beyond.
        co2: mole fraction of carbon dioxide [1].

    Validity: 15-27 °C, 600-1100 hPa (:func:`in_range`); outside it is computed all the same, and the uncertainty
    ``U_FORMULA`` is no longer warranted. NaN for impossible states.

    Source: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist air (CIPM-2007)",
    Metrologia 45 (2008) 149, doi 10.1088/0026-1394/45/2/004 (constants at second hand).

    >>> round(float(moist_air_density(20.0, 101325.0, 0.5)), 5)
    1.19931
    """
    t, p, h, x = _broadcast(temp_c, pressure_pa, relative_humidity, co2)
    T = t + ZERO_CELSIUS_K
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        xv = _vapour_fraction(t, p, h)
        Z = (
            1.0
            - p / T
            * (
                1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
                + (5.707e-6 - 2.051e-8 * t) * xv
                + (1.9898e-4 - 2.376e-6 * t) * xv**2
            )
            + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * xv**2)
        )  # fmt: skip
        Ma = _molar_mass_dry(x)
        density = p * Ma / (Z * _R * T) * (1.0 - xv * (1.0 - _M_VAPOUR / Ma))
    return np.where(_is_possible(T, p, h, xv), density, np.nan)


def in_range(temp_c: npt.ArrayLike, pressure_pa: npt.ArrayLike, relative_humidity: npt.ArrayLike = 0.0) -> BoolArray:
    """True where CIPM-2007 was agreed for: 15-27 °C, 600-1100 hPa, relative humidity 0-1 [1]. NaN is not in range.

    Takes [°C], [Pa] and relative humidity [1]; broadcasts.

    >>> bool(in_range(20.0, 101325.0, 0.5)), bool(in_range(30.0, 100000.0, 0.8))
    (True, False)
    """
    t, p, h = _broadcast(temp_c, pressure_pa, relative_humidity)
    inside = (t >= 15.0) & (t <= 27.0) & (p >= 60e3) & (p <= 110e3) & (h >= 0.0) & (h <= 1.0)
    return np.asarray(inside, dtype=np.bool_)


def air_density(temp: Estimate, pressure: Estimate, humidity: Estimate) -> Estimate:
    """Density of moist air [kg/m³] with its uncertainty: temperature [°C], pressure [Pa], relative humidity [1].

    Inputs are independent. The uncertainty of the formula (:data:`U_FORMULA`) is a line of the budget; that of the
    CO2 content is not (50 ppm make 2e-5 relative).

    >>> from benchkit.model.results import Estimate
    >>> rho = air_density(Estimate(20.0, 0.2, "°C"), Estimate(101325.0, 30.0, "Pa"), Estimate(0.5, 0.02, "1"))
    >>> round(rho.value, 5), round(rho.u, 5), rho.budget[0].name
    (1.19931, 0.00098, 'air temperature')
    """
    return propagate(
        lambda t, p, h, formula: formula * float(moist_air_density(t, p, h)),
        [temp, pressure, humidity, Estimate(1.0, U_FORMULA, "1")],
        names=["air temperature", "air pressure", "relative humidity", "CIPM-2007 formula"],
        unit="kg/m³",
    )


@dataclass(frozen=True, slots=True, eq=False)
class StandardAir:
    """State of the ICAO standard atmosphere; all arrays of one shape."""

    temp_c: FloatArray
    pressure_pa: FloatArray
    density_kgm3: FloatArray
    speed_of_sound_mps: FloatArray
    viscosity_pas: FloatArray


def geopotential_m(altitude_m: npt.ArrayLike) -> FloatArray:
    """Geopotential height [m] of a geometric altitude [m]: ``H = r h / (r + h)`` (3), r = 6 356 766 m.

    >>> round(float(geopotential_m(2000.0)), 1)
    1999.4
    """
    h = np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(_EARTH_RADIUS_M * h / (_EARTH_RADIUS_M + h))


def isa(altitude_m: npt.ArrayLike) -> StandardAir:
    """ICAO standard atmosphere at a geometric altitude [m].

    ``T = 288.15 - 0.0065 H``, ``p = 101325 (T / 288.15)^5.25588`` (4) up to H = 11 km, isothermal at 216.65 K above,
    H from :func:`geopotential_m`.

    Validity: H from -5 to 20 km; NaN outside. Source: ICAO Doc 7488/3 (1993).

    >>> air = isa(1000.0)
    >>> round(float(air.pressure_pa), 1), round(float(air.density_kgm3), 5)
    (89876.3, 1.11166)
    """
    H = geopotential_m(altitude_m)
    H = np.where((H >= -5000.0) & (H <= 20000.0), H, np.nan)
    T = np.where(H <= 11000.0, 288.15 - 0.0065 * H, 216.65)
    T = np.where(np.isnan(H), np.nan, T)
    exponent = 9.80665 / (_R_DRY * 0.0065)
    p_below = 101325.0 * (T / 288.15) ** exponent
    # the tables start the upper layer from the rounded 22632.0 Pa (exact: 22632.06): a step of 3e-6 at 11 km
    p_11 = 22632.0
    p_above = p_11 * np.exp(-9.80665 * (H - 11000.0) / (_R_DRY * 216.65))
    p = np.where(H <= 11000.0, p_below, p_above)
    t = T - ZERO_CELSIUS_K
    return StandardAir(
        temp_c=t,
        pressure_pa=p,
        density_kgm3=p / (_R_DRY * T),
        speed_of_sound_mps=np.sqrt(_KAPPA * _R_DRY * T),
        viscosity_pas=viscosity(t),
    )


def viscosity(temp_c: npt.ArrayLike) -> FloatArray:
    """Dynamic viscosity of air [Pa·s], Sutherland: ``mu = 1.458e-6 T^1.5 / (T + 110.4)`` (5), T in kelvin.

    Validity: about 100-1800 K (from memory); NaN outside. Humidity is left out: below 1 % at room temperature.
    Source: ICAO Doc 7488/3; U.S. Standard Atmosphere 1976.

    >>> f"{float(viscosity(15.0)):.5e}"
    '1.78938e-05'
    """
    T = np.asarray(temp_c, dtype=np.float64) + ZERO_CELSIUS_K
    T = np.where((T >= 100.0) & (T <= 1800.0), T, np.nan)
    return np.asarray(1.458e-6 * T**1.5 / (T + 110.4))


def speed_of_sound(
    temp_c: npt.ArrayLike, pressure_pa: npt.ArrayLike = 101325.0, relative_humidity: npt.ArrayLike = 0.0
) -> FloatArray:
    """Speed of sound in moist air [m/s]: ``a = sqrt(kappa R T / M)`` (6), an ideal mixture of dry air and vapour.

    Molar heat capacities 7/2 R and 4 R of the two; M from the vapour fraction of (2). Dry air gives the ICAO value.
    Against measured speed of sound in real air the ideal gas is about 0.1 % off (from memory): enough for a tip Mach
    number, not for acoustics. NaN for impossible states.

    >>> round(float(speed_of_sound(15.0)), 3)
    340.294
    """
    t, p, h = _broadcast(temp_c, pressure_pa, relative_humidity)
    T = t + ZERO_CELSIUS_K
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        xv = _vapour_fraction(t, p, h)
        cp = 3.5 * (1.0 - xv) + 4.0 * xv
        kappa = cp / (cp - 1.0)
        gas_constant = _R_DRY / (1.0 - xv * (1.0 - _M_VAPOUR / _M_DRY))
        speed = np.sqrt(kappa * gas_constant * T)
    return np.where(_is_possible(T, p, h, xv), speed, np.nan)


def _broadcast(*values: npt.ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in values)))


def _molar_mass_dry(co2: FloatArray) -> FloatArray:
    return _M_DRY + 12.011e-3 * (co2 - 400e-6)


def _vapour_fraction(t: FloatArray, p: FloatArray, h: FloatArray) -> FloatArray:
    """Mole fraction of water vapour: enhancement factor times saturation pressure over pressure."""
    T = t + ZERO_CELSIUS_K
    saturation = np.exp(1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    return np.asarray(h * enhancement * saturation / p)


def _is_possible(T: FloatArray, p: FloatArray, h: FloatArray, xv: FloatArray) -> BoolArray:
    return np.asarray((T > 0.0) & (p > 0.0) & (h >= -0.1) & (h <= 1.1) & (xv < 1.0), dtype=np.bool_)
