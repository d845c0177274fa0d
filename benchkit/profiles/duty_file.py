"""A duty with its battery from a TOML file: loads by speed and torque, by thrust or by power; battery; parts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from benchkit.errors import UsageError
from benchkit.model.battery import Battery, Mission, WarmingPart
from benchkit.model.results_maps import Duty
from benchkit.profiles.base import Finite, Measure, Section
from benchkit.profiles.toml_files import read_toml
from benchkit.units import Quantity, to_bench

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


Pair = Annotated[list[Finite], Field(min_length=2, max_length=2)]


class DutyLoad(Section):
    """``[[loads]]``: a time, and speed with torque, or thrust, or power at the DC link."""

    time: Measure
    speed: Measure | None = None
    torque: Measure | None = None
    thrust: Measure | None = None
    power: Measure | None = None


class BatterySection(Section):
    """``[battery]``: cells, open-circuit curve, resistance and capacity of one cell; u: standard uncertainties."""

    series: Annotated[int, Field(ge=1, le=2000)]
    parallel: Annotated[int, Field(ge=1, le=2000)]
    open_circuit: Annotated[list[Pair], Field(min_length=2, max_length=200)]
    """Pairs of state of charge (0 to 1) and volts of one cell."""
    u_open_circuit: Measure
    resistance: Measure
    u_resistance: Measure
    capacity_ah: Positive
    u_capacity: Measure
    cut_off: Measure
    start: Measure | None = None
    reserve: Measure
    cell_mass: Measure | None = None


class PartSection(Section):
    """``[[parts]]``: a temperature over the loss of the drive."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    rise_k_per_w: Positive
    u_rise: Measure
    time_constant: Measure
    limit: Measure


class CoolantPart(Section):
    """``[coolant]``: the temperature that parts start from and rise over."""

    temperature: Measure
    u_temperature: Measure


class DutyFile(Section):
    """The whole file."""

    kind: Literal["speed_and_torque", "thrust", "power"]
    repeat: bool
    wanted_endurance: Measure | None = None
    loads: Annotated[list[DutyLoad], Field(min_length=1, max_length=2000)]
    battery: BatterySection
    coolant: CoolantPart | None = None
    parts: Annotated[list[PartSection], Field(max_length=20)] = Field(default_factory=list)


NEEDS = {"speed_and_torque": ("speed", "torque"), "thrust": ("thrust",), "power": ("power",)}
QUANTITY = {
    "speed": Quantity.SPEED, "torque": Quantity.TORQUE, "thrust": Quantity.FORCE, "power": Quantity.POWER,
}  # fmt: skip


def read_duty_toml(path: Path) -> Duty:
    """Read a duty with its battery.

    Raises:
        UsageError: the file cannot be read, or something in it is wrong; the message names the key.
    """
    mapping, _ = read_toml(path)
    try:
        file = DutyFile.model_validate(mapping)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(str(first["msg"]), where=f"{path.name}: {where}", got=first.get("input")) from error

    def bench(measure: Measure, quantity: Quantity, key: str) -> float:
        return to_bench(measure.value, quantity, measure.unit, where=f"{path.name}: {key}.unit")

    columns: dict[str, list[float]] = {name: [] for name in NEEDS[file.kind]}
    times = []
    for index, load in enumerate(file.loads):
        given = {name for name in QUANTITY if getattr(load, name) is not None}
        if given != set(NEEDS[file.kind]):
            raise UsageError(
                f"a load of kind {file.kind} says its time and {' and '.join(NEEDS[file.kind])}",
                where=f"{path.name}: loads.{index}",
                got=", ".join(sorted(given)) or "nothing",
            )
        for name in NEEDS[file.kind]:
            columns[name].append(bench(getattr(load, name), QUANTITY[name], f"loads.{index}.{name}"))
        times.append(bench(load.time, Quantity.TIME, f"loads.{index}.time"))
        if not times[-1] > 0.0:
            raise UsageError("the time of a load must be above zero", where=f"{path.name}: loads.{index}.time")
    if file.parts and file.coolant is None:
        raise UsageError(
            "parts need the coolant that they rise over", where=f"{path.name}: coolant", remedy="Add [coolant]."
        )
    b = file.battery
    battery = Battery(
        series=b.series,
        parallel=b.parallel,
        soc=tuple(s for s, _ in b.open_circuit),
        ocv_v=tuple(v for _, v in b.open_circuit),
        resistance_ohm=bench(b.resistance, Quantity.RESISTANCE, "battery.resistance"),
        capacity_ah=b.capacity_ah,
        cut_off_v=bench(b.cut_off, Quantity.VOLTAGE, "battery.cut_off"),
        u_ocv_v=bench(b.u_open_circuit, Quantity.VOLTAGE, "battery.u_open_circuit"),
        u_resistance=bench(b.u_resistance, Quantity.RATIO, "battery.u_resistance"),
        u_capacity=bench(b.u_capacity, Quantity.RATIO, "battery.u_capacity"),
        start_soc=1.0 if b.start is None else bench(b.start, Quantity.RATIO, "battery.start"),
        reserve_soc=bench(b.reserve, Quantity.RATIO, "battery.reserve"),
        cell_mass_kg=None if b.cell_mass is None else bench(b.cell_mass, Quantity.MASS, "battery.cell_mass"),
    )
    parts = tuple(
        WarmingPart(
            part.name,
            part.rise_k_per_w,
            bench(part.time_constant, Quantity.TIME, f"parts.{i}.time_constant"),
            bench(part.limit, Quantity.TEMPERATURE, f"parts.{i}.limit"),
            bench(part.u_rise, Quantity.RATIO, f"parts.{i}.u_rise"),
        )
        for i, part in enumerate(file.parts)
    )
    coolant = file.coolant
    mission = Mission(
        battery,
        file.kind.replace("_", " "),
        () if file.kind == "speed_and_torque" else tuple(next(iter(columns.values()))),
        tuple(times),
        file.repeat,
        parts,
        20.0 if coolant is None else bench(coolant.temperature, Quantity.TEMPERATURE, "coolant.temperature"),
        0.0
        if coolant is None
        else bench(coolant.u_temperature, Quantity.TEMPERATURE_DIFFERENCE, "coolant.u_temperature"),
        None if file.wanted_endurance is None else bench(file.wanted_endurance, Quantity.TIME, "wanted_endurance"),
    )
    _check(path, mission)
    speed, torque = columns.get("speed", []), columns.get("torque", [])
    return Duty(tuple(speed), tuple(torque), tuple(times) if speed else (), mission)


def _check(path: Path, mission: Mission) -> None:
    from benchkit.analysis.battery import checked

    try:
        checked(mission.battery)
    except UsageError as error:
        raise UsageError(error.what, where=f"{path.name}: battery", expected=error.expected) from error
    for part in mission.parts:
        if not part.tau_s > 0.0 or not part.limit_c > mission.coolant_c:
            raise UsageError(
                "a part has a time constant above zero and a limit above its coolant",
                where=f"{path.name}: parts, {part.name}",
                got=f"{part.tau_s:g} s, {part.limit_c:g} °C",
            )
    if mission.wanted_s is not None and not mission.wanted_s > 0.0:
        raise UsageError("an endurance must be above zero", where=f"{path.name}: wanted_endurance")
