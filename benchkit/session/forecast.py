"""Predicted times to the limits for the status message: one channel a turn, so that no turn of the loop pays for all.

A fit of a temperature takes about half a millisecond; with 24 channels and thirty turns a second each prediction is at
most a second old.
"""

from __future__ import annotations

from itertools import cycle

from benchkit.protect.margins import NOT_IN_A_BAR
from benchkit.protect.protection import Protection
from benchkit.session.protection_status import Prediction


class Forecast:
    """The last prediction of every channel that has a limit it can approach."""

    def __init__(self, protection: Protection) -> None:
        self._protection = protection
        limited = dict.fromkeys(x.channel for x in protection.limits if x.kind not in NOT_IN_A_BAR)
        self._turns = cycle(limited)
        self._known: dict[str, Prediction] = {}

    def turn(self, now_ns: int) -> tuple[Prediction, ...]:
        """Predict for the next channel at ``now_ns``; return what is known of all."""
        name = next(self._turns, None)
        if name is not None:
            for one in self._protection.margins(now_ns, (name,)):
                self._known[name] = Prediction(name, one.limit, one.time_to_limit_s)
        return tuple(self._known.values())
