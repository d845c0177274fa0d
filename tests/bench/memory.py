"""Memory of the process that asks."""

from __future__ import annotations

import sys
from pathlib import Path


def peak_bytes() -> int:
    """Highest resident memory of this program. What getrusage tells may be that of the program that started it."""
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    return _status("VmHWM") or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def resident_bytes() -> int:
    """Resident memory now; where the system does not tell, its peak so far."""
    return _status("VmRSS") or peak_bytes()


def _status(name: str) -> int:
    status = Path("/proc/self/status")
    if not status.exists():
        return 0
    return next(int(line.split()[1]) * 1024 for line in status.read_text().splitlines() if line.startswith(name))
