"""Thermal models of the profile, run beside the measurement while it is recorded.

Each takes one step for the rows of a turn, at their mean: some 50 us however fast the rows come, in the turn in which
dashboards are served and behind everything that protects. It gives times to a limit and an event; it trips nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from benchkit.analysis.thermal.live import (
    LONGEST_STEP_S,
    LiveModel,
    LiveState,
    allowed_k,
    live_model,
    start,
    step,
    time_to_limit_s,
)
from benchkit.analysis.thermal.networks import Foster
from benchkit.model.events import Event, EventKind
from benchkit.model.samples import FloatArray
from benchkit.model.stand import Stand
from benchkit.model.thermal_models import LossByCurrent, ThermalModel
from benchkit.runfile.layout import Block
from benchkit.session.protection_status import Prediction

START_KNOWN_K = 3.0
"""No time is told while the unknown start of a part that was warm may still shift its estimate by more."""
OVER_S = 10.0
"""A model that has matched again for so long [host time] is one that matches."""
AGAIN_S = 60.0
"""That it does not is told at most so often."""
STALE_NS = 2_000_000_000
"""Older rows predict nothing."""


class ThermalWatch:
    """All models of a stand. ``add`` blocks as they are published; ``predictions`` and ``look`` at any time.

    ``columns`` are the channels of each source, ``time_factor`` seconds of sample time in one of the host.
    """

    def __init__(
        self, stand: Stand, columns: Mapping[str, tuple[str, ...]], start_ns: int, time_factor: float = 1.0
    ) -> None:
        limits = {limit.name: limit.set_point for limit in stand.limit_set.limits}
        self._start_ns, self._pace = start_ns, time_factor
        self._models = [
            _Running(model, columns[model.source], limits[model.limit])
            for model in stand.thermal_models.values()
            if model.source in columns and model.limit in limits
        ]

    def add(self, source: str, block: Block) -> None:
        """Rows of a source with their sample times."""
        for one in self._models:
            if one.spec.source == source and len(block):
                one.add(block)

    def move_limit(self, name: str, set_point: float) -> None:
        """The set point of a limit that a model looks at was moved."""
        for one in self._models:
            if one.spec.limit == name:
                one.limit_c = set_point

    def predictions(self, now_ns: int) -> tuple[Prediction, ...]:
        """Time to its limit of every model that matches, in host time; NaN where it is not reached."""
        found = []
        for one in self._models:
            if one.is_trusted and now_ns - self._start_ns - round(one.arrival_s * 1e9) <= STALE_NS:
                seconds = one.time_to_limit_s() / self._pace
                found.append(Prediction(one.spec.channel, one.spec.limit, seconds, one.spec.name))
        return tuple(found)

    def look(self, now_s: float) -> Iterator[Event]:
        """Events of models that no longer match, and of those that do again; ``now_s`` is host time of the run."""
        for one in self._models:
            event = one.look(now_s)
            if event is not None:
                yield event


class _Running:
    """One model with its state."""

    def __init__(self, spec: ThermalModel, columns: tuple[str, ...], limit_c: float) -> None:
        self.spec, self.limit_c = spec, limit_c
        foster = Foster(np.array(spec.resistance_k_w), np.array(spec.tau_s))
        self._live = live_model(foster, sd_k=spec.scatter_k, memory_s=spec.memory_s, u_k=spec.u_k)
        self._places = [columns.index(name) for name in (spec.channel, spec.reference, spec.loss.channel)]
        self._state: LiveState | None = None
        self._began = (0.0, 0.0)
        """Time of the start, and the rise that had to be laid on the lags without knowing how."""
        self._input = math.nan
        self.arrival_s = -math.inf
        self._off_since: float | None = None
        self._off_seen = self._told_s = -math.inf

    def add(self, block: Block) -> None:
        """One step to the mean time of the block; rows without reference or load count as not there."""
        values = block.values[:, self._places]
        by_current = isinstance(self.spec.loss, LossByCurrent)
        load = values[:, 2] ** 2 if by_current else values[:, 2]
        good = np.isfinite(values[:, 1]) & np.isfinite(load)
        if not good.any():
            return
        time_s = float(np.mean(block.time_s[good]))
        reference, measured = float(np.mean(values[good, 1])), _mean(values[good, 0])
        self._input, self.arrival_s = float(np.mean(load[good])), float(block.arrival_s[-1])
        state = self._state
        if state is None or math.isnan(state.temp_c) or not -LONGEST_STEP_S <= time_s - state.time_s <= LONGEST_STEP_S:
            self._begin(time_s, measured, reference)
        elif time_s > state.time_s:
            loss = self._loss_w(state.temp_c)
            self._state = step(self._at(time_s), state, time_s, loss, reference, measured)

    def _begin(self, time_s: float, measured: float, reference: float) -> None:
        """Start from a reading; without one there is nothing to start from."""
        self._state = None
        if math.isfinite(measured):
            self._began = (time_s, abs(measured - reference))
            self._state = start(self._live, time_s, measured, reference, self._loss_w(measured))

    def _loss_w(self, temp_c: float) -> float:
        loss = self.spec.loss
        return loss.loss_w(self._input, temp_c) if isinstance(loss, LossByCurrent) else self._input

    def _start_k(self, time_s: float) -> float:
        """Most that a wrong start can still shift the estimate [K]: ``|rise| exp(-t/tau_slowest)`` (1).

        The rise at the start is known, not how the lags share it; what one has too much another has too little.
        """
        began_s, rise = self._began
        return rise * math.exp(-(time_s - began_s) / self._live.tau_s[-1]) if len(self._live.tau_s) > 1 else 0.0

    def _at(self, time_s: float) -> LiveModel:
        """The model with what the start adds to its uncertainty: (1) as the half-width of a rectangle."""
        return replace(self._live, u_k=math.hypot(self._live.u_k, self._start_k(time_s) / math.sqrt(3.0)))

    @property
    def is_trusted(self) -> bool:
        """Whether the innovation test has had time to judge, and says that the model matches."""
        state = self._state
        if state is None or not state.matches or self._off_since is not None:
            return False
        return state.weight >= 0.5 and self._start_k(state.time_s) <= START_KNOWN_K

    def time_to_limit_s(self) -> float:
        """Sample time to the limit at the present load.

        A loss that grows with temperature is taken as it is at the limit: whether the limit is reached is then exact,
        and the time is short rather than long.
        """
        assert self._state is not None
        return time_to_limit_s(self._live, replace(self._state, loss_w=self._loss_w(self.limit_c)), self.limit_c)

    def look(self, now_s: float) -> Event | None:
        """The event of a model that has just stopped matching, or matches again."""
        state, spec = self._state, self.spec
        if state is None or math.isnan(state.temp_c):
            return None
        data = {"code": "thermal_model_off", "severity": "caution"}
        if not state.matches:
            self._off_seen = now_s
            if self._off_since is None and now_s - self._told_s >= AGAIN_S:
                self._off_since = self._told_s = now_s
                difference = state.difference_k / max(state.weight, 1e-12)
                allowed = allowed_k(self._at(state.time_s))
                side = "above" if difference > 0.0 else "below"
                text = (
                    f"the thermal model {spec.name!r} no longer matches: {spec.channel} reads {abs(difference):.1f} K "
                    f"{side} it, {allowed:.1f} K are allowed. Sensor, cooling or loss is not what it was; the model "
                    "predicts nothing until it matches again."
                )
                return Event(now_s, EventKind.QUALITY, text, spec.source, spec.channel, data)
        elif self._off_since is not None and now_s - self._off_seen >= OVER_S:
            self._off_since = None
            text = f"the thermal model {spec.name!r} matches again"
            return Event(now_s, EventKind.QUALITY_OVER, text, spec.source, spec.channel, {"code": data["code"]})
        return None


def _mean(column: FloatArray) -> float:
    good = column[np.isfinite(column)]
    return float(np.mean(good)) if good.size else math.nan
