"""Packets of a burst source -> samples, and the ring that holds the last of them until a trigger comes.

Bytes in, samples out; time is an argument. The packets carry the number of their first sample: what is missing is
counted, a packet that comes late is put where it belongs, one that comes twice changes nothing.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.model.bursts import BurstRecord, BurstSource

Samples = npt.NDArray[np.generic]

LAG_WINDOW = 4096
"""Packets by whose waiting times the samples are laid onto host time."""


@dataclass(frozen=True, slots=True, eq=False)
class Packet:
    """One good packet: the number of its first sample as sent, and its samples (n, channels) as received."""

    counter: int
    samples: Samples


def parse(source: BurstSource, datagram: bytes | memoryview) -> Packet | str:
    """One datagram; a text says why it is no packet of ``source``."""
    packet = source.packet
    if packet is None:
        return "this source takes files"
    head, sync = packet.head_bytes, packet.sync
    if len(datagram) < head + source.frame_bytes:
        return f"{len(datagram)} bytes are too short for one sample"
    if bytes(datagram[: len(sync)]) != sync:
        return f"begins with {bytes(datagram[:4]).hex()}, not with the sync bytes"
    body = len(datagram) - head
    if body % source.frame_bytes:
        return f"{body} bytes of samples are no whole number of samples of {source.frame_bytes} bytes"
    counter = int.from_bytes(datagram[len(sync) : head], "big" if packet.is_big_endian else "little")
    samples = np.frombuffer(datagram, dtype=source.wire_type, offset=head)
    return Packet(counter, samples.reshape(-1, len(source.channels)))


class BurstRing:
    """The last samples of a source, by their counter.

    ``feed`` takes packets with their arrival; ``cut`` gives what lies around an instant once ``has`` says that it is
    there. A counter that jumps by more than the ring holds is a new start: what was before goes with nothing after.
    """

    def __init__(self, source: BurstSource, rows: int) -> None:
        self._source = source
        self._type = np.dtype(source.stored_type)
        self._ring: Samples = np.zeros((rows, len(source.channels)), dtype=self._type)
        self._rows = rows
        packet = source.packet
        self._modulus = 1 << (8 * packet.counter_bytes) if packet is not None else 1 << 32
        self._period_ns = 1e9 / source.sample_rate_hz
        self._lags: deque[tuple[int, int]] = deque(maxlen=LAG_WINDOW)
        """Counter after the last sample of a packet, arrival of the packet [ns]."""
        self._missing: deque[list[int]] = deque()
        """From … to of what has not come, rising."""
        self._first = 0
        self.next = -1
        """Counter (without its turns) that the next sample has; -1: nothing has come."""
        self.received = self.lost = self.late = self.restarts = 0
        """Samples received and lost; packets that came late or twice; new starts of the counter."""

    def feed(self, packet: Packet, arrival_ns: int) -> None:
        """Take one packet."""
        count = len(packet.samples)
        start = packet.counter
        if self.next >= 0:
            turn = (packet.counter - self.next) % self._modulus
            if turn >= self._modulus // 2:
                turn -= self._modulus
            start = self.next + turn
            if start < 0 or abs(turn) > self._rows:
                self._restart()
                start = packet.counter
        if self.next < 0:
            self._first = self.next = start
        if start > self.next:
            self._missing.append([self.next, start])
            self.lost += start - self.next
        elif start < self.next:
            self.late += 1
            self._fill(start, packet.samples)
            return
        self._put(start, packet.samples)
        self.next = start + count
        self.received += count
        self._lags.append((self.next, arrival_ns))
        while self._missing and self._missing[0][1] <= self.next - self._rows:
            self._missing.popleft()

    def place(self, host_ns: int) -> tuple[int, float]:
        """Counter of the sample at a host time, and the standard uncertainty of that place in samples.

        The quickest of the last packets say how counters lie on host time. How much longer the quickest quarter of them
        waited is taken as the uncertainty: so much may the quickest itself have waited more than it must.
        """
        if not self._lags:
            return -1, float("nan")
        ends, arrivals = np.array(self._lags, dtype=np.int64).T
        base = int(ends[-1])
        waits = (arrivals - arrivals[-1]) - (ends - base) * self._period_ns
        offset_ns = float(waits.min()) + int(arrivals[-1])
        spread = float(np.quantile(waits, 0.25) - waits.min()) / self._period_ns
        return base + round((host_ns - offset_ns) / self._period_ns), float(np.hypot(spread, 1.0 / np.sqrt(12.0)))

    def has(self, stop: int) -> bool:
        """True when every sample before ``stop`` has come or is lost."""
        return self.next >= stop >= 0

    def cut(self, trigger: int, number: int, reason: str, trigger_ns: int, u_samples: float) -> BurstRecord | None:
        """What is there of the burst around sample ``trigger``; None where nothing of it is left."""
        source = self._source
        start = max(trigger - source.pre_rows, self._first, self.next - self._rows)
        stop = min(trigger - source.pre_rows + source.rows, self.next)
        if stop <= start:
            return None
        taken = np.ones(stop - start, dtype=bool)
        for begin, end in self._missing:
            taken[max(begin - start, 0) : max(end - start, 0)] = False
        missing = int(np.count_nonzero(~taken))
        if missing == stop - start:
            return None
        kept = np.flatnonzero(taken)
        rows = self._ring[(start + kept) % self._rows] if missing else self._window(start, stop)
        steps = np.diff(kept)
        places = np.flatnonzero(steps > 1)
        gaps = np.column_stack([places + 1, steps[places] - 1]).astype(np.int64)
        first = start + int(kept[0])
        return BurstRecord(
            source=source.name,
            number=number,
            reason=reason,
            sample_rate_hz=source.sample_rate_hz,
            first_counter=first,
            trigger_sample=trigger - first,
            trigger_ns=trigger_ns,
            u_trigger_ns=round(u_samples * self._period_ns),
            missing=int(gaps[:, 1].sum()),
            gaps=gaps,
            samples=rows,
        )

    def _window(self, start: int, stop: int) -> Samples:
        first, count = start % self._rows, stop - start
        head = min(count, self._rows - first)
        return np.concatenate([self._ring[first : first + head], self._ring[: count - head]])

    def _put(self, start: int, samples: Samples) -> None:
        first = (start + max(0, len(samples) - self._rows)) % self._rows
        samples = samples[-self._rows :]
        head = min(len(samples), self._rows - first)
        self._ring[first : first + head] = samples[:head]
        self._ring[: len(samples) - head] = samples[head:]

    def _fill(self, start: int, samples: Samples) -> None:
        """A packet that came late: only what was missing is taken from it."""
        stop = start + len(samples)
        left: deque[list[int]] = deque()
        for begin, end in self._missing:
            low, high = max(begin, start), min(end, stop)
            if low >= high or low < self.next - self._rows:
                left.append([begin, end])
                continue
            self._put(low, samples[low - start : high - start])
            self.lost -= high - low
            self.received += high - low
            left.extend(part for part in ([begin, low], [high, end]) if part[0] < part[1])
        self._missing = left

    def _restart(self) -> None:
        self.restarts += 1
        self._missing.clear()
        self._lags.clear()
        self.next = -1
