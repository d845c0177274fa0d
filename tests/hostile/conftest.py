"""Hostile files: each must be refused, in words, inside 5 s of processor time and 500 MB."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

CPU_S = 5
PEAK_BYTES = 500_000_000
AS_BYTES = 2 << 30
"""Address space is more than memory: libraries reserve what they never touch. The peak itself is compared."""


@dataclass(frozen=True)
class Outcome:
    """What became of one command."""

    code: int
    out: str
    err: str
    err_length: int
    cpu_s: float
    peak_bytes: int


Attempt = Callable[..., Outcome]


@pytest.fixture(scope="module")
def attempt() -> Iterator[Attempt]:
    """Runs a benchkit command under the limits; one process for the module, a new one when it was ended."""
    if os.name == "nt":
        pytest.skip("Windows has no such limits")
    children: list[subprocess.Popen[str]] = []

    def child() -> subprocess.Popen[str]:
        if not children or children[-1].poll() is not None:
            environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
            command = [sys.executable, str(Path(__file__).with_name("limited.py")), str(CPU_S), str(AS_BYTES)]
            children.append(
                subprocess.Popen(
                    command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment, encoding="utf-8"
                )
            )
        return children[-1]

    def run(*arguments: object) -> Outcome:
        process = child()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps([str(a) for a in arguments]) + "\n")
        process.stdin.flush()
        line = process.stdout.readline()
        assert line, f"ended by the limits or crashed, exit code {process.wait()}"
        outcome = Outcome(**json.loads(line))
        assert outcome.cpu_s <= CPU_S
        assert outcome.peak_bytes <= PEAK_BYTES
        return outcome

    yield run
    for process in children:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        process.stdout.close()
        process.wait()


@pytest.fixture(scope="module")
def refused(attempt: Attempt) -> Attempt:
    """As ``attempt``, and the command must refuse in words: a message of benchkit, no fault, not without end."""

    def run(*arguments: object) -> Outcome:
        outcome = attempt(*arguments)
        assert outcome.code in (2, 3, 4), (outcome.code, outcome.out, outcome.err)
        assert "unexpected fault" not in outcome.err
        assert "Traceback" not in outcome.err
        assert outcome.err_length < 100_000
        return outcome

    return run
