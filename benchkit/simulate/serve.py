"""The simulated stand as a process: one loop that paces lines, takes commands and never waits for its reader."""

from __future__ import annotations

import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import FrameType

from benchkit.errors import UsageError
from benchkit.model.stand import Stand
from benchkit.simulate.burst_sender import BurstFeed, instrument_of
from benchkit.simulate.conditions import Conditions
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load
from benchkit.simulate.links import Link, Outbox, open_link
from benchkit.simulate.wire import NotUnderstood, parse_command

LONGEST_BURST = 50
"""Lines made between two looks for commands when the loop is late."""
LONGEST_LAG_S = 0.5
"""Further behind than this, device time stands still instead of running after host time (sleeping laptop)."""
LONGEST_SLEEP_S = 0.005
"""Commands are looked for at least this often."""


@dataclass(frozen=True, slots=True)
class Served:
    """What a server did: lines made, and lines that the link did not take."""

    lines: int
    dropped: int


def run_server(
    stand: Stand,
    *,
    load: Load,
    seed: int,
    time_factor: float = 1.0,
    rate_hz: float = 1000.0,
    endpoint: str | None = None,
    announce: Callable[[str], None],
    source: str | None = None,
    conditions: Conditions | None = None,
    watchdog_s: float | None = None,
    calibration_seed: int | None = None,
    schedule: Sequence[tuple[float, str]] = (),
    clock: Callable[[], float] = time.perf_counter,
    sleep: Callable[[float], None] = time.sleep,
    should_stop: Callable[[], bool] | None = None,
    tell: Callable[[str], None] = lambda _: None,
    bursts: str | None = None,
) -> Served:
    """Play the stand until SIGINT or SIGTERM, or until ``should_stop`` says so.

    Device time runs ``time_factor`` times host time, ``rate_hz`` lines a host second: a line is a step of
    ``time_factor / rate_hz`` s. ``endpoint`` as in :func:`benchkit.simulate.links.open_link`; ``announce`` gets the
    address that a client opens. A client that goes away changes nothing: the drive holds its last set-points, unless
    ``watchdog_s`` is given: then it has its enable only while a new beat of a heartbeat comes within so many seconds of
    host time (see :mod:`benchkit.simulate.watchdog`). ``schedule`` holds
    commands that the stand gives itself: device seconds since the first line, and the command. One that it refuses is
    answered on the link; one that it does not understand is an error here. ``tell`` gets what the watchdog says on the
    link, for those who do not listen there. ``calibration_seed`` as in :class:`~benchkit.simulate.device.Device`.
    ``bursts`` is where the packets of the burst source go, ``host:port``.

    Raises:
        UsageError, LinkError: profile, option or endpoint cannot be played.
    """
    for name, value in (("time factor", time_factor), ("line rate", rate_hz)):
        if not 0.0 < value < float("inf"):
            raise UsageError(f"the {name} must be above 0", got=value)
    if watchdog_s is not None and not watchdog_s > 0.0:
        raise UsageError("the watchdog needs a time above 0 s", got=watchdog_s)
    device = Device(
        stand,
        load,
        seed,
        time_factor / rate_hz,
        source=source,
        conditions=conditions,
        watchdog_s=watchdog_s,
        calibration_seed=calibration_seed,
    )
    for _, text in schedule:
        understood = parse_command(text)
        if isinstance(understood, NotUnderstood):
            raise UsageError(understood.reason, where=f"schedule: {text!r}")
    # from device seconds to the number of the line before which the command is given
    due_commands = deque(sorted((round(at_s * rate_hz / time_factor), text) for at_s, text in schedule))
    feed = None if bursts is None else BurstFeed(instrument_of(stand, bursts, seed))
    try:
        link = open_link(endpoint)
    except BaseException:
        if feed is not None:
            feed.close()
        raise
    each_turn = None if feed is None else (lambda now_s: feed.tell(device.plant, now_s))
    try:
        announce(link.address)
        if should_stop is not None:
            return _pace(
                device,
                link,
                rate_hz,
                due_commands,
                clock=clock,
                sleep=sleep,
                should_stop=should_stop,
                tell=tell,
                each_turn=each_turn,
            )
        with _StopSignals() as signals:
            return _pace(
                device,
                link,
                rate_hz,
                due_commands,
                clock=clock,
                sleep=sleep,
                should_stop=signals.is_set,
                tell=tell,
                each_turn=each_turn,
            )
    finally:
        link.close()
        if feed is not None:
            feed.close()


def _pace(
    device: Device,
    link: Link,
    rate_hz: float,
    due_commands: deque[tuple[int, str]],
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    should_stop: Callable[[], bool],
    tell: Callable[[str], None],
    each_turn: Callable[[float], None] | None,
) -> Served:
    outbox = Outbox(link)
    made = 0
    start = clock()
    while not should_stop():
        received, now_s = link.read(), clock()
        outbox.put_reply(device.receive(received, now_s))
        notice = device.watch(now_s)
        if notice:
            outbox.put_reply(device.notice(notice))
            tell(notice)
        while due_commands and due_commands[0][0] <= made:
            text = due_commands.popleft()[1]
            refusal = device.command(text)
            if refusal is not None:
                outbox.put_reply(device.notice(f"refused {text}: {refusal}"))
        due = int((clock() - start) * rate_hz) + 1 - made
        too_late = due - LONGEST_LAG_S * rate_hz - LONGEST_BURST
        if too_late > 0:
            start += too_late / rate_hz
        burst = min(due, LONGEST_BURST)
        if due_commands:  # each before its own line, so that the same seed gives the same bytes
            burst = min(burst, due_commands[0][0] - made)
        if burst > 0:
            for _ in range(burst):
                outbox.put(device.tick())
            made += burst
        if each_turn is not None:
            each_turn(now_s)
        outbox.flush()
        if due <= burst:
            pause = start + made / rate_hz - clock()
            if pause > 0.0:
                sleep(min(pause, LONGEST_SLEEP_S))
    return Served(lines=made, dropped=outbox.dropped)


class _StopSignals:
    """SIGINT and SIGTERM set a flag while this is entered; outside the main thread they are left alone."""

    def __init__(self) -> None:
        self._flag = threading.Event()
        self._before: list[tuple[signal.Signals, object]] = []
        self.is_set = self._flag.is_set

    def __enter__(self) -> _StopSignals:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                self._before.append((number, signal.signal(number, self._stop)))
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before:
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal.signal gave us

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        self._flag.set()
