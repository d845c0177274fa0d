"""Propeller at rest in the air: coefficients, figure of merit, induced velocity, standard day.

Propeller notation: n in revolutions per second, lengths by the diameter. Rotor notation (tip speed and disc area) is
taken in by :func:`from_rotor_notation` only: mixing the two is the classic error, a figure of merit from propeller
coefficients with the rotor constant 1/sqrt(2) reads 11.4 % low.

Functions take arrays and broadcast. A speed, diameter or density that is not positive gives NaN.
Source of the definitions: J. B. Brandt and M. S. Selig, AIAA 2011-1255, doi 10.2514/6.2011-1255.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.air import STANDARD_DENSITY, air_density, speed_of_sound, viscosity
from benchkit.analysis.power import shaft_power
from benchkit.analysis.uncertainty import propagate_many
from benchkit.model.results import Estimate, OperatingPoint, StaticThrust
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]


def _array(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def _positive(value: npt.ArrayLike) -> FloatArray:
    x = _array(value)
    return np.where(x > 0.0, x, np.nan)


def ct(
    thrust_n: npt.ArrayLike, speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike
) -> FloatArray:
    """Thrust coefficient [1]: ``CT = T / (rho n² D⁴)`` (1).

    >>> round(float(ct(7.84039, 6528.0, 0.254, 1.225)), 4)
    0.1299
    """
    n = _positive(speed_rpm) / 60.0
    return _array(_array(thrust_n) / (_positive(density_kgm3) * n**2 * _positive(diameter_m) ** 4))


def cq(
    torque_nm: npt.ArrayLike, speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike
) -> FloatArray:
    """Torque coefficient [1]: ``CQ = Q / (rho n² D⁵)`` (2).

    >>> round(float(cq(0.129562, 6528.0, 0.254, 1.225)), 6)
    0.008451
    """
    n = _positive(speed_rpm) / 60.0
    return _array(_array(torque_nm) / (_positive(density_kgm3) * n**2 * _positive(diameter_m) ** 5))


def cp(
    power_w: npt.ArrayLike, speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike
) -> FloatArray:
    """Power coefficient [1]: ``CP = P / (rho n³ D⁵) = 2 pi CQ`` (3).

    >>> round(float(cp(88.5698, 6528.0, 0.254, 1.225)), 4)
    0.0531
    """
    n = _positive(speed_rpm) / 60.0
    return _array(_array(power_w) / (_positive(density_kgm3) * n**3 * _positive(diameter_m) ** 5))


def figure_of_merit(ct: npt.ArrayLike, cp: npt.ArrayLike) -> FloatArray:
    """Figure of merit [1], ideal over real induced power, from propeller coefficients.

    ``FM = sqrt(2 / pi) CT^1.5 / CP`` (4); NaN for negative thrust or power that is not positive.

    >>> round(float(figure_of_merit(0.1299, 0.0531)), 6)
    0.703492
    """
    thrust = _array(ct)
    with np.errstate(invalid="ignore"):
        return _array(math.sqrt(2.0 / math.pi) * thrust**1.5 / _positive(cp))


def thrust_from_ct(
    ct: npt.ArrayLike, speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike
) -> FloatArray:
    """Thrust [N] of a coefficient: (1) turned round.

    >>> round(float(thrust_from_ct(0.1299, 6528.0, 0.254, 1.225)), 5)
    7.84039
    """
    n = _positive(speed_rpm) / 60.0
    return _array(_array(ct) * _positive(density_kgm3) * n**2 * _positive(diameter_m) ** 4)


def power_from_cp(
    cp: npt.ArrayLike, speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike
) -> FloatArray:
    """Shaft power [W] of a coefficient: (3) turned round.

    >>> round(float(power_from_cp(0.0531, 6528.0, 0.254, 1.225)), 4)
    88.5698
    """
    n = _positive(speed_rpm) / 60.0
    return _array(_array(cp) * _positive(density_kgm3) * n**3 * _positive(diameter_m) ** 5)


def from_rotor_notation(ct_rotor: npt.ArrayLike, cp_rotor: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Propeller coefficients (CT, CP) [1] of rotor coefficients [1] ``T/(rho A (w R)²)`` and ``P/(rho A (w R)³)``.

    ``CT = CT_rotor pi³/4``, ``CP = CP_rotor pi⁴/4`` (5). Source: NACA TN 2474, p. 4 (derived).

    >>> [round(float(c), 6) for c in from_rotor_notation(0.1290061, 0.04106393)]
    [1.0, 1.0]
    """
    return _array(_array(ct_rotor) * math.pi**3 / 4.0), _array(_array(cp_rotor) * math.pi**4 / 4.0)


