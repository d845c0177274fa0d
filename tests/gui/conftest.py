"""A recorder for the dashboard to attach to: real messages over loopback ZeroMQ, sent by a thread of the test.

The recorder of benchkit itself runs in test_with_recorder.py; this one can fall silent, refuse and trip on demand.
"""

from __future__ import annotations

import gc
import json
import math
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import numpy as np
import pytest
import zmq

from benchkit.model.events import Event, EventKind
from benchkit.model.interlock import State
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.profiles import load_stand, shared_path
from benchkit.runfile.layout import Block, StreamSpec
from benchkit.runfile.writer import RunWriter
from benchkit.session.messages import (
    Endpoints,
    FirstOutStatus,
    LiveRows,
    Message,
    SourceStatus,
    Status,
    encode,
)
from benchkit.session.plan_status import PlanStatus
from benchkit.session.process import write_live_file
from benchkit.session.protection_status import ProtectionStatus

RATE_HZ = 200.0
LEVELS = {
    "dc_voltage": 398.0,
    "dc_current": 41.0,
    "phase_u_current": 62.0,
    "phase_v_current": 62.4,
    "phase_w_current": 61.8,
    "ac_power": 15850.0,
    "shaft_speed": 2400.0,
    "shaft_torque": 60.2,
    "thrust": 715.0,
    "winding_temp": 96.0,
    "stator_temp": 84.0,
    "magnet_temp": 71.0,
    "junction_temp": 92.0,
    "case_temp": 48.0,
    "coolant_inlet_temp": 34.0,
    "coolant_outlet_temp": 38.5,
    "coolant_flow": 8.1,
    "air_temp": 19.4,
    "air_pressure": 100870.0,
    "air_humidity": 0.62,
    "vibration": 3.2,
    "d_current": -12.0,
    "q_current": 87.0,
    "electrical_frequency": 400.0,
}
"""A motoring point of the example stand, invented for the tests (bench units)."""


@pytest.fixture(scope="session")
def loaded() -> Any:
    """The example stand."""
    return load_stand(shared_path("stands", "airboat.toml"))


@pytest.fixture(scope="session")
def stand(loaded: Any) -> Stand:
    """The example stand, parsed."""
    return loaded.stand


@pytest.fixture(scope="session")
def levels() -> dict[str, float]:
    """A motoring point, by channel name."""
    return dict(LEVELS)


@pytest.fixture(scope="session")
def make_run_header(loaded: Any) -> Callable[..., RunHeader]:
    """Headers of simulated runs."""
    return partial(make_header, loaded)


@pytest.fixture(scope="session")
def run_path(
    stand: Stand, make_run_header: Any, tmp_path_factory: pytest.TempPathFactory, levels: dict[str, float]
) -> Path:
    """A minute: rest, then from 20 s to 40 s the point of the levels, with two seconds missing at 30 s."""
    path = tmp_path_factory.mktemp("runs") / "minute.h5"
    channels = stand.channels_of("rack")
    time_s = np.arange(6000) / 100.0
    on = (time_s >= 20.0) & (time_s < 40.0)
    values = np.column_stack([np.where(on, levels[c.name], 0.01 * levels[c.name]) for c in channels])
    keep = (time_s < 30.0) | (time_s >= 32.0)
    count = int(keep.sum())
    block = Block(
        time_s=time_s[keep], arrival_s=time_s[keep] + 0.01, device_time_s=time_s[keep],
        counter=np.flatnonzero(keep) % 65536, values=values[keep], raw=np.empty((count, 0)),
    )  # fmt: skip
    with RunWriter(path, make_run_header("minute"), [StreamSpec("rack", channels, ())]) as writer:
        writer.append("rack", block)
        writer.event(Event(0.0, EventKind.RUN_STARTED, "run minute started"))
        writer.event(Event(20.01, EventKind.STATE, "ARMED to RUNNING", data={"to": "RUNNING"}))
        writer.event(Event(30.01, EventKind.GAP, "200 rows missing", source="rack"))
        trip = {"first_out": True, "order_resolved": True, "limit": "winding_hot"}
        writer.event(Event(40.01, EventKind.TRIP, "winding_hot", source="rack", channel="winding_temp", data=trip))
        writer.event(Event(40.01, EventKind.STATE, "RUNNING to TRIPPED", data={"to": "TRIPPED"}))
        writer.close()
    return path


