"""Two cursors on the trends: times, values, and differences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.model.stand import Channel
from gui.state.live import LiveModel
from gui.state.wording import NOT_MEASURED, clock_tenths, number

NAMES = ("A", "B")


@dataclass(frozen=True, slots=True)
class CursorRow:
    """One channel: its value at A, at B, and B less A."""

    label: str
    at_a: str
    at_b: str
    difference: str


@dataclass(slots=True)
class Cursors:
    """Where the two stand, in run time [s]; hidden until they are asked for."""

    times: list[float]
    are_shown: bool = False

    def place(self, start_s: float, end_s: float) -> None:
        """Put both into the view, at a third and at two thirds of it, where they are not in it."""
        for i, share in enumerate((1 / 3, 2 / 3)):
            if not start_s <= self.times[i] <= end_s:
                self.times[i] = start_s + share * (end_s - start_s)

    def step(self, which: int, share: float, start_s: float, end_s: float) -> None:
        """Move one by a share of the view, and keep it in there."""
        self.times[which] = min(max(self.times[which] + share * (end_s - start_s), start_s), end_s)

    def nearest(self, time_s: float) -> int:
        """The one that is nearer to a time."""
        return min((0, 1), key=lambda i: abs(self.times[i] - time_s))

    def lines(self) -> list[tuple[float, str]]:
        """What is drawn."""
        return list(zip(self.times, NAMES, strict=True)) if self.are_shown else []

    def head(self) -> str:
        """Both times and the time between them."""
        a, b = self.times
        return f"A {clock_tenths(a)} · B {clock_tenths(b)} · B − A {clock_tenths(b - a)}"


def cursor_rows(model: LiveModel, channels: Sequence[Channel], cursors: Cursors) -> tuple[CursorRow, ...]:
    """Values of some channels at the cursors. Where only least and greatest are still known, both are said."""
    rows = []
    for channel in channels:
        a, b = (model.at(channel.name, time_s) for time_s in cursors.times)
        step = 0.5 * (b[0] + b[1]) - 0.5 * (a[0] + a[1])
        difference = NOT_MEASURED if math.isnan(step) else number(step, channel.quantity)
        label = f"{channel.label}, {channel.unit}"
        rows.append(CursorRow(label, _range(a, channel), _range(b, channel), difference))
    return tuple(rows)


def _range(values: tuple[float, float], channel: Channel) -> str:
    low, high = (number(x, channel.quantity) for x in values)
    return low if low == high else f"{low} … {high}"
