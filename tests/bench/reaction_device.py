"""The far end for the reaction benchmark: a device on a pseudo-terminal that spikes one channel after another.

A process of its own. It sends the lines of the stand at 1 kHz; now and then a line carries one value beyond one limit,
and the stop command of that limit must come back. Between two of those lines it sends the same line to an echo loop on
a second pseudo-terminal, and takes the time until it comes back: the same computer, the same load, nothing in between.
"""

from __future__ import annotations

import json
import os
import random
import select
import sys
import time
import tty
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchkit.cli.priority import step_forward
from benchkit.model.limits import LimitKind
from benchkit.model.sources import text_format_of
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.wire import LineWriter

RATE_HZ = 1000.0
LIMITS = 40
PATIENCE_NS = 60_000_000_000
"""A command that has not come then is missing."""
FEWEST, MOST = 8, 22
"""Lines from one spike to the next."""


def write_profile(folder: Path) -> Path:
    """The airboat with 40 trip limits and a stop action for each: limit ``l7`` commands ``stop 7``."""
    base = shared_path("stands", "airboat.toml")
    channels = list(load_stand(base).stand.channels.values())
    assert len(channels) == 24
    parts = [
        f'[profile]\nbase = "{base.as_posix()}"\n'
        'remove = ["limits", "stop_actions", "motor.limits", "inverter.limits"]\n',
        '[stand]\norderly_stop = "s0"\n',
        # a computer so busy that the device itself falls silent is not what is measured here
        '[sources.rack]\nstale_after = { value = 20.0, unit = "s" }\n',
        '[limit_set]\nname = "reaction"\nrevision = "1"\n',
        '[heartbeat]\nkind = "message"\nsource = "rack"\ncommand = "alive {count}"\nanswered_by = "ok alive {count}"\n'
        'period = { value = 50.0, unit = "ms" }\nstop_on_trip = false\n',
    ]
    for k in range(LIMITS):
        channel = channels[k % 24]
        kind, share = ("above", 0.9) if k < 24 else ("below", 0.1)
        unit = f'unit = "{channel.unit}"'
        at = channel.low + share * (channel.high - channel.low)
        difference = unit.replace("°C", "K")
        parts.append(
            f'[stop_actions.s{k}]\nsource = "rack"\ncommand = "stop {k}"\nacknowledged_by = "ok stop {k}"\n'
            'timeout = { value = 5.0, unit = "s" }\nstop_category = 1\n'
            f'[limits.l{k}]\nchannel = "{channel.name}"\nkind = "{kind}"\nseverity = "trip"\n'
            f'set_point = {{ value = {at!r}, {unit} }}\non_delay = {{ value = 0.0, unit = "s" }}\n'
            f'off_delay = {{ value = 0.0, unit = "s" }}\ndeadband = {{ value = 0.0, {difference} }}\n'
            f'latching = false\naction = "s{k}"\n'
        )
    path = folder / "reaction.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


class Lines:
    """Lines of the stand: every channel in the middle of its range, and one beyond limit ``k`` where wanted."""

    def __init__(self, stand: Stand) -> None:
        spec = text_format_of(stand.sources["rack"])
        by_column = {channel.column: channel for channel in stand.channels.values()}
        channels = [by_column[column] for column in spec.value_columns]

        def raw(values: list[float]) -> list[float]:
            pairs = zip(channels, values, strict=True)
            return [float(c.calibration.curve.invert(np.array([v]))[0]) for c, v in pairs]

        spans = [(c.low, c.high - c.low) for c in channels]
        place = {c.name: i for i, c in enumerate(channels)}
        self._normal = raw([low + 0.5 * span for low, span in spans])
        self._far = {}
        for limit in stand.limit_set.limits:
            i = place[limit.channel]
            share = 0.95 if limit.kind is LimitKind.ABOVE else 0.05
            values = [low + (share if j == i else 0.5) * span for j, (low, span) in enumerate(spans)]
            self._far[int(limit.name[1:])] = raw(values)
        self._writer = LineWriter(spec, [6] * len(channels), 0)
        self._number = 0

    def next(self, k: int | None = None) -> bytes:
        """The next line; beyond limit ``k`` where it is given."""
        self._number += 1
        values = self._normal if k is None else self._far[k]
        return self._writer.line(self._writer.fields(self._number % 65536, float(self._number), values))


@dataclass
class Port:
    """One end of a pseudo-terminal: whole lines in, bytes out as fast as they are taken."""

    own: int = -1
    other: int = -1
    waiting: bytes = b""
    begun: bytes = b""
    address: str = field(default="")

    def __post_init__(self) -> None:
        self.own, self.other = os.openpty()
        tty.setraw(self.other)
        os.set_blocking(self.own, False)
        self.address = os.ttyname(self.other)

    def write(self, data: bytes) -> None:
        """Send what is taken now; the rest goes first next time."""
        self.waiting += data
        try:
            self.waiting = self.waiting[os.write(self.own, self.waiting) :]
        except BlockingIOError:
            return

    def read_lines(self) -> list[bytes]:
        """Lines that have come."""
        try:
            self.begun += os.read(self.own, 65536)
        except BlockingIOError:
            return []
        *lines, self.begun = self.begun.split(b"\n")
        return lines


