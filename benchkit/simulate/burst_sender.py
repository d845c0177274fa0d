"""The simulated burst instrument: a process that sends packets over UDP without pause, paced by the clock.

It is fed with the operating point of the simulated stand over a pipe, a line of JSON some twenty times a second, and
ends when the pipe ends. Bursts run in real time whatever the time factor of the stand.
"""

from __future__ import annotations

import contextlib
import json
import pickle
import queue
import socket
import subprocess
import sys
import threading
import time
from dataclasses import asdict, dataclass
from typing import BinaryIO, Literal

from benchkit.errors import UsageError
from benchkit.model.bursts import BurstSource
from benchkit.model.stand import Stand
from benchkit.simulate.drives import drive_of
from benchkit.simulate.plant import Plant
from benchkit.simulate.pmsm import magnet_flux
from benchkit.simulate.pwm import MOST_ROWS, PwmDrive, PwmState, PwmWaves

BLOCK_S = 0.01
PACKET_BYTES = 8000
TELL_EVERY_S = 0.05
DEAD_TIME_S = 2.5e-6
LONGEST_LAG_S = 0.2
"""Further behind than this, samples are left out, and their numbers with them."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the sending process is started with."""

    source: BurstSource
    drive: PwmDrive
    host: str
    port: int
    seed: int
    drop_every: int = 0
    """Every so many packets one is not sent, for trials of the counting; 0: all are sent."""
    is_repeating: bool = False
    """One second is made for each operating point, and sent again and again: an instrument takes no part of this
    computer."""


def instrument_of(stand: Stand, address: str, seed: int) -> Instrument:
    """The first burst source of a stand that takes packets, sent to ``address``.

    Raises:
        UsageError: the stand has none, or the address is not host:port.
    """
    source = next((s for s in stand.bursts.values() if s.packet is not None), None)
    if source is None:
        raise UsageError("no burst source that takes packets", where=stand.name, remedy="Declare one: [bursts.NAME].")
    host, _, port = address.rpartition(":")
    if not host or not port.isdigit():
        raise UsageError("not an address", where="--bursts", got=address, expected="HOST:PORT")
    drive = drive_of(stand)
    motor = drive.motor
    return Instrument(
        source=source,
        drive=PwmDrive(
            pole_pairs=motor.pole_pairs,
            inductance_h=motor.inductance_h,
            resistance_ohm=motor.resistance_20_ohm,
            flux_wb=magnet_flux(motor, 60.0),
            link_capacitance_f=drive.supply.link_capacitance_f,
            switching_frequency_hz=stand.inverter.switching_frequency_hz,
            dead_time_s=DEAD_TIME_S,
        ),
        host=host.strip("[]"),
        port=int(port),
        seed=seed,
    )


def state_of(plant: Plant) -> PwmState:
    """The operating point of the plant, as the bursts need it."""
    s = plant.state
    return PwmState(s.speed_rpm, s.torque_nm, s.i_d_a, s.i_q_a, s.dc_voltage_v, s.dc_current_a, plant.gates_are_off)


class BurstFeed:
    """The sending process as seen from the simulated stand."""

    def __init__(self, instrument: Instrument) -> None:
        command = [sys.executable, "-c", "from benchkit.simulate.burst_sender import main; main()"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=sys.platform != "win32")
        self._next_s = 0.0
        assert self._process.stdin is not None
        self._pipe = self._process.stdin
        pickle.dump(instrument, self._pipe)
        self._pipe.flush()

    def tell(self, plant: Plant, now_s: float) -> None:
        """Tell the operating point where it is time to."""
        if now_s >= self._next_s:
            self._next_s = now_s + TELL_EVERY_S
            self.set(state_of(plant))

    def set(self, state: PwmState) -> None:
        """Tell an operating point; a sender that has ended is left alone."""
        try:
            self._pipe.write(json.dumps(asdict(state)).encode() + b"\n")
            self._pipe.flush()
        except OSError:
            self._next_s = float("inf")

    def close(self) -> None:
        """End the sender."""
        self._process.terminate()
        self._process.wait()
        with contextlib.suppress(OSError):
            self._pipe.close()


def send(pipe: BinaryIO) -> None:
    """Send until the pipe ends."""
    instrument: Instrument = pickle.load(pipe)  # noqa: S301  our own parent
    states: queue.SimpleQueue[PwmState | None] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(pipe, states), name="benchkit-burst-states", daemon=True).start()
    source, packet = instrument.source, instrument.source.packet
    assert packet is not None
    waves = PwmWaves(source, instrument.drive, instrument.seed)
    rows = min(MOST_ROWS, max(1, round(BLOCK_S * source.sample_rate_hz)))
    each = max(1, PACKET_BYTES // source.frame_bytes)
    order: Literal["big", "little"] = "big" if packet.is_big_endian else "little"
    counter, sent, modulus = (instrument.seed * 40_503) % 1_000_000, 0, 1 << (8 * packet.counter_bytes)
    state = PwmState()
    kept: list[bytes] = []
    family = socket.AF_INET6 if ":" in instrument.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as out:
        start, made = time.perf_counter(), 0
        while True:
            while not states.empty():
                told = states.get()
                if told is None:
                    return
                state, kept = told, []
            behind_s = time.perf_counter() - start - made / source.sample_rate_hz
            if behind_s > LONGEST_LAG_S:  # an instrument does not wait for the computer: what it could not send is gone
                gone = rows * round(behind_s / BLOCK_S)
                waves.skip(gone, state)
                counter, made = (counter + gone) % modulus, made + gone
            if instrument.is_repeating:
                if not kept:
                    kept = [waves.block(rows, state).tobytes() for _ in range(round(1.0 / BLOCK_S))]
                block = kept[made // rows % len(kept)]
            else:
                block = waves.block(rows, state).tobytes()
            for first in range(0, len(block), each * source.frame_bytes):
                part = block[first : first + each * source.frame_bytes]
                head = packet.sync + counter.to_bytes(packet.counter_bytes, order)
                counter = (counter + len(part) // source.frame_bytes) % modulus
                sent += 1
                if not instrument.drop_every or sent % instrument.drop_every:
                    _send_one(out, head + part, (instrument.host, instrument.port))
                made += len(part) // source.frame_bytes
                wait = start + made / source.sample_rate_hz - time.perf_counter()
                if wait > 0.001:
                    time.sleep(wait)


def _send_one(out: socket.socket, data: bytes, to: tuple[str, int]) -> None:
    with contextlib.suppress(OSError):  # nobody listens: an instrument does not mind
        out.sendto(data, to)


def _read(pipe: BinaryIO, states: queue.SimpleQueue[PwmState | None]) -> None:
    for line in iter(pipe.readline, b""):
        states.put(PwmState(**json.loads(line)))
    states.put(None)


def main() -> None:
    """The process: instrument and operating points on standard input."""
    send(sys.stdin.buffer)
