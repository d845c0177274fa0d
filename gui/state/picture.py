"""What the panels show of a moment, and the contract that live and recorded models both keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchkit.model.stand import Stand
from gui.state.events import EventLog
from gui.state.headline import Headline
from gui.state.margins import Margin
from gui.state.power import PowerPath

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Moment:
    """Values of one moment. ``stale`` names channels whose value is old; ``age_s`` is how old the oldest is."""

    values: Mapping[str, float]
    stale: frozenset[str]
    age_s: float
    margins: tuple[Margin, ...]
    power: PowerPath

    @property
    def is_power_stale(self) -> bool:
        """True where any of the values behind the power path may be old."""
        return bool(self.stale)


class Model(Protocol):
    """A live stand or a recorded run, as the panels see it."""

    @property
    def stand(self) -> Stand:
        """Profile of the stand."""
        ...

    @property
    def log(self) -> EventLog:
        """Events."""
        ...

    def headline(self, now_s: float) -> Headline:
        """The state line."""
        ...

    def moment(self, now_s: float) -> Moment:
        """Values, margins and powers."""
        ...

    def view(
        self, names: Sequence[str], start_s: float, end_s: float, pixels: int
    ) -> Mapping[str, tuple[FloatArray, FloatArray]]:
        """Points to draw per channel: x (m,) and y (m,)."""
        ...