@dataclass
class Device:
    """Sends, spikes, answers, and keeps the times (host monotonic, ns)."""

    lines: Lines
    echo_lines: Lines
    """With a count of their own: the recorder sees no gap."""
    rack: Port
    echo: Port
    chance: random.Random
    spikes: list[list[int | None]] = field(default_factory=list)
    """Limit, written at, command seen at."""
    pending: dict[int, list[int]] = field(default_factory=dict)
    """Limit -> its spikes that no command has answered. One command answers all trips of one block of rows."""
    extra: int = 0
    echo_sent: dict[bytes, int] = field(default_factory=dict)
    echo_ns: list[int] = field(default_factory=list)

    def send(self, k: int | None) -> None:
        """One line to the recorder."""
        line = self.lines.next(k)
        if k is not None:
            self.pending.setdefault(k, []).append(len(self.spikes))
            self.spikes.append([k, time.perf_counter_ns(), None])
        self.rack.write(line)

    def send_echo(self) -> None:
        """One line to the echo loop."""
        line = self.echo_lines.next()
        self.echo_sent[line.rstrip()] = time.perf_counter_ns()
        self.echo.write(line)

    def listen(self, until_ns: int) -> None:
        """Take what comes until then."""
        while True:
            left = (until_ns - time.perf_counter_ns()) * 1e-9
            if left <= 0.0:
                return
            ready, _, _ = select.select([self.rack.own, self.echo.own], [], [], left)
            now = time.perf_counter_ns()
            if self.rack.own in ready:
                self._take(now)
            if self.echo.own in ready:
                for line in self.echo.read_lines():
                    sent = self.echo_sent.pop(line.rstrip(), None)
                    if sent is not None:
                        self.echo_ns.append(now - sent)

    def _take(self, now: int) -> None:
        for line in self.rack.read_lines():
            self.rack.write(b">ok " + line + b"\r\n")
            verb, _, number = line.partition(b" ")
            if verb != b"stop":
                continue
            answered = self.pending.pop(int(number), [])
            self.extra += not answered
            for index in answered:
                self.spikes[index][2] = now


def serve(profile: Path, seconds: float, seed: int, result: Path) -> None:
    """Print both addresses; wait for a line on standard input; with ``seconds`` above 0 spike by itself for so long,
    else send a spike for every limit named on standard input, until that ends."""
    step_forward()
    stand = load_stand(profile).stand
    device = Device(Lines(stand), Lines(stand), Port(), Port(), random.Random(seed))
    print(device.rack.address, device.echo.address, flush=True)
    start = time.perf_counter_ns()
    step_ns = round(1e9 / RATE_HZ)
    made, next_spike, last, begun_at = 0, 0, -1, None
    while True:
        k: int | None = None
        if made % 5 == 0 and select.select([sys.stdin], [], [], 0.0)[0]:
            text = sys.stdin.readline()
            if not text:
                break
            if text.strip() == "go":
                begun_at, next_spike = made, made + MOST
            else:
                k = int(text)
        if begun_at is not None:
            if made - begun_at > seconds * RATE_HZ:
                break
            if made == next_spike:
                k = last = device.chance.choice([x for x in range(LIMITS) if x != last])
                next_spike += device.chance.randint(FEWEST, MOST)
        device.send(k)
        device.listen(start + made * step_ns + step_ns // 2)
        device.send_echo()
        made += 1
        device.listen(start + made * step_ns)
        late = time.perf_counter_ns() - start - made * step_ns
        if late > 5 * step_ns:  # no crowd of lines after this process itself was held up
            start += late
    patience_ns = time.perf_counter_ns() + PATIENCE_NS
    while device.pending and time.perf_counter_ns() < patience_ns:
        device.rack.write(b"")
        device.listen(time.perf_counter_ns() + step_ns)
    device.listen(time.perf_counter_ns() + 1_000_000_000)
    result.write_text(json.dumps({"spikes": device.spikes, "echo_ns": device.echo_ns, "extra": device.extra}))


ECHO = """
import os, sys
from benchkit.cli.priority import step_forward
import serial
step_forward()
port = serial.serial_for_url(sys.argv[1], timeout=1.0)
print("ready", flush=True)
waiting = b""
while True:
    try:
        waiting += port.read(1) + port.read(port.in_waiting)
    except serial.SerialException:  # the other end has gone
        break
    *lines, waiting = waiting.split(b"\\n")
    for line in lines:
        port.write(line + b"\\n")
"""
"""The bare echo loop: read a line, write it back."""

if __name__ == "__main__":
    serve(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
