"""Predicted times to the limits for the status message: one channel a turn, so that no turn of the loop pays for all.

A fit of a temperature takes about half a millisecond; with 24 channels and thirty turns a second each prediction is at
most a second old.
"""

from __future__ import annotations

import math
from itertools import cycle

from benchkit.protect.margins import NOT_IN_A_BAR
from benchkit.protect.protection import Protection
from benchkit.session.protection_status import Prediction
from benchkit.session.thermal_watch import ThermalWatch


class Forecast:
    """The last prediction of every channel that has a limit it can approach.

    A thermal model of the profile that matches knows where its channel goes better than the course so far does: its
    time stands in place of that, unless the channel is beyond the limit already or meets another limit sooner.
    """

    def __init__(self, protection: Protection, thermal: ThermalWatch | None = None) -> None:
        self._protection = protection
        self._thermal = thermal
        limited = dict.fromkeys(x.channel for x in protection.limits if x.kind not in NOT_IN_A_BAR)
        self._turns = cycle(limited)
        self._known: dict[str, Prediction] = {}

    def turn(self, now_ns: int) -> tuple[Prediction, ...]:
        """Predict for the next channel at ``now_ns``; return what is known of all."""
        name = next(self._turns, None)
        if name is not None:
            for one in self._protection.margins(now_ns, (name,)):
                self._known[name] = Prediction(name, one.limit, one.time_to_limit_s)
        if self._thermal is None:
            return tuple(self._known.values())
        told = {one.channel: one for one in self._thermal.predictions(now_ns)}
        return tuple(_better(one, told.get(one.channel)) for one in self._known.values())


def _better(known: Prediction, by_model: Prediction | None) -> Prediction:
    if by_model is None or known.time_to_limit_s == 0.0:
        return known
    if known.limit == by_model.limit or math.isnan(known.time_to_limit_s):
        return by_model
    return known if known.time_to_limit_s < by_model.time_to_limit_s else by_model
