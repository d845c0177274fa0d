"""Faults of measurement and link on demand, as they are met on a bench. Off they cost nothing.

Faults of the plant itself (coolant loss, recirculation, runaway) are in the plant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from random import Random

from benchkit.model.calibration import GainOffset
from benchkit.simulate.sensors import Chain, scalar_inverse


class FaultName(StrEnum):
    """What can go wrong."""

    DROPOUT = "dropout"
    """Bursts of lines are missing; the counter goes on."""
    STUCK = "stuck"
    """One column keeps the text it had."""
    SPIKE = "spike"
    """Single wild values in one column."""
    COMMA = "comma"
    """One column is written with a decimal comma (a point where the comma is declared)."""
    ZERO_DRIFT = "zero_drift"
    """The zero of one column wanders off, 2 % of its range a minute of device time."""
    SENSOR_OPEN = "sensor_open"
    """One column reports *not measured*."""
    CORRUPT = "corrupt"
    """Bits are turned on the wire."""
    RECIRCULATION = "recirculation"
    """The jet of the propeller comes back: thrust falls as the inflow builds."""
    COOLANT_LOSS = "coolant_loss"
    """The coolant pump stops."""
    RUNAWAY = "runaway"
    """The speed control climbs whatever is set, a stop ramp included; without torque it cannot."""
    NAN_BURST = "nan_burst"
    """Bursts of *not measured* in one column: a loose plug."""
    LATE = "late"
    """Bursts of lines are held back and come all at once."""
    MUTE = "mute"
    """Commands are carried out, and not answered."""
    DEAF = "deaf"
    """Commands from the link are not heard."""


FAULTS = tuple(f.value for f in FaultName)
DEFAULT_COLUMN = {
    FaultName.STUCK: "t_winding",
    FaultName.SPIKE: "tq",
    FaultName.COMMA: "udc",
    FaultName.ZERO_DRIFT: "thrust",
    FaultName.SENSOR_OPEN: "t_winding",
    FaultName.NAN_BURST: "t_winding",
}
"""Faults that belong to one column, and the column taken when none is named."""
SPIKE_PROBABILITY = 0.002
BURST_PROBABILITY = 0.003
LONGEST_BURST = 40
NAN_PROBABILITY = 0.02
LONGEST_NAN = 20
LATE_PROBABILITY = 0.02
LONGEST_LATE = 100
CORRUPT_PROBABILITY = 0.01
DRIFT_PER_S = 0.02 / 60.0


@dataclass(slots=True)
class _Active:
    column: int
    text: str | None = None
    since_s: float = 0.0


class FaultSet:
    """The faults that are on. ``field_of`` gives the field index of each value column in the line."""

    def __init__(self, chains: Sequence[Chain], field_of: Sequence[int], seed: int) -> None:
        self._chains = chains
        self._field_of = field_of
        self._random = Random(seed + 7919)
        self._on: dict[FaultName, _Active] = {}
        self._burst = 0
        self._nan_lines = 0
        self._late_lines = 0
        self._late: list[bytes] = []

    def switch(self, fault: FaultName, on: bool, column: str | None) -> str | None:
        """Switch one fault; return why not, or None."""
        if fault not in DEFAULT_COLUMN:
            if column is not None:
                return f"{fault} does not belong to a column"
            index = -1
        else:
            names = [c.column for c in self._chains]
            wanted = column or DEFAULT_COLUMN[fault]
            if wanted not in names:
                return f"no column {wanted!r} in the line"
            index = names.index(wanted)
        if on:
            self._on[fault] = _Active(index)
        else:
            self._on.pop(fault, None)
        return None

    @property
    def any_on(self) -> bool:
        """True when a line needs a closer look."""
        return bool(self._on) or bool(self._late)

    def is_on(self, fault: FaultName) -> bool:
        """True while this fault is on."""
        return fault in self._on

    def drops_line(self) -> bool:
        """True when this line does not go out."""
        if FaultName.DROPOUT not in self._on:
            self._burst = 0
            return False
        if self._burst == 0 and self._random.random() < BURST_PROBABILITY:
            self._burst = self._random.randint(1, LONGEST_BURST)
        if self._burst:
            self._burst -= 1
            return True
        return False

    def hold(self, line: bytes) -> bytes:
        """What goes out instead of this line: nothing, or all that was held back with it at the end."""
        if FaultName.LATE not in self._on:
            self._late_lines = 0
        elif self._late_lines == 0 and self._random.random() < LATE_PROBABILITY:
            self._late_lines = self._random.randint(1, LONGEST_LATE)
        self._late.append(line)
        if self._late_lines:
            self._late_lines -= 1
            return b""
        held, self._late = self._late, []
        return b"".join(held)

    def bend(self, raw: list[float], step_s: float) -> None:
        """Faults of the value: zero drift and spikes, in raw numbers."""
        drift = self._on.get(FaultName.ZERO_DRIFT)
        if drift is not None:
            drift.since_s += step_s
            chain = self._chains[drift.column]
            raw[drift.column] += _raw_span(chain) * DRIFT_PER_S * drift.since_s
        spike = self._on.get(FaultName.SPIKE)
        if spike is not None and self._random.random() < SPIKE_PROBABILITY:
            raw[spike.column] += self._random.choice((-1.0, 1.0)) * 0.8 * _raw_span(self._chains[spike.column])

    def rewrite(self, fields: list[str], missing: str) -> None:
        """Faults of the text: stuck, decimal comma, open sensor, loose plug."""
        stuck = self._on.get(FaultName.STUCK)
        if stuck is not None:
            field = self._field_of[stuck.column]
            if stuck.text is None:
                stuck.text = fields[field]
            fields[field] = stuck.text
        comma = self._on.get(FaultName.COMMA)
        if comma is not None:
            field = self._field_of[comma.column]
            fields[field] = fields[field].translate(_OTHER_MARK)
        opened = self._on.get(FaultName.SENSOR_OPEN)
        if opened is not None:
            fields[self._field_of[opened.column]] = missing
        loose = self._on.get(FaultName.NAN_BURST)
        if loose is not None:
            if self._nan_lines == 0 and self._random.random() < NAN_PROBABILITY:
                self._nan_lines = self._random.randint(1, LONGEST_NAN)
            if self._nan_lines:
                self._nan_lines -= 1
                fields[self._field_of[loose.column]] = missing

    def corrupt(self, line: bytes) -> bytes:
        """Turn a bit of a line, seldom. The line end stays."""
        if FaultName.CORRUPT not in self._on or self._random.random() >= CORRUPT_PROBABILITY:
            return line
        damaged = bytearray(line)
        at = self._random.randrange(len(line) - 2)
        damaged[at] ^= 1 << self._random.randrange(8)
        if damaged[at] in b"\r\n":  # the same line, not two
            damaged[at] = 0x7F
        return bytes(damaged)


_OTHER_MARK = str.maketrans(".,", ",.")


def _raw_span(chain: Chain) -> float:
    """Range of the channel in raw numbers, with the sign of the curve's slope."""
    if isinstance(chain.curve, GainOffset):
        return (chain.high - chain.low) / chain.curve.gain
    inverse = scalar_inverse(chain.curve)
    return inverse(chain.high) - inverse(chain.low)
