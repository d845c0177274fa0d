"""The bring-up ladder: from a bench without voltage to the propeller, rung by rung.

Each rung has an entry condition, a pass test and the one who decides. The tool moves the stand on a rung where that is
a matter of set-points; what needs hands is done by hand and confirmed. Order of the rungs: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchkit.model.plans import (
    AfterStop,
    Axis,
    Dwell,
    Gate,
    Order,
    Otherwise,
    Plan,
    Segment,
    SegmentKind,
    Target,
    Until,
)
from benchkit.model.stand import Stand
from benchkit.plans.bounds import RPM
from benchkit.plans.generate import Frame, until_steady

OVERLOAD_S = 10.0


def ladder_plan(frame: Frame, stand: Stand, approver: str = "test lead") -> Plan:
    """All rungs for the motor that is mounted; set-points are shares of its nameplate.

    The rungs of the big motor and of the propeller are done by hand: they are plans of their own, on stands of their
    own, which begin when those rungs are confirmed.
    """
    motor = stand.motor
    speed, torque = motor.max_speed_rpm, motor.rated_torque_nm
    reads = until_steady(10.0, 120.0, Otherwise.STOP)

    def hand(name: str, instruction: str, entry: str, passes: str) -> Segment:
        gate = Gate(entry, passes, approver)
        return Segment(name, SegmentKind.BY_HAND, instruction=instruction, gate=gate)

    def rung(
        name: str, points: Sequence[Target], dwell: Dwell, entry: str, passes: str, order: Order = Order.AS_WRITTEN
    ) -> Segment:
        return Segment(
            name,
            SegmentKind.POINTS,
            tuple(points),
            dwell,
            order=order,
            after_stop=AfterStop.REPEAT,
            rating=name,
            gate=Gate(entry, passes, approver),
        )

    def load(share_n: float, share_m: float) -> Target:
        return {Axis.SPEED: round(share_n * speed, 1), Axis.TORQUE: round(share_m * torque, 2)}

    segments = [
        hand(
            "dead_checks",
            "Supply isolated: insulation, bonding, phase order, sensors, interlocks, emergency stop, guards.",
            "Supply locked off and absence of voltage proven",
            "Every line of the check sheet signed; insulation as the makers of motor and inverter ask",
        ),
        hand(
            "low_voltage",
            "Link at reduced voltage from a current-limited supply, gates off, then switching without load current.",
            "Dead checks passed",
            "Link voltage, gate supplies and all temperatures plausible; no trip; discharge as calculated",
        ),
        hand(
            "locked_rotor",
            "Shaft locked: current steps at reduced voltage, current controller tuned, torque sign checked.",
            "Shaft lock rated for the torque of this test is mounted; low voltage passed",
            "Currents follow without overshoot beyond what was agreed; phase currents alike",
        ),
        hand(
            "open_loop_spin",
            "Lock removed: slow rotation with imposed angle; direction, encoder offset and pole pairs checked.",
            "Lock removed and logged; people behind the guard",
            f"Direction right; electrical frequency is {motor.pole_pairs} times the shaft frequency",
        ),
        rung(
            "no_load",
            [{Axis.SPEED: round(share * speed, 1)} for share in (0.1, 0.25, 0.5, 0.75)],
            reads,
            "Load machine uncoupled or free; open-loop spin passed",
            "No-load loss rises smoothly with speed; vibration within the limits of the stand",
            Order.UP_AND_DOWN,
        ),
        rung(
            "load",
            [load(n, m) for n in (0.25, 0.5) for m in (0.25, 0.5, 0.75)],
            reads,
            "Load machine coupled and aligned; zero of the torque taken; no load passed",
            "Efficiency and torque per ampere as predicted within their intervals",
        ),
        rung(
            "overload",
            [load(0.4, 0.75), load(0.4, 1.0), load(0.4, 0.5)],
            Dwell(Until.TIME, OVERLOAD_S, 60.0, Otherwise.STOP),
            "Time at this load agreed with the makers; winding below half of its rise; load passed",
            "No trip; temperatures follow the prediction",
        ),
        rung(
            "soak",
            [load(0.5, 0.5)],
            Dwell(Until.TIME, 3600.0, 2.0 * 3600.0, Otherwise.STOP),
            "Coolant and flow as in service; overload passed",
            "Temperatures stand or approach an end below the cautions; nothing loosened, nothing smells",
        ),
        hand(
            "fault_injection",
            "Faults one by one, at the smallest load that shows them: sensor or link lost, coolant low, no heartbeat.",
            "Limits proven (benchkit prove) on this profile; soak passed",
            "Every fault led to the stop that was agreed, acknowledged by the drive",
        ),
        hand(
            "big_motor",
            "Change to the big motor; then this ladder from the dead checks on, on its own stand profile.",
            "All rungs passed on the small motor",
            "All rungs passed on the big motor",
        ),
        hand(
            "propeller",
            "Mount the propeller; guard, exclusion zone, blade tracking; then the sweep from the lowest speed.",
            "Big motor passed; thrust cradle calibrated; guard closed",
            "Thrust and torque follow the square of speed; vibration within limits at every speed",
        ),
    ]
    power_kw = speed * torque * RPM / 1000.0
    return frame.plan(
        "bring_up",
        f"Bring-up ladder, {motor.id} ({torque:g} N·m, {speed:g} rpm, {power_kw:.0f} kW)",
        segments,
    )
