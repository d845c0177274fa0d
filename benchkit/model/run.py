"""Who, what and when of one run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

RUN_FORMAT_VERSION = 1
"""Of a run without bursts: what every benchkit reads."""
BURST_FORMAT_VERSION = 2
"""Of a run of a stand with burst sources: it has ``/bursts``, which is part of its content."""


@dataclass(frozen=True, slots=True)
class RunHeader:
    """Header of a run file. ``profile_json`` is the resolved stand profile; ``profile_texts`` the files as written."""

    run_id: str
    started_utc: str
    """ISO 8601 with offset."""
    software_version: str
    host: str
    stand: str
    profile_json: str
    profile_texts: Mapping[str, str] = field(default_factory=dict)
    operator: str = ""
    note: str = ""
    simulated: bool = False
    seed: int | None = None
    """Seed of the simulated stand; None on a real one."""
    time_factor: float = 1.0
    """Stream seconds per host second; above 1 only where a simulated stand runs faster than real time."""
    recovered_from: str = ""
    """File name of the interrupted recording that this run was recovered from; empty for a run that was closed."""
    format_version: int = RUN_FORMAT_VERSION
