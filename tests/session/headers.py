"""A run header for tests."""

from __future__ import annotations

from benchkit import __version__
from benchkit.model.run import RunHeader
from benchkit.profiles import LoadedStand


def header_for(loaded: LoadedStand, **changes: object) -> RunHeader:
    """Header of a run of ``loaded`` that could have started now."""
    values: dict[str, object] = {
        "run_id": "test_run",
        "started_utc": "2026-05-04T08:00:00.000000+00:00",
        "software_version": __version__,
        "host": "bench",
        "stand": loaded.stand.name,
        "profile_json": loaded.json,
        "profile_texts": loaded.texts,
        "simulated": loaded.stand.simulated,
        "seed": 1,
    }
    return RunHeader(**(values | changes))  # type: ignore[arg-type]
