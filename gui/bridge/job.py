"""Long work in a process of its own, so that no window waits for it: one job, one process, ended with its window.

A job is a function of :mod:`gui.bridge.jobs`, by name. The process gets it and its arguments, and says in frames what
it does, what it has so far, and what came of it.
"""

from __future__ import annotations

import os
import pickle
import sys
from typing import Any

from PySide6.QtCore import QObject, QProcess, QProcessEnvironment, Signal, Slot

from gui.bridge.frames import DONE, FAILED, PART, TOLD, Unframer

LOST_TEXT = "The work ended without an answer. If it does so again, do the same with benchkit on a terminal."
_START_MS, _END_MS = 10_000, 5_000


class Job(QObject):
    """One call of a function in another process. ``end`` may be called at any time and stops it."""

    told = Signal(str)
    """What it does, in words."""
    part = Signal(object)
    """Something of its result, before the rest is there."""
    done = Signal(object)
    failed = Signal(str)
    ended = Signal()
    """After ``done`` or ``failed``."""

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._process: QProcess | None = None
        self._frames = Unframer()
        self._has_answer = False

    @property
    def is_running(self) -> bool:
        """True until it ended."""
        return self._process is not None

    def start(self, name: str, *arguments: Any) -> None:
        """Start; what ran before is stopped."""
        self.end()
        process = QProcess(self)
        environment = QProcessEnvironment.systemEnvironment()
        # the package is found where this program found it
        environment.insert("PYTHONPATH", os.pathsep.join(filter(None, sys.path)))
        process.setProcessEnvironment(environment)
        process.setProcessChannelMode(QProcess.ProcessChannelMode.ForwardedErrorChannel)
        process.readyReadStandardOutput.connect(self._read)
        process.finished.connect(self._finished)
        process.errorOccurred.connect(self._cannot_start)
        self._process, self._has_answer = process, False
        self._frames = Unframer()
        process.start(sys.executable, ["-m", "gui.bridge.jobs"])
        process.write(pickle.dumps((name, arguments)))
        process.closeWriteChannel()

    @Slot()
    def end(self) -> None:
        """Stop the process, if it runs; no signal comes after that."""
        process, self._process = self._process, None
        if process is None:
            return
        process.readyReadStandardOutput.disconnect(self._read)
        process.finished.disconnect(self._finished)
        process.errorOccurred.disconnect(self._cannot_start)
        if process.state() is QProcess.ProcessState.Starting:
            process.waitForStarted(_START_MS)
        process.kill()
        process.waitForFinished(_END_MS)
        process.deleteLater()

    @Slot()
    def _read(self) -> None:
        if self._process is None:
            return
        for kind, what in self._frames.feed(bytes(self._process.readAllStandardOutput().data())):
            self._take(kind, what)

    def _take(self, kind: str, what: Any) -> None:
        if kind in (DONE, FAILED):
            self._has_answer = True
        {TOLD: self.told, PART: self.part, DONE: self.done, FAILED: self.failed}[kind].emit(what)

    @Slot()
    def _finished(self) -> None:
        self._read()
        process, self._process = self._process, None
        if process is None:
            return
        process.deleteLater()
        if not self._has_answer:
            self.failed.emit(LOST_TEXT)
        self.ended.emit()

    @Slot(QProcess.ProcessError)
    def _cannot_start(self, error: QProcess.ProcessError) -> None:
        if error is QProcess.ProcessError.FailedToStart:
            self._finished()
