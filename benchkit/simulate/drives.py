"""Parameter tables of the invented drives. All values are made up, of a size that is common for such machines.

Coherent SI inside, units in the names. Losses are shared out so that the big drive is about 96 % efficient at its
rated point. Two motors can be mounted behind one inverter: the small one proves it, the big one is the aim.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.stand import Stand

T = TypeVar("T")


class Load(StrEnum):
    """What the motor turns. It is bolted on before a run and cannot be changed during one."""

    MACHINE = "machine"
    PROPELLER = "propeller"


@dataclass(frozen=True, slots=True)
class MotorParameters:
    """Permanent-magnet synchronous machine without saliency (L_d = L_q), peak-value dq quantities."""

    id: str
    pole_pairs: int
    rated_torque_nm: float
    max_speed_rpm: float
    resistance_20_ohm: float
    """Phase resistance at 20 °C."""
    inductance_h: float
    flux_20_wb: float
    """Magnet flux linkage at 20 °C, peak."""
    flux_per_k: float
    """Relative change of the magnet flux per kelvin (negative)."""
    hysteresis_per_h: float
    """Hysteresis loss over ω_e ψ², 1/H."""
    eddy_s_per_h: float
    """Eddy-current loss over ω_e² ψ², s/H."""
    coulomb_nm: float
    viscous_nms: float
    windage_nms2: float
    inertia_kgm2: float


@dataclass(frozen=True, slots=True)
class InverterParameters:
    """Loss parameters: ``a + b·I + c·I²`` with I the RMS phase current (see :mod:`benchkit.simulate.inverter`)."""

    id: str
    max_current_a: float
    """RMS, where the current control holds."""
    modulation: float
    """Usable part of U_dc/√3 as peak phase voltage."""
    switching_frequency_hz: float
    standing_w: float
    conduction_v: float
    conduction_ohm: float
    conduction_per_k: float
    """Relative rise of the conduction resistance per kelvin above 25 °C junction."""
    switching_0_w: float
    switching_1_w_per_a: float
    switching_2_w_per_a2: float
    """Switching loss terms at 400 V and 16 kHz."""


@dataclass(frozen=True, slots=True)
class ThermalParameters:
    """Heat capacities (J/K) and conductances (W/K) of the network, at nominal coolant flow."""

    winding_j_k: float
    stator_j_k: float
    magnet_j_k: float
    junction_j_k: float
    case_j_k: float
    coolant_j_k: float
    winding_stator_w_k: float
    stator_magnet_w_k: float
    stator_coolant_w_k: float
    junction_case_w_k: float
    case_coolant_w_k: float
    stator_air_w_k: float
    case_air_w_k: float
    nominal_flow_lpm: float
    rotor_iron_share: float
    """Share of the iron loss that heats the rotor."""
    outlet_pipe_l: float
    """Volume between jacket and outlet sensor."""


@dataclass(frozen=True, slots=True)
class SupplyParameters:
    """DC source: open-circuit voltage and internal resistance; the link's capacitance and discharge resistor."""

    open_circuit_v: float
    resistance_ohm: float
    link_capacitance_f: float = 1.0e-3
    discharge_ohm: float = 2.0e3


@dataclass(frozen=True, slots=True)
class LoadMachineParameters:
    """Load machine, torque controlled."""

    max_torque_nm: float
    torque_slew_nm_s: float
    inertia_kgm2: float


@dataclass(frozen=True, slots=True)
class PropellerParameters:
    """Fixed-pitch propeller on the static stand, constant coefficients (propeller notation)."""

    id: str
    diameter_m: float
    ct: float
    cp: float
    inertia_kgm2: float


@dataclass(frozen=True, slots=True)
class Drive:
    """What is bolted to the stand besides the load."""

    motor: MotorParameters
    inverter: InverterParameters
    thermal: ThermalParameters
    supply: SupplyParameters
    load_machine: LoadMachineParameters
    speed_slew_rpm_s: float
    stop_slew_rpm_s: float


HERON_60 = MotorParameters(
    id="HERON-60",
    pole_pairs=10,
    rated_torque_nm=160.0,
    max_speed_rpm=4200.0,
    resistance_20_ohm=0.0160,
    inductance_h=0.110e-3,
    flux_20_wb=0.0548,
    flux_per_k=-0.0010,
    hysteresis_per_h=18.0,
    eddy_s_per_h=0.0085,
    coulomb_nm=0.15,
    viscous_nms=4.0e-4,
    windage_nms2=1.0e-6,
    inertia_kgm2=0.035,
)
WREN_12 = MotorParameters(
    id="WREN-12",
    pole_pairs=8,
    rated_torque_nm=40.0,
    max_speed_rpm=4200.0,
    resistance_20_ohm=0.055,
    inductance_h=0.60e-3,
    flux_20_wb=0.0560,
    flux_per_k=-0.0010,
    hysteresis_per_h=9.0,
    eddy_s_per_h=0.0050,
    coulomb_nm=0.06,
    viscous_nms=1.5e-4,
    windage_nms2=4.0e-7,
    inertia_kgm2=0.008,
)
REED_INV_03 = InverterParameters(
    id="REED-INV-03",
    max_current_a=180.0,
    modulation=0.95,
    switching_frequency_hz=16_000.0,
    standing_w=25.0,
    conduction_v=0.4,
    conduction_ohm=0.0120,
    conduction_per_k=0.0040,
    switching_0_w=20.0,
    switching_1_w_per_a=1.1,
    switching_2_w_per_a2=0.0012,
)
SEDGE_130_2 = PropellerParameters(id="SEDGE-130-2", diameter_m=1.30, ct=0.125, cp=0.055, inertia_kgm2=0.17)

