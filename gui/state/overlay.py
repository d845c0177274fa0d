"""Several recorded runs on one axis of time, each shifted so that the same event stands at zero in all of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchkit.model.events import EventKind
from benchkit.model.interlock import State
from benchkit.model.stand import Channel
from gui.state import theme
from gui.state.recorded import RecordedModel, load_recorded
from gui.state.theme import LineStyle
from gui.state.wording import clock_tenths

FloatArray = npt.NDArray[np.float64]
MOST_RUNS = 5
"""So many runs can be told apart by colour and dashes."""
MOST_PLOTS = 6
BY_START, BY_RUNNING, BY_TRIP, BY_STOP = "start of the run", "first RUNNING", "first trip", "first stop commanded"
_MARK = "mark: "


@dataclass(frozen=True, slots=True)
class Shown:
    """One run of the overlay; ``zero_s`` is where its event is in its own time, NaN where it has none."""

    name: str
    about: str
    style: LineStyle
    zero_s: float

    @property
    def text(self) -> str:
        """What was run, its name, and where zero is."""
        at = "has no such event" if math.isnan(self.zero_s) else f"zero at {clock_tenths(self.zero_s)}"
        return f"{self.about}\n{self.name}\n{at}"


class Overlay:
    """Open runs; ``close`` lets go of their files."""

    def __init__(self, models: Sequence[RecordedModel]) -> None:
        self.models = tuple(models)
        self.by = BY_RUNNING if BY_RUNNING in self.events() else BY_START

    def close(self) -> None:
        """Let go of the run files."""
        for model in self.models:
            model.close()

    def events(self) -> tuple[str, ...]:
        """Events by which runs can be aligned: those that two runs or more have, and the start."""
        found = [BY_START]
        for by in (BY_RUNNING, BY_TRIP, BY_STOP, *self._marks()):
            if sum(not math.isnan(_place(model, by)) for model in self.models) >= min(2, len(self.models)):
                found.append(by)
        return tuple(found)

    def runs(self) -> tuple[Shown, ...]:
        """The runs with their lines."""
        return tuple(
            Shown(
                model.header.run_id,
                f"{model.stand.motor.id}, firmware {model.stand.inverter.firmware_revision}",
                style,
                _place(model, self.by),
            )
            for model, style in zip(self.models, theme.LINES, strict=False)
        )

    def channels(self) -> tuple[Channel, ...]:
        """Channels that any of the runs has, in the order of the stands."""
        found: dict[str, Channel] = {}
        for model in self.models:
            recorded = {name for traces in model.traces for name in traces.channels}
            found |= {n: c for n, c in model.stand.channels.items() if n in recorded and n not in found}
        return tuple(found.values())

    def extent(self) -> tuple[float, float]:
        """From the earliest to the latest sample of all runs, zero at the event [s]."""
        ends = [
            (model.start_s - run.zero_s, model.end_s - run.zero_s)
            for model, run in zip(self.models, self.runs(), strict=True)
            if not math.isnan(run.zero_s)
        ]
        return min((a for a, _ in ends), default=0.0), max((b for _, b in ends), default=1.0)

    def view(
        self, channel: str, start_s: float, end_s: float, pixels: int
    ) -> Mapping[int, tuple[FloatArray, FloatArray]]:
        """Points to draw by number of the run, x with zero at the event: none of runs without event or channel."""
        out = {}
        for i, (model, run) in enumerate(zip(self.models, self.runs(), strict=True)):
            if math.isnan(run.zero_s):
                continue
            points = model.view([channel], start_s + run.zero_s, end_s + run.zero_s, pixels).get(channel)
            if points is not None:
                out[i] = (points[0] - run.zero_s, points[1])
        return out

    def _marks(self) -> list[str]:
        texts = [line.message for m in self.models for line in m.log.lines if line.kind is EventKind.MARK]
        return [f"{_MARK}{text}" for text in dict.fromkeys(texts)][:40]


def load_overlay(paths: Sequence[Path]) -> Overlay:
    """Open runs for an overlay.

    Raises:
        BenchkitError: one cannot be opened; the others are let go of.
    """
    models: list[RecordedModel] = []
    try:
        for path in paths[:MOST_RUNS]:
            models.append(load_recorded(path))
    except BaseException:
        for model in models:
            model.close()
        raise
    return Overlay(models)


def first_channels(overlay: Overlay) -> tuple[str, ...]:
    """What is shown at first: channels of the roles that say most, as far as there are any."""
    stand = overlay.models[0].stand
    have = {channel.name for channel in overlay.channels()}
    wanted = [stand.roles[role] for role in stand.roles if stand.roles[role] in have]
    limited = [limit.channel for limit in stand.limit_set.limits if limit.channel in have]
    order = ("speed", "torque", "dc_current", "winding_temp", "thrust")
    wanted.sort(key=lambda name: next((i for i, word in enumerate(order) if word in name), len(order)))
    return tuple(dict.fromkeys([*wanted, *limited]))[:4]


def _place(model: RecordedModel, by: str) -> float:
    """Where the event is in the time of the run [s]; NaN where it has none."""
    if by == BY_START:
        return model.start_s
    for line in model.log.lines:
        if by == BY_RUNNING and line.kind is EventKind.STATE and model.log.state_at(line.time_s) == State.RUNNING.value:
            return line.time_s
        if by == BY_TRIP and line.kind is EventKind.TRIP:
            return line.time_s
        if by == BY_STOP and line.kind is EventKind.STOP_COMMANDED:
            return line.time_s
        if by.startswith(_MARK) and line.kind is EventKind.MARK and line.message == by.removeprefix(_MARK):
            return line.time_s
    return math.nan
