"""Start the recorder, or the simulated stand, as a process of its own, and find out where it listens."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO

from benchkit.errors import LinkError
from benchkit.session.messages import Endpoints

START_TIMEOUT_S = 30.0
LIVE_SUFFIX = ".live.json"


@dataclass(slots=True)
class Child:
    """A process that told its address on its first line of output. Its messages go on to ``stderr``."""

    process: subprocess.Popen[str]
    address: str

    def end(self, timeout_s: float = 30.0) -> int:
        """Ask it to end in order and wait; returns its exit code."""
        self.process.terminate()
        return self.wait(timeout_s)

    def kill(self) -> int:
        """End it at once, in the middle of whatever it does."""
        self.process.kill()
        return self.wait(10.0)

    def wait(self, timeout_s: float) -> int:
        """Wait for its end and let go of it; returns its exit code. Raises ``subprocess.TimeoutExpired``."""
        code = self.process.wait(timeout_s)
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code


def live_path(run_path: Path) -> Path:
    """The small file beside a run that names its recorder while it records."""
    return run_path.with_name(run_path.stem + LIVE_SUFFIX)


def write_live_file(endpoints: Endpoints) -> Path:
    """Announce a recorder; the file appears whole or not at all."""
    path = live_path(Path(endpoints.run_path))
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    # with keys of this machine in it, it is for its owner alone
    mode = 0o644 if endpoints.keys is None else 0o600
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", encoding="utf-8") as file:
        file.write(json.dumps(asdict(endpoints)))
    part.replace(path)
    return path


def start_simulated_stand(
    stand: str,
    *,
    seed: int = 1,
    time_factor: float = 1.0,
    rate_hz: float = 1000.0,
    tcp: str | None = None,
    schedule: Sequence[tuple[float, str]] = (),
    watchdog_s: float | None = None,
    calibration_seed: int | None = None,
    bursts: str | None = None,
) -> Child:
    """Start ``benchkit simulate`` and return it with the address it serves on.

    ``schedule`` holds commands that the stand gives itself: its seconds since the start, and the command.
    ``calibration_seed``: the same instruments with another noise.
    """
    use_tcp = tcp or ("127.0.0.1:0" if sys.platform == "win32" else None)
    arguments = ["simulate", stand, "--seed", str(seed), "--time-factor", str(time_factor), "--rate", str(rate_hz)]
    if watchdog_s is not None:
        arguments += ["--watchdog", str(watchdog_s)]
    if calibration_seed is not None:
        arguments += ["--calibration-seed", str(calibration_seed)]
    if bursts is not None:
        arguments += ["--bursts", bursts]
    for at_s, command in schedule:
        arguments += ["--at", str(at_s), command]
    return _start([*arguments, "--tcp", use_tcp] if use_tcp else arguments, "simulated stand at ")


def start_recorder(
    stand: str,
    out: Path,
    arguments: Sequence[str] = (),
    *,
    outlives_us: bool = False,
    said: IO[str] | None = None,
) -> tuple[Child, Endpoints]:
    """Start ``benchkit record`` and return it with the addresses it publishes and takes requests on.

    ``arguments`` are further options of the command, such as ``("--port", "rack=/dev/ttyUSB0")``. ``outlives_us``: an
    interrupt at our keyboard is none for it, and it does not hear of our end. ``said`` takes its messages.
    """
    command = ["record", stand, "--out", str(out), *arguments]
    child = _start(command, "recording, announced in ", is_apart=outlives_us and sys.platform != "win32", said=said)
    from benchkit.session.client import read_live_file

    return child, read_live_file(Path(child.address))


def _start(
    arguments: Sequence[str], announcement: str, *, is_apart: bool = False, said: IO[str] | None = None
) -> Child:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchkit", *arguments],
        stdout=subprocess.PIPE,
        stderr=said,
        text=True,
        encoding="utf-8",
        start_new_session=is_apart,
    )
    assert process.stdout is not None
    return Child(process, _announced(process, process.stdout, announcement, arguments[0]))


def _announced(process: subprocess.Popen[str], output: IO[str], announcement: str, command: str) -> str:
    deadline = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < deadline:
        line = output.readline()
        if line.startswith(announcement):
            return line.removeprefix(announcement).strip()
        if not line:
            code = process.wait()
            output.close()
            raise LinkError(
                f"benchkit {command} ended before it was ready", got=f"exit code {code}", remedy="Its message says why."
            )
    process.kill()
    process.wait()
    output.close()
    raise LinkError(f"benchkit {command} was not ready in time", expected=f"within {START_TIMEOUT_S:g} s")
