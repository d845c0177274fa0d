"""Channels that are computed from other channels of the same source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchkit.model.expression import Node, evaluate
from benchkit.units import Scale

if TYPE_CHECKING:
    from benchkit.model.stand import Channel

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Derived:
    """The formula of a derived channel.

    ``expression`` is the text as written. ``inputs`` are the channels in it, ``to_si`` the line of each from its bench
    unit to the coherent SI unit; ``formula`` is in SI, and ``from_si`` takes its value to the bench unit of the result.
    """

    expression: str
    inputs: tuple[str, ...]
    formula: Node
    to_si: tuple[Scale, ...]
    from_si: Scale

    def apply(self, values: Mapping[str, FloatArray]) -> FloatArray:
        """Values (n,) in the bench unit of the result from ``values`` (n,) of all inputs in their bench units."""
        with np.errstate(all="ignore"):
            si = {name: _moved(values[name], line) for name, line in zip(self.inputs, self.to_si, strict=True)}
            result = _moved(evaluate(self.formula, si), self.from_si)
        return np.where(np.isinf(result), np.nan, result)


def fill_derived(channels: Sequence[Channel], values: FloatArray) -> None:
    """Compute the columns of the derived channels of ``values`` (n, channels) in place, from its other columns.

    A derived channel must stand behind its inputs, as in :attr:`benchkit.model.stand.Stand.channels`.
    """
    place = {channel.name: k for k, channel in enumerate(channels)}
    for k, channel in enumerate(channels):
        if channel.derived is not None:
            inputs = {name: values[:, place[name]] for name in channel.derived.inputs}
            values[:, k] = channel.derived.apply(inputs)


def _moved(values: FloatArray, line: Scale) -> FloatArray:
    # Contiguous arrays take the same vector code as any other block: equal bits live and after the run.
    moved: FloatArray = np.ascontiguousarray(values)
    if line.factor != 1.0:
        moved = moved * line.factor
    return moved + line.offset if line.offset != 0.0 else moved
