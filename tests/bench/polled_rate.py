"""Polled instruments over real links: how many sweeps a second, and what 100 sweeps a second cost."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator

from benchkit.model.samples import Rows
from benchkit.model.sources import ModbusSource, ScpiSource
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from tests.bench.figure import Figure
from tests.sources.instruments import modbus_spec, scpi_spec

NAMES = (
    "polled_rate_modbus_tcp", "polled_rate_modbus_rtu", "polled_rate_scpi_tcp", "polled_rate_scpi_pty",
    "polled_core_share_modbus_rtu", "polled_core_share_scpi_tcp",
)  # fmt: skip
SECONDS = 3.0

PEERS = """
import tempfile
from pathlib import Path
from tests.sources.instruments import ModbusPeer, Pty, ScpiPeer
folder = Path(tempfile.mkdtemp())
ptys = [Pty(folder / name) for name in ("modbus", "scpi")]
peers = [ModbusPeer(), ModbusPeer(pty=ptys[0]), ScpiPeer(), ScpiPeer(pty=ptys[1])]
print(f"tcp://127.0.0.1:{peers[0].port}", ptys[0].name, f"socket://127.0.0.1:{peers[2].port}", ptys[1].name, flush=True)
input()
for peer in peers:
    peer.stop()
for pty in ptys:
    pty.unplug()
"""


def measure() -> Iterator[Figure]:
    """Two questions a sweep, the instruments in a process of their own; CPU of the asking process alone."""
    peers = subprocess.Popen(
        [sys.executable, "-c", PEERS],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert peers.stdout is not None
    ports = dict(zip(NAMES[:4], peers.stdout.readline().split(), strict=True))
    for name, port in ports.items():
        yield Figure(name, _ask(_spec(name, port, interval_s=1e-5))[0], "sweeps/s")
    for name in NAMES[4:]:
        port = ports[name.replace("core_share", "rate")]
        yield Figure(name, 100.0 * _ask(_spec(name, port, interval_s=0.01))[1], "% of a core")
    peers.communicate("\n", timeout=30.0)


def _spec(name: str, port: str, interval_s: float) -> ModbusSource | ScpiSource:
    make = modbus_spec if "modbus" in name else scpi_spec
    return make(port, interval_s=interval_s)


def _ask(spec: ModbusSource | ScpiSource) -> tuple[float, float]:
    """Rows a second, and CPU seconds a second."""
    source = build_source(spec, HostClock())
    source.open()
    rows = 0
    start, cpu = time.perf_counter(), time.process_time()
    while time.perf_counter() - start < SECONDS:
        polled = source.poll(0.05)
        rows += sum(len(event) for event in polled.events if isinstance(event, Rows)) if polled else 0
    took, cpu = time.perf_counter() - start, time.process_time() - cpu
    source.close()
    return rows / took, cpu / took
