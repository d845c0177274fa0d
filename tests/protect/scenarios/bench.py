"""The simulated stand on a simulated cable, with a clock of its own: what the recorder's loop does, without waiting.

Bytes of the device go through the adapter, the real decoder, the channel map and protection; commands go back. Nothing
but the time and the cable is simulated here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import numpy as np
import numpy.typing as npt

from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.samples import Reply, Rows
from benchkit.model.stand import Stand
from benchkit.protect.outcomes import Command, Happened, Outcome
from benchkit.protect.protection import Protection
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load

SOURCE = "rack"
MS = 1_000_000
PACKET_BYTES = 62
"""What a common adapter sends at once; a smaller rest waits for its latency timer. Common practice, no source."""
LATENCY_MS = 16
TURN_MS = 5
"""The recorder looks at the time as often as this when no bytes come."""
STALL_PROBABILITY = 0.002
LONGEST_STALL_MS = 12
DISK_EVERY_MS = 1000


class Adapter:
    """Bytes between device and host: full packets at once, the rest when the latency timer has run out."""

    def __init__(self) -> None:
        self._waiting = b""
        self._since_ms = 0

    def put(self, data: bytes, now_ms: int) -> None:
        if not self._waiting:
            self._since_ms = now_ms
        self._waiting += data

    def take(self, now_ms: int) -> bytes:
        """What has crossed by now."""
        whole = len(self._waiting) // PACKET_BYTES * PACKET_BYTES
        if now_ms - self._since_ms >= LATENCY_MS:
            whole = len(self._waiting)
        out, self._waiting = self._waiting[:whole], self._waiting[whole:]
        if out:
            self._since_ms = now_ms
        return out

    def clear(self) -> None:
        self._waiting = b""


@dataclass(frozen=True, slots=True)
class Told:
    """An outcome, the host time of the call that gave it, and how many rows had been handed in before that call."""

    outcome: Outcome
    now_ns: int
    rows_before: int
    call: int


@dataclass(slots=True)
class Record:
    """What went into protection and what came out."""

    start_ns: int
    arrival_ns: list[int] = field(default_factory=list)
    values: list[npt.NDArray[np.float64]] = field(default_factory=list)
    lost: list[tuple[int, int]] = field(default_factory=list)
    """Host time of each loss, and how many rows had been handed in."""
    told: list[Told] = field(default_factory=list)
    looks_ns: list[int] = field(default_factory=list)
    """Host times at which protection was told the time."""
    end_ns: int = 0

    def happened(self, kind: EventKind) -> list[Told]:
        return [t for t in self.told if isinstance(t.outcome, Happened) and t.outcome.kind is kind]

    @property
    def commands(self) -> list[Command]:
        return [t.outcome for t in self.told if isinstance(t.outcome, Command)]


class Bench:
    """One stand that runs at a load point: warm, the shaft turning, before the first line comes.

    ``time_scale`` is device seconds per host second: thermal faults take minutes.
    """

    def __init__(
        self,
        stand: Stand,
        load: Load,
        seed: int,
        *,
        rate_hz: int,
        time_scale: float = 1.0,
        speed_rpm: float = 0.0,
        torque_nm: float = 0.0,
        inlet_c: float = 40.0,
        temps: dict[str, float] | None = None,
    ) -> None:
        self.stand = stand
        self.device = Device(stand, load, seed, time_scale / rate_hz)
        self._random = Random(seed + 104_729)
        self._period_ns = 1_000_000_000 // rate_hz
        self._warm(speed_rpm, torque_nm, inlet_c, temps or {})
        self._now_ms = self._random.randrange(1_000_000)
        start_ns = self._now_ms * MS
        self._next_line_ns = start_ns + self._random.randrange(self._period_ns)
        self._spec = stand.sources[SOURCE]
        self._decoder = decoder_for(self._spec, joined_midway=True)
        self._map = ChannelMap(stand.channels_of(SOURCE), self._decoder.columns)
        self._adapter = Adapter()
        self._stalled_until_ms = self._next_disk_ms = 0
        self._is_silent = self._is_out = False
        self._is_disk_full = False
        self._calls = 0
        self.protection = Protection(stand, start_ns)
        self.protection.source_opened(SOURCE, start_ns)
        self.record = Record(start_ns)

    def _warm(self, speed_rpm: float, torque_nm: float, inlet_c: float, temps: dict[str, float]) -> None:
        for text in [f"coolant {inlet_c:g}", *([f"set speed {speed_rpm:.1f}"] if speed_rpm else [])]:
            self.do(text)
        if torque_nm:
            self.do(f"set torque {torque_nm:.1f}")
        plant = self.device.plant
        while abs(plant.state.speed_rpm - speed_rpm) > 0.5 or abs(plant.state.torque_nm - torque_nm) > 0.5:
            plant.step(0.05)
            if plant.propeller is not None and abs(plant.state.speed_rpm - speed_rpm) <= 0.5:
                break
        for name, value in temps.items():
            setattr(plant.temps, name, value)

    # ------------------------------------------------------------------ what a scenario may do

    @property
    def now_ns(self) -> int:
        return self._now_ms * MS

    def do(self, text: str) -> None:
        """A command to the device that does not come over the link."""
        refusal = self.device.command(text)
        assert refusal is None, f"{text}: {refusal}"

    def operator(self, text: str) -> None:
        """A set point that the recorder sends; it does so while the stand runs."""
        if self.protection.state is State.RUNNING:
            self._send(text)

    def request(self, trigger: Trigger) -> None:
        self._act(lambda: self.protection.request(trigger, self.now_ns, "N. N."))

    def silence(self, is_silent: bool) -> None:
        """The cable between device and adapter: the port of the adapter stays open."""
        self._is_silent = is_silent

    def pull(self) -> None:
        """The cable between adapter and host: the port is gone, and the recorder is told so."""
        self._is_out = True
        self._adapter.clear()
        self.record.lost.append((self.now_ns, len(self.record.arrival_ns)))
        self._act(lambda: self.protection.source_lost(SOURCE, self.now_ns, "the port is gone"))

    def plug_in(self) -> None:
        self._is_out = False
        self._decoder = decoder_for(self._spec, joined_midway=True)
        self._act(lambda: self.protection.source_back(SOURCE, self.now_ns))

    def fill_disk(self) -> None:
        """The disk is full: the recording has a fault, and the recorder asks for the orderly stop."""
        self._is_disk_full = True
        self._watch_disk()
        if self.protection.state is State.RUNNING:
            self.request(Trigger.STOP)

    # ------------------------------------------------------------------ the loop

    def run(self, seconds: float) -> None:
        """Let host time pass."""
        for _ in range(round(seconds * 1000)):
            self._now_ms += 1
            self._turn()
        self.record.end_ns = self.now_ns
        self._tick()

    def _turn(self) -> None:
        now_ms = self._now_ms
        while self._next_line_ns <= self.now_ns:
            self._next_line_ns += self._period_ns
            line = self.device.tick()
            if not (self._is_silent or self._is_out):
                self._adapter.put(line, now_ms)
        if now_ms < self._stalled_until_ms:
            return
        if self._random.random() < STALL_PROBABILITY:
            self._stalled_until_ms = now_ms + self._random.randint(1, LONGEST_STALL_MS)
            return
        if data := self._adapter.take(now_ms):
            self._receive(data)
            self._tick()
        elif now_ms % TURN_MS == 0:
            self._tick()
        if now_ms >= self._next_disk_ms:
            self._next_disk_ms = now_ms + DISK_EVERY_MS
            self._watch_disk()

    def _receive(self, data: bytes) -> None:
        now_ns, record = self.now_ns, self.record
        self._decoder.feed(data, now_ns)
        while (event := self._decoder.next_event()) is not None:
            if isinstance(event, Rows):
                values, arrival_ns = self._map.calibrate(event.values), event.arrival_ns
                self._act(lambda a=arrival_ns, v=values: self.protection.feed(SOURCE, a, v, now_ns))  # type: ignore[misc]
                record.arrival_ns += arrival_ns.tolist()
                record.values += list(values)
            elif isinstance(event, Reply):
                self._act(lambda text=event.text: self.protection.reply(SOURCE, text, now_ns))  # type: ignore[misc]

    def _tick(self) -> None:
        self.record.looks_ns.append(self.now_ns)
        self._act(lambda: self.protection.tick(self.now_ns))

    def _watch_disk(self) -> None:
        for name in ("disk space", "recording"):
            self._act(lambda n=name: self.protection.set_permissive(n, not self._is_disk_full, self.now_ns))  # type: ignore[misc]

    def _act(self, call) -> None:  # type: ignore[no-untyped-def]
        """As the recorder: commands go out before anything is told."""
        self._calls += 1
        rows, number = len(self.record.arrival_ns), self._calls
        for outcome in call():
            self.record.told.append(Told(outcome, self.now_ns, rows, number))
            if isinstance(outcome, Command) and self._send(outcome.text):
                self.protection.written(outcome, self.now_ns)

    def _send(self, text: str) -> bool:
        if self._is_out:
            return False
        if not self._is_silent:
            self._adapter.put(self.device.receive(text.encode() + b"\n"), self._now_ms)
        return True