_SUPPLY = SupplyParameters(open_circuit_v=400.0, resistance_ohm=0.05)
_LOAD_MACHINE = LoadMachineParameters(max_torque_nm=220.0, torque_slew_nm_s=150.0, inertia_kgm2=0.12)
_BIG_THERMAL = ThermalParameters(
    winding_j_k=1000.0,
    stator_j_k=3800.0,
    magnet_j_k=2400.0,
    junction_j_k=4.0,
    case_j_k=3500.0,
    coolant_j_k=2000.0,
    winding_stator_w_k=31.0,
    stator_magnet_w_k=8.0,
    stator_coolant_w_k=75.0,
    junction_case_w_k=14.0,
    case_coolant_w_k=40.0,
    stator_air_w_k=2.0,
    case_air_w_k=1.0,
    nominal_flow_lpm=8.0,
    rotor_iron_share=0.10,
    outlet_pipe_l=0.25,
)
_SMALL_THERMAL = ThermalParameters(
    winding_j_k=420.0,
    stator_j_k=2100.0,
    magnet_j_k=800.0,
    junction_j_k=4.0,
    case_j_k=3500.0,
    coolant_j_k=1800.0,
    winding_stator_w_k=14.0,
    stator_magnet_w_k=4.0,
    stator_coolant_w_k=28.0,
    junction_case_w_k=14.0,
    case_coolant_w_k=40.0,
    stator_air_w_k=1.2,
    case_air_w_k=1.0,
    nominal_flow_lpm=8.0,
    rotor_iron_share=0.10,
    outlet_pipe_l=0.25,
)

MOTORS: Mapping[str, tuple[MotorParameters, ThermalParameters]] = {
    HERON_60.id: (HERON_60, _BIG_THERMAL),
    WREN_12.id: (WREN_12, _SMALL_THERMAL),
}
FIRMWARE: Mapping[tuple[str, str], InverterParameters] = {
    ("REED-INV-03", "C.02"): replace(REED_INV_03, switching_1_w_per_a=0.6, standing_w=31.0),
}
"""What a firmware revision does to the loss of an inverter: C.02 switches less, and computes more."""
INVERTERS: Mapping[str, InverterParameters] = {REED_INV_03.id: REED_INV_03}
PROPELLERS: Mapping[str, PropellerParameters] = {SEDGE_130_2.id: SEDGE_130_2}


def drive_of(stand: Stand) -> Drive:
    """Return the drive whose nameplates the stand carries.

    Raises:
        UsageError: a nameplate that the simulation has no parameters for, or one that contradicts them.
    """
    motor, thermal = _known(MOTORS, stand.motor.id, f"stand {stand.name}: motor.id")
    inverter = _known(INVERTERS, stand.inverter.id, f"stand {stand.name}: inverter.id")
    if stand.motor.pole_pairs != motor.pole_pairs:
        raise UsageError(
            "the simulated motor has another number of pole pairs",
            where=f"stand {stand.name}: motor.pole_pairs",
            got=stand.motor.pole_pairs,
            expected=str(motor.pole_pairs),
            remedy="Correct the nameplate, or mount another motor.",
        )
    inverter = FIRMWARE.get((inverter.id, stand.inverter.firmware_revision), inverter)
    return Drive(motor, inverter, thermal, _SUPPLY, _LOAD_MACHINE, speed_slew_rpm_s=400.0, stop_slew_rpm_s=800.0)


def propeller_of(stand: Stand) -> PropellerParameters:
    """Return the propeller of the stand's nameplate.

    Raises:
        UsageError: the stand has no propeller, or one that the simulation has no parameters for.
    """
    if stand.propeller is None:
        raise UsageError(
            "the profile names no propeller",
            where=f"stand {stand.name}",
            remedy="Add [propeller], or mount the load machine.",
        )
    return _known(PROPELLERS, stand.propeller.id, f"stand {stand.name}: propeller.id")


def _known(table: Mapping[str, T], name: str, where: str) -> T:
    if name in table:
        return table[name]
    raise UsageError(
        f"the simulation has no parameters for {name!r}",
        where=where,
        expected=" or ".join(sorted(table)),
        remedy=did_you_mean(name, table) or "Use one of these.",
    )
