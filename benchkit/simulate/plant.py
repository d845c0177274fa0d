"""The stand in motion: drive, load and cooling, stepped with plain scalars.

Quasi-static electricity (RMS and dq averages, no switching ripple), one rigid shaft, the thermal network. The speed
control is described by what it achieves: the shaft follows the ramped set-point with a short lag as long as voltage
and current allow the torque for it; beyond that the torque is what they allow and the speed follows from it.

Energy is conserved in every step to rounding: all powers of a step use the mean of the speeds before and after it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import exp, hypot, pi, sqrt

from benchkit.simulate import inverter as inv
from benchkit.simulate import pmsm, thermal
from benchkit.simulate import propeller as prop
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Drive, Load, PropellerParameters
from benchkit.simulate.thermal import Heat, Temperatures

RPM = 2.0 * pi / 60.0
SPEED_LAG_S = 0.05
"""Lag of the speed control behind its ramp."""
FLOW_LAG_S = 1.5
"""How fast the coolant stops when the pump does."""
RUNAWAY_SHARE = 1.3
"""A drive that runs away would reach this share of the motor's nameplate speed."""
RUNAWAY_SLEW = 4.0
"""It climbs so many times as fast as the set-point may."""
SQRT2 = sqrt(2.0)
SQRT3 = sqrt(3.0)


class Mode(StrEnum):
    """What the drive control does."""

    SPEED = "speed"
    STOP_RAMP = "stop_ramp"
    ZERO_TORQUE = "zero_torque"
    GATES_OFF = "gates_off"


@dataclass(slots=True)
class Demand:
    """Set-points and disturbances, as commanded. Speeds are never negative: the propeller has one direction."""

    mode: Mode = Mode.SPEED
    speed_rpm: float = 0.0
    torque_nm: float = 0.0
    inlet_c: float = 40.0
    coolant_lost: bool = False
    recirculation: bool = False
    runaway: bool = False
    contactor_open: bool = False
    """The DC link is cut off from its supply; the gates are off then, whatever ``mode`` says."""


@dataclass(slots=True)
class State:
    """Everything that the sensors can see, means over the last step. Motoring positive."""

    time_s: float = 0.0
    speed_rpm: float = 0.0
    torque_nm: float = 0.0
    """At the flange between motor and load."""
    thrust_n: float = 0.0
    dc_voltage_v: float = 0.0
    dc_current_a: float = 0.0
    dc_power_w: float = 0.0
    ac_power_w: float = 0.0
    shaft_power_w: float = 0.0
    load_power_w: float = 0.0
    """What load machine or air takes; differs from the shaft power while the load speeds up."""
    inverter_loss_w: float = 0.0
    copper_loss_w: float = 0.0
    iron_loss_w: float = 0.0
    friction_loss_w: float = 0.0
    phase_current_a: float = 0.0
    i_d_a: float = 0.0
    i_q_a: float = 0.0
    phase_voltage_v: float = 0.0
    coolant_heat_w: float = 0.0
    air_heat_w: float = 0.0
    flow_lpm: float = 0.0
    inlet_c: float = 0.0
    vibration_mm_s: float = 0.0


