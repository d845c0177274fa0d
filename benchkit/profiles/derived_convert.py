"""``[derived.NAME]`` sections to channels: formulas parsed, units checked, order and source found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from benchkit.decode.dimensions import BUILT_IN, SI, Kind, check_result, dimension_of_unit, from_si, kind_of
from benchkit.decode.expression import ExpressionError, parse
from benchkit.decode.formula import infer
from benchkit.errors import UsageError
from benchkit.model.calibration import Accuracy, Calibration
from benchkit.model.derived import Derived
from benchkit.model.expression import Node, names_in, put_in
from benchkit.model.stand import Channel
from benchkit.profiles.collect import Collector
from benchkit.profiles.schema import ConstantSection, DerivedSection


@dataclass(frozen=True, slots=True)
class _Formula:
    """A formula with its constants in it, and the channels it needs."""

    tree: Node
    inputs: tuple[str, ...]


def derived_channels(
    collect: Collector, sections: Mapping[str, DerivedSection], measured: Mapping[str, Channel]
) -> dict[str, Channel]:
    """The derived channels, each behind its inputs. Those with a fault are left out, and the fault is collected."""
    kinds = {name: kind_of(c.quantity) for name, c in measured.items()}
    kinds |= {name: kind_of(s.quantity) for name, s in sections.items() if name not in kinds}
    formulas: dict[str, _Formula] = {}
    for name, section in sections.items():
        if name in measured:
            collect.fault(f"derived.{name}", "a measured channel has this name", remedy="Give it another name.")
            continue
        formula = _formula(collect, f"derived.{name}", section, kinds)
        if formula is not None:
            formulas[name] = formula
    known = dict(measured)
    made: dict[str, Channel] = {}
    for name in _order(collect, formulas):
        inputs = [known[i] for i in formulas[name].inputs if i in known]
        channel = _channel(collect, name, sections[name], formulas[name], inputs)
        if channel is not None:
            known[name] = made[name] = channel
    return made


def _formula(collect: Collector, key: str, section: DerivedSection, kinds: Mapping[str, Kind]) -> _Formula | None:
    before = len(collect.problems)
    constants: dict[str, Kind] = {}
    values: dict[str, float] = {}
    for name, constant in section.constants.items():
        place = f"{key}.constants.{name}"
        if name in kinds or name in BUILT_IN:
            what = "a channel" if name in kinds else "a number that is known here anyway"
            collect.fault(place, f"{what} has this name", remedy="Give the constant another name.")
            continue
        values[name], constants[name] = _constant(collect, place, constant)
    text = section.expression
    try:
        tree = parse(text)
        used = names_in(tree)
        known = {**{n: c.kind for n, c in BUILT_IN.items()}, **kinds, **constants}
        for name in used:
            if name in BUILT_IN and name in kinds:
                raise ExpressionError(f"{name!r} is a channel and a built-in number", text, 0, "Rename the channel.")
        # A constant with a fault of its own has been named: what would follow from it is not said as well.
        if set(section.constants) <= set(constants):
            check_result(infer(tree, known, text), section.quantity, text)
    except ExpressionError as error:
        collect.fault(f"{key}.expression", error.what, remedy=error.remedy)
        return None
    if len(collect.problems) > before:
        return None
    inputs = tuple(n for n in used if n in kinds)
    if not inputs:
        remedy = "Name a channel in it; what never changes is no channel."
        collect.fault(f"{key}.expression", "no channel in it", text[:40], remedy=remedy)
        return None
    return _Formula(put_in(tree, {**{n: c.value for n, c in BUILT_IN.items()}, **values}), inputs)


def _constant(collect: Collector, place: str, constant: ConstantSection) -> tuple[float, Kind]:
    """Value in the coherent SI unit, and what it is."""
    if constant.quantity is not None:
        bench = collect.scale(place, constant.quantity, constant.unit)
        dimension, line = SI[constant.quantity]
        value = line.factor * (bench.factor * constant.value + bench.offset) + line.offset
        return value, Kind(dimension, kind_of(constant.quantity).readings, value)
    try:
        return constant.value, Kind(dimension_of_unit(constant.unit), 0.0, constant.value)
    except UsageError as error:
        collect.fault(f"{place}.unit", error.what, expected="such as J/(kg·K) or kg/m³", remedy=error.remedy)
        return constant.value, Kind(None, 0.0, constant.value)


def _order(collect: Collector, formulas: Mapping[str, _Formula]) -> tuple[str, ...]:
    """Names so that each comes behind the derived channels it needs."""
    needs = {name: [i for i in formula.inputs if i in formulas] for name, formula in formulas.items()}
    try:
        return tuple(TopologicalSorter(needs).static_order())
    except CycleError as error:
        circle = list(error.args[1])[::-1]
        where = f"derived.{circle[0]}.expression"
        collect.fault(where, "derived channels need each other in a circle", " needs ".join(circle), remedy="Break it.")
        return ()


def _channel(
    collect: Collector, name: str, section: DerivedSection, formula: _Formula, inputs: list[Channel]
) -> Channel | None:
    key = f"derived.{name}"
    before = len(collect.problems)
    scale = collect.scale(key, section.quantity, section.unit)
    low, high = sorted(scale.factor * end + scale.offset for end in section.range)
    if not section.range[0] < section.range[1]:
        collect.fault(f"{key}.range", "the lower end must lie below the upper end", section.range)
    sources = sorted({channel.source for channel in inputs})
    if len(sources) > 1:
        listed = ", ".join(f"{channel.name} ({channel.source})" for channel in inputs)
        collect.fault(
            f"{key}.expression",
            "its channels come from several sources",
            listed,
            "channels of one source",
            "Sources have their own times and rates: bring them together after the run, on a common time.",
        )
    if len(collect.problems) > before or len(inputs) < len(formula.inputs):
        return None
    accuracy = Accuracy()
    if section.accuracy is not None:
        a = section.accuracy
        accuracy = Accuracy(a.of_reading_percent / 100.0, a.constant * abs(scale.factor))
    to_si = tuple(SI[channel.quantity][1] for channel in inputs)
    return Channel(
        name=name,
        label=section.label,
        quantity=section.quantity,
        source=sources[0],
        column="",
        low=low,
        high=high,
        calibration=Calibration(accuracy=accuracy),
        derived=Derived(section.expression, formula.inputs, formula.tree, to_si, from_si(section.quantity)),
    )
