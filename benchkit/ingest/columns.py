"""Units of a file's columns against those of the profile, and the straight line between them where one is declared.

A unit is converted only where the format of the file declares it; a line of units in the file is compared and never
acted on. What a column with a calibration holds is not the unit of its channel: it is taken as it stands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.errors import DataError, UsageError
from benchkit.model.calibration import GainOffset
from benchkit.model.stand import Channel
from benchkit.profiles import LoadedStand
from benchkit.units import Quantity, Scale, scale_to_bench

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Conversion:
    """``number of the profile = factor * number of the file + offset``, for one column."""

    column: str
    unit: str
    to_unit: str
    factor: float
    offset: float

    def __str__(self) -> str:
        zero = f" {self.offset:+.10g}" if self.offset else ""
        return f"column {self.column!r} taken from {self.unit} to {self.to_unit}: times {self.factor:.10g}{zero}"


@dataclass(frozen=True, slots=True)
class ColumnUnit:
    """What the profile says of a column: unit of its numbers, or that a calibration stands between."""

    channel: str
    quantity: Quantity
    unit: str
    is_calibrated: bool


def units_of_profile(stand: LoadedStand, source: str) -> dict[str, ColumnUnit]:
    """Unit of each column of ``source`` that a channel takes."""
    written = json.loads(stand.json)["channels"]
    return {
        channel.column: ColumnUnit(
            channel.name, channel.quantity, _unit_of(channel, written), not _is_plain(channel, written)
        )
        for channel in stand.stand.channels_of(source)
    }


def conversions(
    stand: LoadedStand, source: str, declared: Mapping[str, str], in_file: Mapping[str, str], where: str
) -> list[Conversion]:
    """The conversions that ``declared`` units ask for; ``in_file`` are the texts of the file's line of units.

    Raises:
        DataError: a unit of the file is neither that of the profile nor declared; the factor is named.
        UsageError: a declared unit cannot be converted, or belongs to no channel.
    """
    profile = units_of_profile(stand, source)
    for column, unit in in_file.items():
        _check_written(column, unit, declared.get(column), profile.get(column), where)
    found = []
    for column, unit in declared.items():
        entry = profile.get(column)
        if entry is None:
            raise UsageError(
                f"column {column!r} has a unit, but no channel takes it",
                where=f"{where}: units.{column}",
                remedy="Leave the unit out, or declare the channel in the profile.",
            )
        if entry.is_calibrated:
            continue  # raw numbers of the instrument: the declared unit only has to stand in the file
        line = _line(entry.quantity, unit, entry.unit, f"{where}: units.{column}")
        if line != Scale(1.0):
            found.append(Conversion(column, unit, entry.unit, line.factor, line.offset))
    return found


class Converter:
    """Applies conversions to rows, (n, columns)."""

    def __init__(self, columns: tuple[str, ...], wanted: list[Conversion]) -> None:
        self._wanted = [(columns.index(c.column), c) for c in wanted]

    def apply(self, values: FloatArray) -> FloatArray:
        """``values`` in the units of the profile; the array itself is left as it is."""
        if not self._wanted:
            return values
        result = values.copy()
        for index, c in self._wanted:
            result[:, index] *= c.factor
            result[:, index] += c.offset
        return result


def _check_written(column: str, unit: str, declared: str | None, entry: ColumnUnit | None, where: str) -> None:
    if declared is not None:
        if entry is not None and not _same(entry.quantity, unit, declared):
            raise DataError(
                f"column {column!r}: the file's line of units does not say what is declared",
                where=where,
                got=unit,
                expected=declared,
                remedy="Mend the declared unit, or the file.",
            )
        return
    if entry is None or unit in ("", "-"):
        return
    if entry.is_calibrated:
        if _measures(entry.quantity, unit):
            raise DataError(
                f"column {column!r} is in {unit}, a unit of {entry.quantity.value}, but the profile calibrates it",
                where=where,
                remedy=f"Where these are numbers before calibration, declare units.{column} = {unit!r}; where they are "
                f"calibrated already, use a profile whose channel {entry.channel!r} has no calibration.",
            )
        return
    if _same(entry.quantity, unit, entry.unit):
        return
    if not _measures(entry.quantity, unit):
        raise DataError(
            f"column {column!r} is in {unit!r}, which is no unit of {entry.quantity.value}",
            where=where,
            expected=f"{entry.unit}, the unit of channel {entry.channel!r}",
            remedy="Mend the line of units, or take the column into another channel.",
        )
    line = _line(entry.quantity, unit, entry.unit, where)
    zero = f" and {line.offset:+.10g}" if line.offset else ""
    raise DataError(
        f"column {column!r} is in {unit}, channel {entry.channel!r} takes {entry.unit}: "
        f"a factor of {line.factor:.10g}{zero} lies between them",
        where=where,
        remedy=f"Declare units.{column} = {unit!r} in the format of the file, and it is converted.",
    )


def _unit_of(channel: Channel, written: Mapping[str, Mapping[str, object]]) -> str:
    return str(written.get(channel.name, {}).get("unit", channel.unit))


def _is_plain(channel: Channel, written: Mapping[str, Mapping[str, object]]) -> bool:
    """True where the numbers of the column are already in the unit that the profile names."""
    curve = channel.calibration.curve
    if not isinstance(curve, GainOffset):
        return False
    line = scale_to_bench(channel.quantity, _unit_of(channel, written))
    return bool(np.isclose(curve.gain, line.factor, rtol=1e-12) and np.isclose(curve.offset, line.offset, rtol=1e-12))


def _measures(quantity: Quantity, unit: str) -> bool:
    try:
        scale_to_bench(quantity, unit)
    except UsageError:
        return False
    return True


def _same(quantity: Quantity, one: str, other: str) -> bool:
    if one == other:
        return True
    if not (_measures(quantity, one) and _measures(quantity, other)):
        return False
    return scale_to_bench(quantity, one) == scale_to_bench(quantity, other)


def _line(quantity: Quantity, unit: str, to_unit: str, where: str) -> Scale:
    one, other = scale_to_bench(quantity, unit, where=where), scale_to_bench(quantity, to_unit, where=where)
    return Scale(one.factor / other.factor, (one.offset - other.offset) / other.factor)
