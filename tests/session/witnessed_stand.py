"""The simulated stand in a process of its own, with a witness: every row it makes and every command it takes, logged.

``python -m tests.session.witnessed_stand STAND LOG FACTOR RATE SEED``. A line of the log is either
``R host_s time_s speed_rpm torque_nm sent`` (one step of the plant, by its own state; ``sent`` 0: its line was
swallowed) or ``C host_s time_s text`` (a command that was carried out). ``host_s`` is the monotonic clock, which all
processes of the computer share. Lines on the standard input are commands that nobody on the link sees; ``silent on``
swallows every line, as a plug that is out does, and ``silent off`` ends it.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any, TextIO

from benchkit.cli.priority import step_forward
from benchkit.profiles import load_stand, shared_path
from benchkit.simulate import serve
from benchkit.simulate.device import Device
from benchkit.simulate.drives import Load

LOG: TextIO


class Witnessed(Device):
    """A device that writes down what it does."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        os.set_blocking(sys.stdin.fileno(), False)
        self._is_silent = False

    def tick(self) -> bytes:
        self._whispers()
        line = super().tick()
        if self._is_silent:
            line = b""
        s = self.plant.state
        values = f"{time.monotonic():.6f} {s.time_s:.6f} {s.speed_rpm:.4f} {s.torque_nm:.4f}"
        LOG.write(f"R {values} {int(bool(line))}\n")
        return line

    def command(self, text: str) -> str | None:
        refusal = super().command(text)
        if refusal is None:
            LOG.write(f"C {time.monotonic():.6f} {self.plant.state.time_s:.6f} {text}\n")
        return refusal

    def _whispers(self) -> None:
        try:
            said = os.read(sys.stdin.fileno(), 4096)
        except BlockingIOError:
            return
        for text in said.decode("ascii").splitlines():
            if text.startswith("silent"):
                self._is_silent = text == "silent on"
            else:
                super().command(text)


def main() -> None:
    """Play until SIGTERM."""
    global LOG
    name, log, factor, rate, seed = sys.argv[1:]
    stand = load_stand(shared_path("stands", f"{name}.toml")).stand
    step_forward()  # a real stand does not wait for the computer either
    serve.Device = Witnessed  # type: ignore[misc]  # the stand is the same but for its witness
    with Path(log).open("w", encoding="ascii") as LOG:
        serve.run_server(
            stand,
            load=Load.MACHINE,
            seed=int(seed),
            time_factor=float(factor),
            rate_hz=float(rate),
            endpoint="127.0.0.1:0",  # lines that nobody takes are gone; a pty keeps the last half second of them
            announce=lambda address: print(address, flush=True),
        )


if __name__ == "__main__":
    main()