@pytest.fixture
def dashboard(qapp: Any) -> Iterator[Any]:
    """The dashboard's own functions that open windows; the windows are closed with the test."""
    from gui import app

    application = app.make_application()
    assert application is qapp
    kept: list[Any] = []

    def keeping(opener: Callable[..., Any]) -> Callable[..., Any]:
        def opened(*arguments: Any) -> Any:
            kept.append(opener(*arguments))
            return kept[-1]

        return opened

    yield SimpleNamespace(
        open_live=keeping(app.open_live),
        open_recorded=keeping(app.open_recorded),
        open_picker=keeping(app.open_picker),
        open_beginning=keeping(app.open_beginning),
        windows=application.topLevelWidgets,
    )
    for window in kept:
        window.close()
        window.deleteLater()


def make_header(loaded: Any, run_id: str = "airboat-test") -> RunHeader:
    """Header of a simulated run."""
    return RunHeader(
        run_id=run_id,
        started_utc="2026-03-04T09:30:00+00:00",
        software_version="0",
        host="test",
        stand="airboat",
        profile_json=loaded.json,
        simulated=True,
        seed=7,
    )


CONTEXT = zmq.Context()
"""One for all publishers, to the end of the process: that of a single one was seen to wait three minutes for its end,
once in some hundred runs, with both sockets closed."""


@dataclass
class Publisher:
    """Publishes rows and status, answers requests. ``silent`` stops the words, ``refusal`` answers no."""

    stand: Stand
    header: RunHeader
    folder: Path
    state: State = State.READY
    silent: bool = False
    lost: bool = False
    refusal: str = ""
    first_out: FirstOutStatus | None = None
    levels: dict[str, float] = field(default_factory=lambda: dict(LEVELS))
    drift: dict[str, float] = field(default_factory=dict)
    requests: list[dict[str, Any]] = field(default_factory=list)
    rate_hz: float = RATE_HZ
    grant: str = "control"
    protection: ProtectionStatus = field(default_factory=ProtectionStatus)
    plan: PlanStatus | None = None

    def __post_init__(self) -> None:
        self.channels = tuple(self.stand.channels)
        self._random = np.random.default_rng(3)
        self._stop = threading.Event()
        self._out: list[Message] = []
        self._rows_sent = 0
        self._publish = CONTEXT.socket(zmq.PUB)
        self._answer = CONTEXT.socket(zmq.REP)
        ports = [s.bind_to_random_port("tcp://127.0.0.1") for s in (self._publish, self._answer)]
        run_path = self.folder / f"{self.header.run_id}.h5"
        self.endpoints = Endpoints(
            f"tcp://127.0.0.1:{ports[0]}", f"tcp://127.0.0.1:{ports[1]}", str(run_path), os.getpid()
        )
        self.live_file = write_live_file(self.endpoints)
        self._began = time.perf_counter()
        self._thread = threading.Thread(target=self._run, name="test recorder")
        self._thread.start()

    def say(self, *messages: Message) -> None:
        """Publish messages besides the usual ones."""
        self._out.extend(messages)

    def event(self, kind: EventKind, message: str, **fields: Any) -> Event:
        """Publish an event of this moment."""
        made = Event(time.perf_counter() - self._began, kind, message, **fields)
        self.say(made)
        return made

    def close(self) -> None:
        """End the thread and its sockets."""
        self._stop.set()
        self._thread.join()
        self._publish.close(linger=0)
        self._answer.close(linger=0)

    def rows(self, first: int, count: int) -> LiveRows:
        """Rows ``first`` to ``first + count``."""
        time_s = (first + np.arange(count)) / self.rate_hz
        base = np.array([self.levels[c] for c in self.channels])
        drift = np.array([self.drift.get(c, 0.0) for c in self.channels])
        noise = self._random.standard_normal((count, len(base))) * np.abs(base) * 0.002
        return LiveRows("rack", self.channels, time_s, time_s, base + noise + drift * time_s[:, None])

    def status(self) -> Status:
        """Status of this moment."""
        now_s = time.perf_counter() - self._began
        rack = SourceStatus(0.01, self._rows_sent, 0, 0, self.lost, self.lost)
        return Status(
            now_s, self.state, {"rack": True}, True, self.endpoints.run_path, 41_200_000_000, 11520.0,
            self.stand.limit_set.name, self.stand.limit_set.revision, {"rack": rack}, self.first_out,
            limit_hash=self.stand.limit_set.short_hash, protection=self.protection, plan=self.plan,
        )  # fmt: skip

    def _run(self) -> None:
        while not self._stop.wait(0.03):
            if self._answer.poll(0):
                self._reply(json.loads(self._answer.recv()))
            if self.silent:
                continue
            due = math.floor((time.perf_counter() - self._began) * self.rate_hz)
            if due > self._rows_sent and not self.lost:
                self._send(self.rows(self._rows_sent, due - self._rows_sent))
            self._rows_sent = due
            self._send(self.status())
            while self._out:
                self._send(self._out.pop(0))

    def _send(self, message: Message) -> None:
        self._publish.send_multipart(encode(message))

    def _reply(self, request: dict[str, Any]) -> None:
        answer: dict[str, Any] = {"ok": True}
        if request["do"] == "describe":
            answer |= {"header": asdict(self.header), "profile_json": self.header.profile_json}
            answer |= {"run_path": self.endpoints.run_path, "grant": self.grant}
        else:
            self.requests.append(request)
            if self.refusal:
                answer = {"ok": False, "error": self.refusal}
        self._answer.send(json.dumps(answer).encode())