class Plant:
    """Drive with one load. ``demand`` is written by the caller, ``state`` and ``temps`` are read."""

    def __init__(
        self,
        drive: Drive,
        load: Load,
        propeller: PropellerParameters | None,
        conditions: Conditions | None = None,
    ) -> None:
        self.drive = drive
        self.conditions = conditions or Conditions()
        self.propeller = propeller if load is Load.PROPELLER else None
        self.density_kgm3 = self.conditions.density_kgm3
        inlet = self.conditions.inlet_c
        self.demand = Demand(inlet_c=inlet)
        self.state = State(flow_lpm=self.conditions.flow_lpm, inlet_c=inlet, dc_voltage_v=drive.supply.open_circuit_v)
        # The cooling loop has run before: everything is soaked at the inlet temperature.
        self.temps = Temperatures(inlet, inlet, inlet, inlet, inlet, inlet, inlet)
        load_inertia = self.propeller.inertia_kgm2 if self.propeller else drive.load_machine.inertia_kgm2
        self._load_inertia = load_inertia
        self._inertia = drive.motor.inertia_kgm2 + load_inertia
        self._omega = 0.0
        self._omega_ref = 0.0
        self._load_nm = 0.0
        self._drag_iron_nm = 0.0
        self._recirculated_s = 0.0

    @property
    def kinetic_j(self) -> float:
        """Kinetic energy of the shaft line, J."""
        return 0.5 * self._inertia * self._omega * self._omega

    @property
    def gates_are_off(self) -> bool:
        """No transistor switches: only the diodes of the inverter conduct."""
        return self.demand.mode is Mode.GATES_OFF or self.demand.contactor_open

    def step(self, dt_s: float) -> None:
        """Move on by ``dt_s`` (> 0), in parts where it is longer than the network allows."""
        parts = int(dt_s / thermal.MAX_STEP_S * (1.0 - 1e-12)) + 1
        part = dt_s / parts
        for _ in range(parts):
            self._step(part)

    def _step(self, dt: float) -> None:
        s, t, drive = self.state, self.temps, self.drive
        motor = drive.motor
        self._ramp(dt)
        omega = self._omega
        flux = pmsm.magnet_flux(motor, t.magnet_c)
        resistance = pmsm.copper_resistance(motor.resistance_20_ohm, t.winding_c)
        friction = pmsm.friction_torque(motor, omega)
        iron = self._drag_iron_nm
        load, thrust = self._load_torque(omega, dt)

        if self.gates_are_off:
            torque, i_d, i_q = self._freewheel(omega, flux)
        else:
            # What the control asks for, then what voltage and current allow.
            limit_v = drive.inverter.modulation * s.dc_voltage_v / SQRT3
            wanted = 0.0
            if self.demand.mode is not Mode.ZERO_TORQUE:
                rise = (self._omega_ref - omega) * (1.0 - exp(-dt / SPEED_LAG_S))
                wanted = load + friction + iron + self._inertia * rise / dt
            torque, i_d, i_q = self._deliver(wanted, omega, resistance=resistance, flux=flux, limit_v=limit_v)

        change = dt * (torque - load - friction - iron) / self._inertia
        if omega + change < 0.0:
            # The brake holds at standstill: what is left of the load goes into it.
            share = (omega / dt * self._inertia + torque) / (load + friction + iron)
            load, friction, iron, change = load * share, friction * share, iron * share, -omega
        middle = omega + 0.5 * change
        self._omega = omega + change
        self._drag_iron_nm = pmsm.iron_torque(motor, i_d, i_q, self._omega, flux)

        copper = pmsm.copper_loss(i_d, i_q, resistance)
        ac = copper + torque * middle
        current = hypot(i_d, i_q) / SQRT2
        voltage, loss, standing = self._link(ac, current, dt, SQRT3 * omega * motor.pole_pairs * flux)
        heat = Heat(copper, iron * middle, friction * middle, loss, standing)
        s.coolant_heat_w, s.air_heat_w = thermal.step(
            drive.thermal, t, heat, dt, inlet_c=s.inlet_c, flow_lpm=s.flow_lpm, air_c=self.conditions.air_c
        )

        s.time_s += dt
        s.speed_rpm = middle / RPM
        s.torque_nm = load + self._load_inertia * change / dt
        s.thrust_n = thrust
        s.dc_voltage_v = voltage
        s.dc_power_w = ac + loss
        s.dc_current_a = s.dc_power_w / voltage if voltage > 0.0 else 0.0
        s.ac_power_w = ac
        s.shaft_power_w = s.torque_nm * middle
        s.load_power_w = load * middle
        s.inverter_loss_w = loss
        s.copper_loss_w = copper
        s.iron_loss_w = heat.iron_w
        s.friction_loss_w = heat.friction_w
        s.phase_current_a = current
        s.i_d_a, s.i_q_a = i_d, i_q
        s.phase_voltage_v = pmsm.phase_voltage(motor, i_d, i_q, middle, resistance_ohm=resistance, flux_wb=flux)
        s.vibration_mm_s = vibration(s.speed_rpm)

    def _ramp(self, dt: float) -> None:
        """Move set-points along their slew limits, and the coolant with its pump."""
        d, s, drive = self.demand, self.state, self.drive
        stopping = d.mode is not Mode.SPEED
        if d.mode is Mode.ZERO_TORQUE or self.gates_are_off:
            self._omega_ref = self._omega
        else:
            slew = (drive.stop_slew_rpm_s if stopping else drive.speed_slew_rpm_s) * RPM * dt
            target = 0.0 if stopping else d.speed_rpm * RPM
            if d.runaway:
                slew = RUNAWAY_SLEW * drive.speed_slew_rpm_s * RPM * dt
                target = RUNAWAY_SHARE * drive.motor.max_speed_rpm * RPM
            self._omega_ref += min(slew, max(-slew, target - self._omega_ref))
        torque_slew = drive.load_machine.torque_slew_nm_s * dt
        target_nm = 0.0 if stopping else d.torque_nm
        self._load_nm += min(torque_slew, max(-torque_slew, target_nm - self._load_nm))
        s.inlet_c = d.inlet_c
        flow = 0.0 if d.coolant_lost else self.conditions.flow_lpm
        s.flow_lpm += (flow - s.flow_lpm) * (1.0 - exp(-dt / FLOW_LAG_S))

    def _load_torque(self, omega: float, dt: float) -> tuple[float, float]:
        """Torque of the load in N·m and thrust in N at a speed."""
        propeller = self.propeller
        if propeller is None:
            # A load machine that brakes cannot turn the shaft backwards: its torque fades towards standstill.
            fade = min(1.0, omega / pmsm.FADE_RAD_S) if self._load_nm > 0.0 else 1.0
            return self._load_nm * fade, 0.0
        if self.demand.recirculation:
            self._recirculated_s += dt
        else:
            self._recirculated_s = max(0.0, self._recirculated_s - 3.0 * dt)
        built = 1.0 - exp(-self._recirculated_s / prop.RECIRCULATION_TAU_S)
        return (
            prop.torque(propeller, omega, self.density_kgm3) * (1.0 - prop.RECIRCULATION_CP * built),
            prop.thrust(propeller, omega, self.density_kgm3) * (1.0 - prop.RECIRCULATION_CT * built),
        )

    def _freewheel(self, omega: float, flux: float) -> tuple[float, float, float]:
        """Air-gap torque and currents with the gates off.

        A link that is cut off takes no power: its voltage rises to the back-EMF instead. That the supply itself rises
        by a volt or two under the current it takes back is left out.
        """
        if self.demand.contactor_open:
            return 0.0, 0.0, 0.0
        motor = self.drive.motor
        i_d, i_q = pmsm.diode_currents(motor, omega, flux, self.drive.supply.open_circuit_v)
        return pmsm.torque(motor, i_q, flux), i_d, i_q

    def _link(self, ac_w: float, current_a: float, dt: float, line_emf_v: float) -> tuple[float, float, float]:
        """Voltage of the DC link in V, loss of the inverter and its standing part in W."""
        drive = self.drive
        if self.demand.contactor_open:
            # the inverter lives on its auxiliary supply, which is not measured
            return inv.cut_off_voltage(drive.supply, self.state.dc_voltage_v, dt, line_emf_v), 0.0, 0.0
        p_0, p_1 = inv.loss_terms(drive.inverter, current_a, self.temps.junction_c)
        if self.gates_are_off:
            p_1 = 0.0  # nothing switches
        voltage = inv.dc_link_voltage(drive.supply, ac_w, p_0, p_1)
        return voltage, p_0 + p_1 * voltage, drive.inverter.standing_w

    def _deliver(
        self, wanted_nm: float, omega: float, *, resistance: float, flux: float, limit_v: float
    ) -> tuple[float, float, float]:
        """Air-gap torque nearest to the wanted one that voltage and current allow, with its currents."""
        motor = self.drive.motor
        peak2 = 2.0 * self.drive.inverter.max_current_a**2

        def allowed(torque: float) -> tuple[float, float] | None:
            found = pmsm.currents(
                motor, torque, omega, resistance_ohm=resistance, flux_wb=flux, voltage_limit_v=limit_v
            )
            if found is None or found[0] * found[0] + found[1] * found[1] > peak2:
                return None
            return found

        found = allowed(wanted_nm)
        if found is not None:
            return wanted_nm, found[0], found[1]
        low, high = 0.0, 1.0  # share of the wanted torque; bisection, seldom needed
        best = allowed(0.0) or (-flux / motor.inductance_h, 0.0)
        for _ in range(30):
            share = 0.5 * (low + high)
            found = allowed(share * wanted_nm)
            if found is None:
                high = share
            else:
                low, best = share, found
        return low * wanted_nm, best[0], best[1]


def vibration(speed_rpm: float) -> float:
    """Bearing housing vibration in mm/s RMS: unbalance response of the stand, resonance at 5200 rpm, damping 0.1."""
    r2 = (speed_rpm / 5200.0) ** 2
    return 0.3 + 1.4 * r2 / sqrt((1.0 - r2) ** 2 + 0.04 * r2)
