"""The closed-form answer: powers, losses and efficiencies of one steady state, by the same equations as the plant."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, nan, pi, sqrt

from benchkit.errors import UsageError
from benchkit.simulate import inverter as inv
from benchkit.simulate import pmsm, thermal
from benchkit.simulate import propeller as prop
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.drives import Drive, PropellerParameters
from benchkit.simulate.thermal import Heat, Temperatures

RPM = 2.0 * pi / 60.0
"""rad/s of one rpm."""


@dataclass(frozen=True, slots=True)
class Truth:
    """One steady state. Motoring positive; ratios are 1, NaN where the flow of power gives them no meaning."""

    speed_rpm: float
    torque_nm: float
    dc_voltage_v: float
    dc_current_a: float
    dc_power_w: float
    ac_power_w: float
    shaft_power_w: float
    inverter_loss_w: float
    standing_loss_w: float
    copper_loss_w: float
    iron_loss_w: float
    friction_loss_w: float
    inverter_efficiency: float
    motor_efficiency: float
    drive_efficiency: float
    phase_current_a: float
    i_d_a: float
    i_q_a: float
    phase_voltage_v: float
    frequency_hz: float
    winding_c: float
    magnet_c: float
    junction_c: float
    thrust_n: float = nan
    ct: float = nan
    cp: float = nan
    figure_of_merit: float = nan

    @property
    def motor_loss_w(self) -> float:
        """Copper, iron and friction together."""
        return self.copper_loss_w + self.iron_loss_w + self.friction_loss_w

    @property
    def drive_loss_w(self) -> float:
        """All losses between DC link and shaft."""
        return self.inverter_loss_w + self.motor_loss_w

    @property
    def heat(self) -> Heat:
        """The losses as the thermal network takes them."""
        return Heat(
            copper_w=self.copper_loss_w,
            iron_w=self.iron_loss_w,
            friction_w=self.friction_loss_w,
            inverter_w=self.inverter_loss_w,
            standing_w=self.standing_loss_w,
        )


def truth_at(
    drive: Drive,
    speed_rpm: float,
    torque_nm: float,
    *,
    winding_c: float,
    magnet_c: float,
    junction_c: float,
    dc_voltage_v: float | None = None,
) -> Truth:
    """Steady state at a shaft speed (> 0) and shaft torque, at given temperatures.

    ``dc_voltage_v`` None: the voltage that the supply of the drive holds at that power.

    Raises:
        UsageError: voltage or current limit of the inverter does not allow the point.
    """
    if not speed_rpm > 0.0:
        raise UsageError("steady truth needs a turning shaft", got=speed_rpm, expected="speed above 0 rpm")
    given = drive.supply.open_circuit_v if dc_voltage_v is None else dc_voltage_v
    voltage = given
    for _ in range(60):
        solved = _solve(
            drive,
            speed_rpm,
            torque_nm,
            voltage,
            winding_c=winding_c,
            magnet_c=magnet_c,
            junction_c=junction_c,
        )
        if dc_voltage_v is not None:
            return solved
        current = solved.phase_current_a
        p_0, p_1 = inv.loss_terms(drive.inverter, current, junction_c)
        settled = inv.dc_link_voltage(drive.supply, solved.ac_power_w, p_0, p_1)
        if abs(settled - voltage) <= 1e-12 * settled:
            return solved
        voltage = settled
    return solved


def truth_with_propeller(
    drive: Drive,
    propeller: PropellerParameters,
    speed_rpm: float,
    density_kgm3: float,
    *,
    winding_c: float,
    magnet_c: float,
    junction_c: float,
    dc_voltage_v: float | None = None,
) -> Truth:
    """Steady state with the propeller: its torque is the load. See :func:`truth_at`."""
    omega = speed_rpm * RPM
    base = truth_at(
        drive,
        speed_rpm,
        prop.torque(propeller, omega, density_kgm3),
        winding_c=winding_c,
        magnet_c=magnet_c,
        junction_c=junction_c,
        dc_voltage_v=dc_voltage_v,
    )
    return with_propeller(base, propeller, density_kgm3)


def with_propeller(base: Truth, propeller: PropellerParameters, density_kgm3: float) -> Truth:
    """``base`` with thrust and coefficients. FM = √(2/π) CT^1.5 / CP in propeller notation."""
    fields = {name: getattr(base, name) for name in Truth.__dataclass_fields__}
    fields |= {
        "thrust_n": prop.thrust(propeller, base.speed_rpm * RPM, density_kgm3),
        "ct": propeller.ct,
        "cp": propeller.cp,
        "figure_of_merit": sqrt(2.0 / pi) * propeller.ct**1.5 / propeller.cp,
    }
    return Truth(**fields)


def settled(
    drive: Drive,
    speed_rpm: float,
    torque_nm: float,
    conditions: Conditions,
    propeller: PropellerParameters | None = None,
) -> tuple[Truth, Temperatures]:
    """Steady state with the temperatures that its own losses settle at, at constant coolant flow.

    With a propeller ``torque_nm`` is not used. Raises as :func:`truth_at`; also when the losses rise with
    temperature faster than the coolant takes them away.
    """
    load_nm = torque_nm
    density = 0.0
    if propeller is not None:
        density = conditions.density_kgm3
        load_nm = prop.torque(propeller, speed_rpm * RPM, density)
    inlet = conditions.inlet_c
    t = Temperatures(inlet, inlet, inlet, inlet, inlet, inlet, inlet)
    for _ in range(200):
        truth = truth_at(drive, speed_rpm, load_nm, winding_c=t.winding_c, magnet_c=t.magnet_c, junction_c=t.junction_c)
        new = thermal.steady(drive.thermal, truth.heat, inlet, conditions.flow_lpm, conditions.air_c)
        change = max(
            abs(new.winding_c - t.winding_c),
            abs(new.magnet_c - t.magnet_c),
            abs(new.junction_c - t.junction_c),
        )
        t = new
        if change < 1e-9:
            return (truth if propeller is None else with_propeller(truth, propeller, density)), t
    raise UsageError(
        "no steady temperature: the losses run away",
        where=f"{speed_rpm:g} rpm, {load_nm:g} N·m",
        remedy="Take a smaller torque or more coolant flow.",
    )


def _solve(
    drive: Drive,
    speed_rpm: float,
    torque_nm: float,
    dc_voltage_v: float,
    *,
    winding_c: float,
    magnet_c: float,
    junction_c: float,
) -> Truth:
    motor, inverter = drive.motor, drive.inverter
    omega = speed_rpm * RPM
    resistance = pmsm.copper_resistance(motor.resistance_20_ohm, winding_c)
    flux = pmsm.magnet_flux(motor, magnet_c)
    limit = inverter.modulation * dc_voltage_v / sqrt(3.0)
    friction = pmsm.friction_torque(motor, omega)
    iron = i_d = i_q = torque_em = 0.0
    for _ in range(100):  # drag depends a little on the currents it asks for: contraction by about 1/100 a turn
        torque_em = torque_nm + friction + iron
        found = pmsm.currents(motor, torque_em, omega, resistance_ohm=resistance, flux_wb=flux, voltage_limit_v=limit)
        if found is None:
            raise UsageError(
                "the DC voltage does not allow this torque at this speed",
                where=f"{speed_rpm:g} rpm, {torque_nm:g} N·m",
                got=f"{dc_voltage_v:.1f} V",
                remedy="Take less speed or torque.",
            )
        i_d, i_q = found
        new_iron = pmsm.iron_torque(motor, i_d, i_q, omega, flux)
        done = abs(new_iron - iron) <= 1e-14 * (1.0 + abs(new_iron))
        iron = new_iron
        if done:
            break
    current = hypot(i_d, i_q) / sqrt(2.0)
    if current > inverter.max_current_a:
        raise UsageError(
            "the inverter does not deliver the current",
            where=f"{speed_rpm:g} rpm, {torque_nm:g} N·m",
            got=f"{current:.1f} A",
            expected=f"at most {inverter.max_current_a:g} A",
            remedy="Take less torque.",
        )
    copper = pmsm.copper_loss(i_d, i_q, resistance)
    shaft = torque_nm * omega
    ac = copper + torque_em * omega
    p_0, p_1 = inv.loss_terms(inverter, current, junction_c)
    inverter_loss = p_0 + p_1 * dc_voltage_v
    dc = ac + inverter_loss
    motoring = shaft > 0.0
    return Truth(
        speed_rpm=speed_rpm,
        torque_nm=torque_nm,
        dc_voltage_v=dc_voltage_v,
        dc_current_a=dc / dc_voltage_v,
        dc_power_w=dc,
        ac_power_w=ac,
        shaft_power_w=shaft,
        inverter_loss_w=inverter_loss,
        standing_loss_w=inverter.standing_w,
        copper_loss_w=copper,
        iron_loss_w=iron * omega,
        friction_loss_w=friction * omega,
        inverter_efficiency=ac / dc if motoring else nan,
        motor_efficiency=shaft / ac if motoring else nan,
        drive_efficiency=shaft / dc if motoring else nan,
        phase_current_a=current,
        i_d_a=i_d,
        i_q_a=i_q,
        phase_voltage_v=pmsm.phase_voltage(motor, i_d, i_q, omega, resistance_ohm=resistance, flux_wb=flux),
        frequency_hz=motor.pole_pairs * speed_rpm / 60.0,
        winding_c=winding_c,
        magnet_c=magnet_c,
        junction_c=junction_c,
    )