@pytest.fixture
def start_publisher(loaded: Any, stand: Stand, tmp_path: Path) -> Iterator[Callable[..., Publisher]]:
    """Start publishers; they end with the test."""
    made: list[Publisher] = []

    def start(run_id: str = "airboat-test", **fields: Any) -> Publisher:
        made.append(Publisher(stand, make_header(loaded, run_id), tmp_path, **fields))
        return made[-1]

    yield start
    for publisher in made:
        if publisher._thread.is_alive():
            publisher.close()


@pytest.fixture
def find_left_running() -> Callable[[Any], list[str]]:
    """The check for leaks, to be checked itself."""
    return left_running


@pytest.fixture(autouse=True)
def nothing_left_running(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread, an active timer or a window with its widgets behind, and name it."""
    before = set(threading.enumerate())
    known = count_widgets()
    yield
    if "qapp" not in request.fixturenames:
        return
    # the windows of the test are closed by now; their deferred deletion still has to run
    from PySide6.QtCore import QCoreApplication, QEvent

    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    gc.collect()
    left = [f"thread {t.name}" for t in threading.enumerate() if t not in before and t.is_alive()]
    left += left_running(request.getfixturevalue("qapp"))
    left += [f"{n} widgets {kind}" for kind, n in (count_widgets() - known).items()]
    assert not left, f"left running: {', '.join(left)}"


def count_widgets() -> Counter[str]:
    """Widgets that exist, by kind."""
    from PySide6.QtWidgets import QApplication

    return (
        Counter(type(widget).__name__ for widget in QApplication.allWidgets()) if QApplication.instance() else Counter()
    )


def left_running(application: Any) -> list[str]:
    """Active timers and running threads of the windows that exist, by name."""
    from PySide6.QtCore import QThread, QTimer

    left = []
    for window in application.topLevelWidgets():
        name = f"{type(window).__name__} {window.windowTitle()!r}"
        left += [f"active timer of {name}" for t in window.findChildren(QTimer) if t.isActive()]
        left += [f"running thread of {name}" for t in window.findChildren(QThread) if t.isRunning()]
    return left
