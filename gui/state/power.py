"""The power path: DC link, inverter, motor, shaft, propeller, with losses and efficiencies.

Uncertainties are the calibration part only (type B, from the accuracy of the channels, taken as independent),
propagated by :func:`benchkit.analysis.uncertainty.propagate`. Neighbouring nodes share no channel, so a loss or an
efficiency follows from the two powers alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.analysis.air import air_density
from benchkit.analysis.propeller import induced_velocity
from benchkit.analysis.uncertainty import propagate
from benchkit.model.results import Estimate
from benchkit.model.stand import Role, Stand

RAD_S_PER_RPM = 2.0 * math.pi / 60.0
_BLANK = Estimate(math.nan, math.nan, "")


@dataclass(frozen=True, slots=True)
class Node:
    """A place on the path where power passes: name and power, in W."""

    name: str
    power_w: Estimate


@dataclass(frozen=True, slots=True)
class Stage:
    """What lies between two nodes. ``loss_w`` is power in less power out; motoring is positive.

    ``efficiency`` is NaN while the stand regenerates, and where one side is not measured.
    """

    name: str
    loss_name: str
    loss_w: Estimate
    efficiency: Estimate


@dataclass(frozen=True, slots=True)
class PowerPath:
    """Nodes and the stages between them: one stage fewer than nodes."""

    nodes: tuple[Node, ...]
    stages: tuple[Stage, ...]
    drive: Estimate
    """Efficiency from DC link to shaft."""

    @property
    def is_regenerating(self) -> bool:
        """True where power flows from the shaft to the DC link."""
        return self.nodes[0].power_w.value < 0.0

    @property
    def greatest_w(self) -> float:
        """The greatest measured power on the path, 0 when nothing is measured."""
        known = [abs(n.power_w.value) for n in self.nodes if n.power_w.is_measured]
        return max(known, default=0.0)


def power_path(stand: Stand, means: Mapping[str, float]) -> PowerPath:
    """Powers of this moment from the means of the channels (by channel name, bench units).

    The last node is the power of an ideal actuator disc of the propeller's size that gives the same thrust at rest,
    so the last efficiency is the figure of merit. It is not given while the shaft is not driving.
    """
    known = {role: _estimate(stand, role, means) for role in stand.roles}

    def of(role: Role) -> Estimate:
        return known.get(role, _BLANK)

    dc = propagate(lambda u, i: u * i, [of(Role.DC_VOLTAGE), of(Role.DC_CURRENT)], unit="W")
    shaft = propagate(lambda m, n: m * n * RAD_S_PER_RPM, [of(Role.TORQUE), of(Role.SPEED)], unit="W")
    nodes, stages = [Node("DC link", dc)], []
    if Role.AC_POWER in stand.roles:
        ac = of(Role.AC_POWER)
        nodes += [Node("motor terminals", ac), Node("shaft", shaft)]
        stages += [_stage("inverter", "heat", dc, ac), _stage("motor", "heat", ac, shaft)]
    else:
        nodes.append(Node("shaft", shaft))
        stages.append(_stage("inverter and motor", "heat", dc, shaft))
    if stand.propeller is not None and Role.THRUST in stand.roles:
        density = air_density(of(Role.AIR_TEMP), of(Role.AIR_PRESSURE), of(Role.AIR_HUMIDITY))
        diameter = Estimate(stand.propeller.diameter_m, stand.propeller.u_diameter_m, "m")
        ideal = _BLANK
        if shaft.value > 0.0:
            ideal = propagate(
                lambda t, d, rho: t * float(induced_velocity(t, d, rho)),
                [of(Role.THRUST), diameter, density],
                unit="W",
            )
        nodes.append(Node("ideal thrust power", ideal))
        stages.append(_stage("propeller", "wake, drag", shaft, ideal))
    return PowerPath(tuple(nodes), tuple(stages), _efficiency(dc, shaft))


def _estimate(stand: Stand, role: Role, means: Mapping[str, float]) -> Estimate:
    channel = stand.channels[stand.roles[role]]
    value = means.get(channel.name, math.nan)
    return Estimate(value, channel.calibration.accuracy.standard_uncertainty(value), channel.unit)


def _stage(name: str, loss_name: str, power_in: Estimate, power_out: Estimate) -> Stage:
    loss = propagate(lambda a, b: a - b, [power_in, power_out], unit="W")
    return Stage(name, loss_name, loss, _efficiency(power_in, power_out))


def _efficiency(power_in: Estimate, power_out: Estimate) -> Estimate:
    motors = power_in.value > 0.0 and power_out.value > 0.0
    return propagate(lambda a, b: b / a, [power_in, power_out]) if motors else _BLANK
