"""A real Dask scheduler and two worker processes on loopback, and what it means that two campaigns gave the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchkit.campaign.campaign import TABLE_CSV, TABLE_PARQUET
from tests.campaign.made_runs import ROOT

STARTS_S = 60.0


@dataclass
class Cluster:
    """A scheduler, its address, and worker processes."""

    address: str
    workers: list[subprocess.Popen[str]]


def started(words: list[str], log: Path) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    with log.open("w") as file:
        return subprocess.Popen(
            [sys.executable, "-m", *words], stdout=file, stderr=file, env=environment, cwd=log.parent, text=True
        )


def said(log: Path, pattern: str, process: subprocess.Popen[str]) -> str:
    """What a process says when it is ready."""
    until = time.monotonic() + STARTS_S
    while time.monotonic() < until and process.poll() is None:
        found = re.search(pattern, log.read_text())
        if found:
            return found[1]
        time.sleep(0.1)
    pytest.fail(f"{pattern} was not said: {log.read_text()[-2000:]}")


@contextmanager
def running(folder: Path) -> Iterator[Cluster]:
    """A cluster that is there for as long as the block."""
    log = folder / "scheduler.log"
    words = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    scheduler = started(["distributed.cli.dask_scheduler", *words], log)
    workers: list[subprocess.Popen[str]] = []
    try:
        address = said(log, r"Scheduler at:\s+(tcp://127\.0\.0\.1:\d+)", scheduler)
        words = [address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder)]
        logs = [folder / f"worker-{number}.log" for number in range(2)]
        workers = [started(["distributed.cli.dask_worker", *words], log) for log in logs]
        for log, worker in zip(logs, workers, strict=True):
            said(log, r"(Registered to)", worker)
        yield Cluster(address, workers)
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def same_tables(first: Path, second: Path) -> None:
    for name in (TABLE_CSV, "runs.csv"):
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    if (first / TABLE_PARQUET).exists():
        assert (first / TABLE_PARQUET).read_bytes() == (second / TABLE_PARQUET).read_bytes()
