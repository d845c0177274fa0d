"""A simulated stand with protection and a plan in one process, faster than real time, its truth kept beside it.

Rows are what the plant says with the white noise of the simulated sensors on it; commands go to the device as lines.
What is true is taken from the plant itself, which nothing of the plan sees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil
from pathlib import Path

import numpy as np

from benchkit.model.events import EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.model.plans import Plan
from benchkit.model.samples import FloatArray
from benchkit.model.stand import Stand
from benchkit.plans.table import Phase
from benchkit.protect.outcomes import Command, Outcome
from benchkit.protect.protection import Protection
from benchkit.runfile.layout import Block
from benchkit.runfile.plan_journal import PlanJournal, plan_journal_path
from benchkit.session.plan_runner import PlanRunner
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load
from benchkit.simulate.sensors import COLUMNS, SENSORS, signals

FACTOR = 60.0
ROWS = 12


class Bench:
    """``step`` is one look of the recorder: ``ROWS`` rows of ``step_s``. ``truth`` grows by a row each:
    time, speed [rpm], torque [N·m], winding temperature [°C]."""

    def __init__(
        self,
        stand: Stand,
        plan: Plan,
        folder: Path,
        *,
        load: Load = Load.MACHINE,
        seed: int = 1,
        step_s: float = 0.05,
        factor: float = FACTOR,
        device: Device | None = None,
        start_ns: int = 0,
        rows: int = ROWS,
    ) -> None:
        self.stand, self.plan, self.rows = stand, plan, rows
        self.device = device or Device(stand, load, seed, step_s)
        self._step_s, self._dt_ns = step_s, ceil(step_s / factor * 1e9)
        self.source = next(iter(stand.sources))
        channels = stand.channels_of(self.source)
        self._places = [COLUMNS.index(channel.column) for channel in channels]
        self._noise = np.array([SENSORS[channel.column].white for channel in channels])
        self._rng = np.random.default_rng(seed)
        self.now_ns = start_ns
        self.protection = Protection(stand, start_ns)
        self.journal = PlanJournal(plan_journal_path(folder, plan.name, plan.sha256))
        self.sent: list[tuple[int, State, str, float]] = []
        """Host time, state of the interlock, axis and value of every set-point."""
        self.events: list[tuple[EventKind, str, Mapping[str, JsonValue]]] = []
        self.truth: list[tuple[float, float, float, float]] = []
        self.runner = PlanRunner(plan, stand, self.journal, "run", self.protection, self, self._is_fresh)
        self.silent = False
        self.takes_set_points = True
        self._last_row_ns = start_ns

    # -- hands

    def send_set_point(self, source: str, text: str, data: Mapping[str, JsonValue]) -> bool:
        del source
        if not self.takes_set_points:
            return False
        assert isinstance(data["value"], int | float)
        self.sent.append((self.now_ns, self.protection.state, str(data["name"]), data["value"]))
        self._to_device(text)
        return True

    def ask_protection(self, outcomes: Sequence[Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Command):
                self.protection.written(outcome, self.now_ns)
                self._to_device(outcome.text)

    def note(self, kind: EventKind, message: str, data: Mapping[str, JsonValue] | None = None) -> None:
        self.events.append((kind, message, data or {}))

    def _to_device(self, text: str) -> None:
        for line in self.device.receive(text.encode() + b"\n").decode().splitlines():
            self.ask_protection(self.protection.reply(self.source, line.removeprefix(">"), self.now_ns))

    def _is_fresh(self, source: str) -> bool:
        return self.now_ns - self._last_row_ns <= self.stand.sources[source].stale_after_s * 1e9

    # -- time

    def step(self) -> None:
        """One look."""
        if self.silent:
            self.now_ns += self.rows * self._dt_ns
        else:
            self._read()
        self.ask_protection(self.protection.tick(self.now_ns))
        self.runner.turn(self.now_ns)

    def _read(self) -> None:
        raw, times = [], []
        plant = self.device.plant
        for _ in range(self.rows):
            plant.step(self._step_s)
            self.now_ns += self._dt_ns
            raw.append(signals(plant))
            times.append(self.now_ns)
            s = plant.state
            self.truth.append((s.time_s, s.speed_rpm, s.torque_nm, plant.temps.winding_c))
        values = np.array(raw)[:, self._places]
        values = values + self._noise * self._rng.standard_normal(values.shape)
        arrival_ns = np.array(times, dtype=np.int64)
        self._last_row_ns = times[-1]
        self.ask_protection(self.protection.feed(self.source, arrival_ns, values, self.now_ns))
        stream_s = np.array([row[0] for row in self.truth[-self.rows :]])
        host_s = np.asarray(arrival_ns * 1e-9, dtype=np.float64)
        nothing = np.full(self.rows, np.nan)
        self.runner.add(
            self.source,
            Block(
                time_s=stream_s, arrival_s=host_s, device_time_s=stream_s, counter=nothing, values=values, raw=values
            ),
        )

    # -- a person

    def start(self, who: str = "Ottilie") -> None:
        """Reset where it must be, permissives, arm, start; refused where that is not possible within some looks."""
        for _ in range(100):
            if self.protection.state is State.TRIPPED:
                if not self.protection.standing_causes and not self.protection.unacknowledged_stops:
                    self.ask_protection(self.protection.request(Trigger.RESET, self.now_ns, who))
            elif self.protection.state in (State.READY, State.RUNNING):
                break
            self.step()
        if self.protection.state is State.RUNNING:
            return
        for trigger in (Trigger.ARM, Trigger.START):
            self.ask_protection(self.protection.request(trigger, self.now_ns, who))

    def begin(self, who: str = "Ottilie") -> None:
        """Begin, or go on."""
        if self.protection.state is not State.RUNNING:
            self.start(who)
        self.runner.begin(self.now_ns, who)

    def run(self, most_s: float, *, acknowledges: bool = True) -> None:
        """Until the plan is over or held, at most ``most_s`` of the stand."""
        until_ns = self.now_ns + most_s / self._step_s * self._dt_ns
        while self.runner.progress.is_under_way and self.now_ns < until_ns:
            if acknowledges and self.now_ns * 1e-9 - self.runner.progress.acknowledged_host_s > 1.0:
                self.runner.acknowledge(self.now_ns, "Ottilie")
            self.step()

    @property
    def phase(self) -> Phase:
        return self.runner.progress.phase

    def true_rows(self) -> FloatArray:
        """The truth so far (n, 4)."""
        return np.array(self.truth)

    def close(self) -> None:
        """The recording ends in order."""
        self.runner.close(self.now_ns)