def to_rotor_notation(ct: npt.ArrayLike, cp: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Rotor coefficients [1] of propeller coefficients [1]: (5) turned round. Source: NACA TN 2474, p. 4 (derived)."""
    return _array(_array(ct) * 4.0 / math.pi**3), _array(_array(cp) * 4.0 / math.pi**4)


def disc_area_m2(diameter_m: npt.ArrayLike) -> FloatArray:
    """Disc area [m²]."""
    return _array(math.pi / 4.0 * _positive(diameter_m) ** 2)


def disc_loading(thrust_n: npt.ArrayLike, diameter_m: npt.ArrayLike) -> FloatArray:
    """Disc loading [N/m²], thrust over disc area."""
    return _array(_array(thrust_n) / disc_area_m2(diameter_m))


def power_loading(power_w: npt.ArrayLike, diameter_m: npt.ArrayLike) -> FloatArray:
    """Power loading of the disc [W/m²], shaft power over disc area.

    >>> round(float(power_loading(88.5698, 0.254)), 1)
    1747.9
    """
    return _array(_array(power_w) / disc_area_m2(diameter_m))


def thrust_per_watt(thrust_n: npt.ArrayLike, power_w: npt.ArrayLike) -> FloatArray:
    """Thrust per power [N/W]; NaN for a power that is not positive. It falls with the root of the disc loading.

    At a figure of merit: ``T/P = FM / sqrt(T / (2 rho A))`` (13), momentum theory.

    >>> round(float(thrust_per_watt(7.84039, 88.5698)), 6)
    0.088522
    """
    return _array(_array(thrust_n) / _positive(power_w))


def induced_velocity(thrust_n: npt.ArrayLike, diameter_m: npt.ArrayLike, density_kgm3: npt.ArrayLike) -> FloatArray:
    """Ideal induced velocity at the disc at rest [m/s]: ``v_i = sqrt(T / (2 rho A))`` (6); NaN for negative thrust.

    >>> round(float(induced_velocity(7.84039, 0.254, 1.225)), 5)
    7.94707
    """
    with np.errstate(invalid="ignore"):
        return _array(np.sqrt(disc_loading(thrust_n, diameter_m) / (2.0 * _positive(density_kgm3))))


def tip_mach(speed_rpm: npt.ArrayLike, diameter_m: npt.ArrayLike, speed_of_sound_mps: npt.ArrayLike) -> FloatArray:
    """Mach number of the blade tip at rest [1]: ``pi n D / a`` (7).

    >>> round(float(tip_mach(6528.0, 0.254, 340.294)), 6)
    0.255128
    """
    n = _positive(speed_rpm) / 60.0
    return _array(math.pi * n * _positive(diameter_m) / _positive(speed_of_sound_mps))


def reynolds_75(
    speed_rpm: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    chord75_m: npt.ArrayLike,
    density_kgm3: npt.ArrayLike,
    viscosity_pas: npt.ArrayLike,
) -> FloatArray:
    """Reynolds number of the blade section at 75 % radius, at rest [1]: ``rho (0.75 pi n D) c / mu`` (8).

    >>> round(float(reynolds_75(6528.0, 0.254, 0.197 * 0.127, 1.225, 1.7894e-5)))
    111525
    """
    n = _positive(speed_rpm) / 60.0
    section_speed = 0.75 * math.pi * n * _positive(diameter_m)
    return _array(_positive(density_kgm3) * section_speed * _positive(chord75_m) / _positive(viscosity_pas))


def momentum_bound_efficiency(ct: npt.ArrayLike, advance_ratio: npt.ArrayLike) -> FloatArray:
    """Highest efficiency that momentum theory allows in flight [1]: ``2 / (1 + sqrt(1 + 8 CT / (pi J²)))`` (9).

    ``advance_ratio`` J = V / (n D). NaN for J not positive or negative thrust.

    >>> round(float(momentum_bound_efficiency(0.1, 0.5)), 4)
    0.8262
    """
    thrust = _array(ct)
    thrust = np.where(thrust >= 0.0, thrust, np.nan)
    return _array(2.0 / (1.0 + np.sqrt(1.0 + 8.0 * thrust / (math.pi * _positive(advance_ratio) ** 2))))


@dataclass(frozen=True, slots=True, eq=False)
class StandardDay:
    """A static point brought to standard density; ``speed_ratio`` is standard over measured speed."""

    thrust_n: FloatArray
    power_w: FloatArray
    speed_ratio: FloatArray


def standard_day_same_speed(
    thrust_n: npt.ArrayLike,
    power_w: npt.ArrayLike,
    density_kgm3: npt.ArrayLike,
    standard_kgm3: float = STANDARD_DENSITY,
) -> StandardDay:
    """Thrust [N] and shaft power [W] in standard air at the same speed, CT and CP unchanged; density in [kg/m³].

    ``T_0 = T rho_0/rho``, ``P_0 = P rho_0/rho`` (10). Reynolds and Mach number are taken as unchanged.

    >>> day = standard_day_same_speed(7.500, 85.00, 1.13478)
    >>> round(float(day.thrust_n), 4), round(float(day.power_w), 3)
    (8.0963, 91.758)
    """
    ratio = standard_kgm3 / _positive(density_kgm3)
    thrust, power, ones = np.broadcast_arrays(
        _array(thrust_n) * ratio, _array(power_w) * ratio, np.ones(np.shape(ratio))
    )
    return StandardDay(thrust, power, ones)


def standard_day_same_power(
    thrust_n: npt.ArrayLike,
    power_w: npt.ArrayLike,
    density_kgm3: npt.ArrayLike,
    standard_kgm3: float = STANDARD_DENSITY,
) -> StandardDay:
    """Thrust [N] and ratio of speeds [1] in standard air with the same shaft power [W]; density in [kg/m³].

    CT and CP are taken as unchanged.

    ``n_0/n = (rho/rho_0)^(1/3)``, ``T_0 = T (rho_0/rho)^(1/3)`` (11).

    >>> day = standard_day_same_power(7.500, 85.00, 1.13478)
    >>> round(float(day.thrust_n), 4), round(float(day.speed_ratio), 5)
    (7.6937, 0.97482)
    """
    root = np.cbrt(standard_kgm3 / _positive(density_kgm3))
    thrust, power, speed = np.broadcast_arrays(_array(thrust_n) * root, _array(power_w), 1.0 / root)
    return StandardDay(thrust, power, speed)


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Static coefficients with uncertainty, all from the same measured inputs."""

    ct: Estimate
    cq: Estimate
    cp: Estimate
    figure_of_merit: Estimate


def coefficient_formulas(
    thrust_n: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    speed_rpm: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    density_kgm3: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """CT, CQ, CP, figure of merit [1] of thrust [N], torque [N·m], speed [rpm], diameter [m], density [kg/m³].

    Equations (1) to (4) together, on numbers or on arrays of one shape.
    """
    thrust_coefficient = ct(thrust_n, speed_rpm, diameter_m, density_kgm3)
    torque_coefficient = cq(torque_nm, speed_rpm, diameter_m, density_kgm3)
    power_coefficient = _array(2.0 * math.pi * torque_coefficient)
    merit = figure_of_merit(thrust_coefficient, power_coefficient)
    return thrust_coefficient, torque_coefficient, power_coefficient, merit


def coefficients(
    thrust: Estimate, torque: Estimate, speed: Estimate, diameter: Estimate, density: Estimate
) -> Coefficients:
    """CT, CQ, CP and figure of merit [1] with their uncertainties.

    Inputs [N], [N·m], [rpm], [m], [kg/m³], independent of each other. What they share is kept: in the figure of merit
    speed, diameter and density come in through CT and CP and partly cancel. In relative terms (derived from 1-4):

    ``u(CT)² = u(T)² + u(rho)² + (2 u(n))² + (4 u(D))²``, ``u(CP)² = u(Q)² + u(rho)² + (2 u(n))² + (5 u(D))²``,
    ``u(FM)² = (1.5 u(T))² + u(Q)² + (0.5 u(rho))² + u(D)² + u(n)²`` (12).
    """
    result = propagate_many(
        lambda *x: [float(y) for y in coefficient_formulas(*x)],
        [thrust, torque, speed, diameter, density],
        names=["thrust", "torque", "speed", "diameter", "air density"],
    )
    return Coefficients(*result.estimates)


# ------------------------------------------------------------------------------------- from operating points
UNKNOWN_HUMIDITY = Estimate(0.5, 1.0 / math.sqrt(12.0), "1")
"""Relative humidity that nobody measured: anything from 0 to 1, equally likely (GUM 4.3.7)."""
_LEAST_THRUST = 5.0
"""Thrust below so many standard uncertainties is no thrust: a motor without propeller gives no coefficients."""


def diameter_of(stand: Stand) -> Estimate:
    """Diameter of the propeller [m] from its nameplate; NaN without a propeller."""
    propeller = stand.propeller
    if propeller is None:
        return Estimate(math.nan, math.nan, "m")
    return Estimate(propeller.diameter_m, propeller.u_diameter_m, "m")


def static_thrust(stand: Stand, point: OperatingPoint) -> StaticThrust | None:
    """Static coefficients of one operating point; None where the stand or the point gives no static thrust.

    Needed: a propeller, channels of speed, torque, thrust, air temperature and pressure; speed, torque and thrust
    positive and the thrust more than five standard uncertainties. Without a humidity channel the humidity is taken as
    anything between 0 and 1 (:data:`UNKNOWN_HUMIDITY`), which the budget shows.
    """

    def mean(role: Role) -> Estimate | None:
        name = stand.roles.get(role)
        found = point.means.get(name) if name is not None else None
        return found if found is not None and found.is_measured else None

    speed, torque, thrust = mean(Role.SPEED), mean(Role.TORQUE), mean(Role.THRUST)
    temp, pressure = mean(Role.AIR_TEMP), mean(Role.AIR_PRESSURE)
    propeller = stand.propeller
    if propeller is None or speed is None or torque is None or thrust is None or temp is None or pressure is None:
        return None
    if speed.value <= 0.0 or torque.value <= 0.0 or not thrust.value > _LEAST_THRUST * thrust.u:
        return None
    humidity = mean(Role.AIR_HUMIDITY) or UNKNOWN_HUMIDITY
    density = air_density(temp, pressure, humidity)
    found = coefficients(thrust, torque, speed, diameter_of(stand), density)
    power = float(shaft_power(speed.value, torque.value))
    D, n, rho = propeller.diameter_m, speed.value, density.value
    return StaticThrust(
        point=point,
        speed_rpm=speed,
        thrust_n=thrust,
        torque_nm=torque,
        density_kgm3=density,
        ct=found.ct,
        cq=found.cq,
        cp=found.cp,
        figure_of_merit=found.figure_of_merit,
        tip_mach=float(tip_mach(n, D, speed_of_sound(temp.value, pressure.value, humidity.value))),
        reynolds_75=float(reynolds_75(n, D, propeller.chord75_m, rho, viscosity(temp.value))),
        induced_velocity_mps=float(induced_velocity(thrust.value, D, rho)),
        thrust_per_watt=float(thrust_per_watt(thrust.value, power)),
        disc_loading_nm2=float(disc_loading(thrust.value, D)),
        power_loading_wm2=float(power_loading(power, D)),
    )
