"""One thread holds the link to a recorder: it finds it, listens, asks, and finds it again when it comes back.

The client of the recorder belongs to the thread that made it, so it lives in the worker from first to last. What it
receives waits in a bounded queue that the windows empty on their own timer; only rare news cross as signals, and
those go to bound slots.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from PySide6.QtCore import QObject, QThread, Signal, Slot

from benchkit.errors import BenchkitError, RefusedError
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand
from benchkit.session.client import RecorderClient, read_live_file
from benchkit.session.messages import Message, Status
from benchkit.session.photos import keep_photo
from benchkit.session.signing import read_record
from gui.state.controls import UNLINKED_TEXT

KEPT_MESSAGES = 6000
"""About a minute of messages: a window that is held up longer shows a gap; the run file has none."""
_LISTEN_S = 0.03
_LOOK_AGAIN_S = 0.25
_SILENT_AFTER_S = 1.0
WHO = "dashboard"

FindRecorder = Callable[[], Path | None]


@dataclass(frozen=True, slots=True)
class Attached:
    """News: a recorder was found, and this is its run."""

    stand: Stand
    header: RunHeader
    announced_at: Path
    at_s: float
    may_command: bool = True
    """False where the key of this dashboard may only watch."""


@dataclass(frozen=True, slots=True)
class Answer:
    """News: what became of a request; ``error`` is None where it was accepted."""

    request: str
    error: str | None


class RecorderLink(QObject):
    """Handle of the worker for one window. ``find`` says where a recorder announces itself; it runs in the worker."""

    attached = Signal(object)
    answered = Signal(object)

    def __init__(self, find: FindRecorder, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._worker = _Worker(find, self)
        self._worker.attached.connect(self.attached)
        self._worker.answered.connect(self.answered)
        # a window that is dropped without being closed still ends its thread
        self.destroyed.connect(self._worker.end)

    def start(self) -> None:
        """Start looking for the recorder."""
        self._worker.start()

    def stop(self) -> None:
        """Let go of the recorder, which does not notice, and end the thread."""
        self._worker.end()

    def ask(self, request: str, **arguments: Any) -> None:
        """Send a request; the answer comes as :attr:`answered`."""
        self._worker.requests.put((request, arguments))

    @property
    def malformed(self) -> int:
        """Messages of the present recorder that were not understood, and not used."""
        return self._worker.malformed

    def drain(self) -> list[tuple[Message, float]]:
        """Messages since the last call, oldest first, each with the host time at which it came [s]."""
        out = []
        while self._worker.messages:
            out.append(self._worker.messages.popleft())
        return out


class _Worker(QThread):
    attached = Signal(object)
    answered = Signal(object)

    def __init__(self, find: FindRecorder, parent: QObject) -> None:
        super().__init__(parent)
        self.setObjectName("recorder link")
        self.find = find
        self.stopping = threading.Event()
        self.requests: SimpleQueue[tuple[str, dict[str, Any]]] = SimpleQueue()
        self.messages: deque[tuple[Message, float]] = deque(maxlen=KEPT_MESSAGES)
        self.malformed = 0

    @Slot()
    def end(self) -> None:
        """Stop, and wait until the thread has ended."""
        self.stopping.set()
        self.wait()

    def run(self) -> None:
        """Body of the thread."""
        while not self.stopping.is_set():
            path = self.find()
            identity = _identity(path)
            if path is None or identity is None or not self._attach_and_listen(path, identity):
                self._refuse_all()
                self.stopping.wait(_LOOK_AGAIN_S)

    def _attach_and_listen(self, path: Path, identity: tuple[int, int]) -> bool:
        """False where no recorder answered there."""
        from benchkit.profiles import stand_from_json  # costs as much as Qt: not before the first window is painted

        try:
            endpoints = read_live_file(path)
        except BenchkitError:
            return False
        with RecorderClient(endpoints) as client:
            try:
                told = client.describe()
                stand, header = stand_from_json(told["profile_json"]), header_from(told["header"])
                run_path = Path(str(told["run_path"]))
            except (BenchkitError, KeyError, TypeError):
                return False
            self.messages.clear()
            self.malformed = 0
            self.attached.emit(Attached(stand, header, path, time.perf_counter(), client.may_command))
            self._listen(client, identity, run_path)
        return True

    def _listen(self, client: RecorderClient, identity: tuple[int, int], run_path: Path) -> None:
        """Until told to stop, or until another run begins: at the same address, or announced in this one's silence."""
        heard_s = looked_s = time.perf_counter()
        while not self.stopping.is_set():
            self._ask_all(client, run_path)
            message = client.receive(_LISTEN_S)
            now_s = time.perf_counter()
            self.malformed = client.malformed
            if isinstance(message, Status) and Path(message.run_path) != run_path:
                return
            if message is not None:
                self.messages.append((message, now_s))
                heard_s = now_s
            elif now_s - heard_s > _SILENT_AFTER_S and now_s - looked_s > _LOOK_AGAIN_S:
                looked_s = now_s
                found = _identity(self.find())
                if found is not None and found != identity:
                    return

    def _ask_all(self, client: RecorderClient, run_path: Path) -> None:
        for request, arguments in self._waiting():
            error: str | None = None
            try:
                client.request(request, **_from_disk(request, arguments, run_path))
            except RefusedError as refusal:
                error = str(refusal)
            except BenchkitError as failure:
                error = f"{failure}"
            self.answered.emit(Answer(request, error))

    def _refuse_all(self) -> None:
        for request, _ in self._waiting():
            self.answered.emit(Answer(request, UNLINKED_TEXT))

    def _waiting(self) -> list[tuple[str, dict[str, Any]]]:
        out = []
        try:
            while True:
                out.append(self.requests.get_nowait())
        except Empty:
            return out


def _from_disk(request: str, arguments: dict[str, Any], run_path: Path) -> dict[str, Any]:
    """Arguments of a request; where it hands in a file of this machine, the file is read here and not in the window.

    Raises:
        UsageError: the file cannot be used; the message says why.
    """
    if "path" not in arguments:
        return arguments
    rest = {k: v for k, v in arguments.items() if k != "path"}
    path = Path(str(arguments["path"])).expanduser()
    if request == "attach":
        photo = keep_photo(path, run_path)
        return {**rest, "photo": photo.path.name, "sha256": photo.sha256, "bytes": photo.size}
    return {**rest, "record": read_record(path)[1]}


def header_from(body: dict[str, Any]) -> RunHeader:
    """The run header from its JSON mapping; fields that this version does not know are left out."""
    known = {f.name for f in fields(RunHeader)}
    return RunHeader(**{k: v for k, v in body.items() if k in known})


def _identity(path: Path | None) -> tuple[int, int] | None:
    """What changes when a recorder announces itself anew."""
    try:
        stat = path.stat() if path is not None else None
    except OSError:
        return None
    return None if stat is None else (stat.st_mtime_ns, hash(str(path)))
